"""Distances, leads and the other values typed into a feeder's controller."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, NamedTuple


@dataclass(frozen=True, slots=True)
class Resolution:
    """The steps in which a controller takes distances and leads; 0: any value."""

    distance_mm: float = 0.0
    lead_s: float = 0.0


SideName = Literal["engage", "disengage"]
"""Where the clutch closes for a carrier, and where it opens again."""
SIDES: tuple[SideName, ...] = ("engage", "disengage")


def travel_to_act(distance_mm: float, lead_s: float, counted_mm_s: float) -> float:
    """Return distance − lead·v_c, from the edge to the act (feedsim/MODEL.md, sections 5 and 8)."""
    return distance_mm - lead_s * counted_mm_s


class OneSide(NamedTuple):
    """Distance (mm of counted travel) and lead (s) of one act."""

    distance_mm: float
    lead_s: float

    def travel_mm(self, counted_mm_s: float) -> float:
        """Return the travel from the edge to the act (:func:`travel_to_act`)."""
        return travel_to_act(self.distance_mm, self.lead_s, counted_mm_s)


class DistancesAndLeads:
    """Distances (mm of counted travel) and leads (s) of both acts, and the travels they ask for."""

    __slots__ = ()
    engage_distance_mm: float
    engage_lead_s: float
    disengage_distance_mm: float
    disengage_lead_s: float

    def side(self, name: SideName) -> OneSide:
        """Return distance and lead of a side."""
        if name == "engage":
            return OneSide(self.engage_distance_mm, self.engage_lead_s)
        return OneSide(self.disengage_distance_mm, self.disengage_lead_s)

    def travel_mm(self, side: SideName, counted_mm_s: float) -> float:
        """Return the travel from the edge to the act of a side: E or U."""
        return self.side(side).travel_mm(counted_mm_s)

    def engage_travel_mm(self, counted_mm_s: float) -> float:
        """Return E, from mark to closing (:func:`travel_to_act`)."""
        return travel_to_act(self.engage_distance_mm, self.engage_lead_s, counted_mm_s)

    def opening_travel_mm(self, counted_mm_s: float) -> float:
        """Return U, from edge to opening (:func:`travel_to_act`)."""
        return travel_to_act(self.disengage_distance_mm, self.disengage_lead_s, counted_mm_s)


@dataclass(frozen=True, slots=True)
class Settings(DistancesAndLeads):
    """The settings typed into the machine, with ``"auto"`` already solved.

    ``speed_ratio`` is g with the trim included. Distances are belt travel in counted
    mm, leads are seconds of controller speed.
    """

    target_offset_mm: float
    stage_position_mm: float
    engage_distance_mm: float
    engage_lead_s: float
    disengage_distance_mm: float
    disengage_lead_s: float
    speed_ratio: float = 1.0
    stage_correction: bool = False
    resolution: Resolution = Resolution()
