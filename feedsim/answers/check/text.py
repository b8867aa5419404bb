"""The settings of a feeder as lines of text."""

from __future__ import annotations

from feedsim.metrics.machine_settings import MachineSettings
from feedsim.quantities import System, display

__all__ = ["settings_line"]


def settings_line(settings: MachineSettings, *, units: System = "metric") -> list[str]:
    """Say what would be typed into the machine, a line for each side of the clutch."""
    return [
        _side(
            "Engage",
            settings.engage_distance_mm,
            settings.engage_lead_ms,
            counts=settings.engage_distance_counts,
            units=units,
        ),
        _side(
            "Disengage",
            settings.disengage_distance_mm,
            settings.disengage_lead_ms,
            counts=settings.disengage_distance_counts,
            units=units,
        ),
    ]


def _side(
    name: str, distance_mm: float, lead_ms: float, *, counts: int | None, units: System
) -> str:
    in_counts = "" if counts is None else f" ({counts} counts)"
    distance = display(distance_mm, "length", units=units, digits=6)
    return f"{name} distance {distance}{in_counts}, {name.lower()} lead {lead_ms:.4g} ms."
