"""What a carrier's story is made of: events, parts of the placement error, hazards, the end."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from feedsim.metrics.plain import MAY_BE_OPEN

Group = Literal["mark", "run_up", "settings", "stage"]

GROUPS: dict[Group, str] = {
    "mark": "From the carrier's edge to the closing of the clutch",
    "run_up": "From the closing of the clutch to the landing",
    "settings": "Settings and encoder",
    "stage": "Where the insert was staged",
}
"""The groups of parts in order, with their names."""

PARTS: dict[Group, dict[str, str]] = {
    "mark": {
        "carrier_eye_edge": "carrier eye edge",
        "carrier_eye_response": "carrier eye response",
        "carrier_eye_held": "held back by its last switching",
        "carrier_eye_on_already": "carrier eye on already, from a card not seen",
        "carrier_eye_filter": "carrier eye input filter",
        "carrier_eye_scan": "carrier eye scan",
        "carrier_eye_count": "carrier eye count",
        "engage_rounding": "engage point in whole counts",
        "late_mark": "mark known past its point",
        "queued": "behind the mark before",
        "feeder_wait": "waited for the feeder",
        "closing_tick": "closing tick",
    },
    "run_up": {
        "engage_delay": "command delay",
        "ramp_in": "ramp-in",
        "opened_early": "clutch opened before the landing",
        "lag": "servo lag",
        "speed_change": "belt speed changed on the way",
        "nose_past": "nose staged past the placement point",
        "insert_slip": "insert slip",
        "carrier_slip": "carrier slip",
    },
    "settings": {
        "scale_error": "encoder scale error",
        "engage_unsettled": "engage distance, cycle as it runs",
        "engage_distance": "engage distance not the right one",
        "engage_lead": "engage lead off the sum of delays",
        "engage_filter": "controller's speed off the belt's",
    },
    "stage": {
        "insert_eye_edge": "insert eye edge",
        "insert_eye_response": "insert eye response",
        "insert_eye_on_already": "insert eye on already, from a card not seen",
        "insert_eye_filter": "insert eye input filter",
        "insert_eye_scan": "insert eye scan",
        "insert_eye_count": "insert eye count",
        "disengage_rounding": "disengage point in whole counts",
        "late_opening": "edge known past its point",
        "opening_tick": "opening tick",
        "disengage_delay": "command delay",
        "ramp_out": "ramp-out",
        "not_closed_yet": "clutch not yet closed at the edge",
        "stage_lag": "servo lag at the insert's edge",
        "stage_speed_change": "belt speed changed while staging",
        "disengage_unsettled": "disengage distance, cycle as it runs",
        "disengage_distance": "disengage distance not the right one",
        "disengage_lead": "disengage lead off the sum of delays",
        "disengage_filter": "controller's speed off the belt's",
        "jog_speed": "feed not at jog speed yet",
        "jog_overshoot": "jog stopped past the stage",
        "stage_correction": "stage correction",
    },
}
"""Every part by its key in data, with its name, in its group."""


@dataclass(frozen=True, slots=True)
class StoryEvent:
    """One thing that happened on the way, in words and numbers.

    ``time_s``: when.
    ``belt_mm``: belt travel then.
    ``words``: what happened, with lengths in the unit asked for.
    ``delay_s``: time since what it waited for; None where it is no delay.
    ``cost_mm``: belt travel meanwhile; for an edge that is seen early or late, how far off it was.
    """

    time_s: float
    belt_mm: float
    words: str
    delay_s: float | None = None
    cost_mm: float | None = None


@dataclass(frozen=True, slots=True)
class ErrorPart:
    """One part of the placement error.

    ``key``: its name in data, such as ``"carrier_eye_response"``.
    ``name``: in words.
    ``delay_s``: the delay that costs it, where it is one.
    ``cost_mm``: what it cost this insert, in mm of belt travel; above 0 it makes the insert late.
    Of a delay: the delay times the belt speed at which the settings acted.
    ``allowed_mm``: what right settings make up for.
    ``error_mm``: ``cost_mm`` − ``allowed_mm``: what it adds to the placement error.
    """

    key: str
    group: Group
    name: str
    delay_s: float | None
    cost_mm: float
    allowed_mm: float
    error_mm: float

    @property
    def numbers_mm(self) -> tuple[float, float, float]:
        """What it cost, what is allowed for it, and the difference."""
        return self.cost_mm, self.allowed_mm, self.error_mm


@dataclass(frozen=True, slots=True)
class HazardMargin:
    """How near one hazard came in this carrier's feed cycle.

    ``hazard``: its key in results, such as ``"tail_held"``.
    ``seen``: whether it happened.
    ``margin``: 0 at the limit, below 0 past it; None for a hazard that is only counted, and where
    there is none.
    ``margin_unit``: ``"mm"``, ``"%"`` or ``"mm/s^2"``.
    ``words``: what it means and, where it was seen, why.
    """

    hazard: str
    seen: bool
    margin: float | None
    margin_unit: str | None
    words: str


@dataclass(frozen=True, slots=True)
class Story:
    """The outcome of one carrier at one feeder, and why.

    ``carrier``, ``feeder``: numbers from 0, the warm-up included.
    ``outcome``: ``"placed"`` or the cause of the miss, as in ``carriers.csv``.
    ``reason``: why, a sentence each.
    ``insert``: number of the insert engaged for it.
    ``leading_edge_mm``, ``eye_time_s``: belt travel and time at which its leading edge passed the
    carrier eye.
    ``engage_speed_mm_s``, ``opening_speed_mm_s``: belt speeds at which the engage lead was taken,
    and the disengage lead of the cycle that staged its insert.
    ``placement_error_mm``: as recorded by the run.
    ``sum_of_parts_mm``: the parts added up.
    ``short_s``, ``short_mm``: of a miss: by how much time and belt travel it was missed, where that
    makes sense.
    ``events``: in order of time.
    ``parts``: empty where nothing was placed.
    ``hazards``: empty where there was no feed cycle.
    """

    carrier: int
    feeder: int
    feeder_name: str
    outcome: str
    reason: tuple[str, ...]
    insert: int | None
    leading_edge_mm: float
    eye_time_s: float = field(metadata=MAY_BE_OPEN)
    engage_speed_mm_s: float | None = None
    opening_speed_mm_s: float | None = None
    placement_error_mm: float | None = None
    sum_of_parts_mm: float | None = None
    short_s: float | None = None
    short_mm: float | None = None
    events: tuple[StoryEvent, ...] = ()
    parts: tuple[ErrorPart, ...] = ()
    hazards: tuple[HazardMargin, ...] = ()

    @property
    def at_risk(self) -> bool:
        """Whether its feed cycle had a hazard."""
        return any(hazard.seen for hazard in self.hazards)


@dataclass(frozen=True, slots=True)
class Stories:
    """The stories of one carrier at each feeder; ``carrier`` is None where none was found."""

    feedsim: str
    title: str
    seed: int
    line_speed_mm_s: float
    carrier: int | None
    stories: tuple[Story, ...]


@dataclass(frozen=True, slots=True)
class Miss:
    """Why a carrier was missed: sentences, and by how much (s and mm of belt travel)."""

    words: tuple[str, ...]
    short_s: float | None = None
    short_mm: float | None = None
