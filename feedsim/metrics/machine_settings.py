"""The settings of a run, as an operator reads them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from feedsim.machine import SIDES, Encoder, Settings, SideName

TYPED = ("engage_distance", "engage_lead", "disengage_distance", "disengage_lead")
"""The settings that may be ``"auto"``, by the keys of a scenario."""


class OneSide(NamedTuple):
    """Distance and lead of a side, as an operator reads them."""

    distance_mm: float
    lead_ms: float
    distance_counts: int | None


class DistancesAndLeads:
    """Distances and leads of both sides, as an operator reads them."""

    __slots__ = ()
    engage_distance_mm: float
    engage_lead_ms: float
    disengage_distance_mm: float
    disengage_lead_ms: float
    engage_distance_counts: int | None
    disengage_distance_counts: int | None

    def side(self, name: SideName) -> OneSide:
        """Return distance and lead of a side."""
        if name == "engage":
            return OneSide(
                self.engage_distance_mm, self.engage_lead_ms, self.engage_distance_counts
            )
        return OneSide(
            self.disengage_distance_mm, self.disengage_lead_ms, self.disengage_distance_counts
        )


@dataclass(frozen=True, slots=True)
class MachineSettings(DistancesAndLeads):
    """The settings typed into the machine, ``"auto"`` solved; no counts without an encoder."""

    target_offset_mm: float
    stage_position_mm: float
    engage_distance_mm: float
    engage_lead_ms: float
    disengage_distance_mm: float
    disengage_lead_ms: float
    engage_distance_counts: int | None
    disengage_distance_counts: int | None
    speed_ratio: float


def machine_settings(settings: Settings, encoder: Encoder) -> MachineSettings:
    """Return the settings of one feeder; counts are rounded half to even."""
    return MachineSettings(
        target_offset_mm=settings.target_offset_mm,
        stage_position_mm=settings.stage_position_mm,
        engage_distance_mm=settings.engage_distance_mm,
        engage_lead_ms=settings.engage_lead_s * 1000.0,
        disengage_distance_mm=settings.disengage_distance_mm,
        disengage_lead_ms=settings.disengage_lead_s * 1000.0,
        engage_distance_counts=_counts(settings.engage_distance_mm, encoder.count_mm),
        disengage_distance_counts=_counts(settings.disengage_distance_mm, encoder.count_mm),
        speed_ratio=settings.speed_ratio,
    )


def typed(settings: Settings) -> dict[str, float]:
    """Return the distances (mm) and leads (s) of one feeder by the keys of a scenario."""
    values = (value for side in SIDES for value in settings.side(side))
    return dict(zip(TYPED, map(float, values), strict=True))


def _counts(distance_mm: float, count_mm: float) -> int | None:
    return round(distance_mm / count_mm) if count_mm > 0.0 else None
