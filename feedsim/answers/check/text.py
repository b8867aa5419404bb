"""The settings of a feeder as lines of text."""

from __future__ import annotations

from feedsim.metrics.machine_settings import MachineSettings
from feedsim.quantities import System, display
from feedsim.render.wording import counted


def settings_line(settings: MachineSettings, *, units: System = "metric") -> list[str]:
    """Say what would be typed into the machine, a line for each side of the clutch."""
    return [_side(settings, side, units) for side in ("engage", "disengage")]


def _side(settings: MachineSettings, side: str, units: System) -> str:
    distance, counts, lead = (
        getattr(settings, f"{side}_{name}")
        for name in ("distance_mm", "distance_counts", "lead_ms")
    )
    in_counts = "" if counts is None else f" ({counted(counts, 'count')})"
    shown = display(distance, "length", units=units, digits=6)
    return f"{side.capitalize()} distance {shown}{in_counts}, {side} lead {lead:.4g} ms."
