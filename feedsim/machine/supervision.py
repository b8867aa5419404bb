"""What may stop or change a line while it runs, in numbers."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum


class Hazard(Enum):
    """A hazard that may become a jam; the value is its name in results and scenario."""

    NOSE_STRIKE = "nose_strike"
    TAIL_HELD = "tail_held"
    SPEED_MISMATCH = "speed_mismatch"
    OFF_CARRIER = "off_carrier"
    STRAY_INSERT = "stray_insert"
    DOUBLE = "double"


@dataclass(frozen=True, slots=True)
class Clearing:
    """How long it takes to clear the line.

    Fixed; or ``exponential``; or lognormal with the coefficient of variation ``cv``, above 0.
    """

    mean_s: float = 60.0
    cv: float = 0.0
    exponential: bool = False

    @property
    def sd_s(self) -> float:
        """Standard deviation of the time (s)."""
        return self.mean_s * (1.0 if self.exponential else self.cv)

    def lognormal_s(self, normal: float) -> float:
        """Return the lognormal time (s) at a value of its standard normal variate.

        exp of a normal variate of variance σ² = ln(1 + c²) and mean ln m − σ²/2, m the mean and c
        the coefficient of variation (Johnson, Kotz and Balakrishnan, Continuous Univariate
        Distributions, chapter 14).
        """
        variance = math.log1p(self.cv**2)
        middle, sd = math.log(self.mean_s) - 0.5 * variance, math.sqrt(variance)
        return math.exp(middle + sd * normal)


@dataclass(frozen=True, slots=True)
class StopRules:
    """Rules that stop the line, each off unless set, and how the line stops.

    ``insert_eye_blocked_mm`` is feed travel, ``carrier_eye_blocked_mm`` and
    ``carrier_eye_silent_mm`` are belt travel (``inf``: off); ``misses_in_a_row`` 0 is off.
    ``emergency_deceleration_mm_s2``: None for that of any other stop.
    """

    no_insert: bool = False
    insert_eye_blocked_mm: float = float("inf")
    carrier_eye_blocked_mm: float = float("inf")
    carrier_eye_silent_mm: float = float("inf")
    misses_in_a_row: int = 0
    double_found: bool = False
    drive_overload: bool = False
    stop_deceleration_mm_s2: float = 2000.0
    emergency_deceleration_mm_s2: float | None = None
    clearing: Clearing = Clearing()

    @property
    def any(self) -> bool:
        """Whether any rule is on."""
        least = self.insert_eye_blocked_mm, self.carrier_eye_blocked_mm, self.carrier_eye_silent_mm
        on = self.no_insert or self.double_found or self.drive_overload
        return on or self.misses_in_a_row > 0 or min(least) < float("inf")


class FaultKind(Enum):
    """A kind of planned fault; the value is its name in scenario and records."""

    CARRIER_JAM = "carrier_jam"
    INSERT_JAM = "insert_jam"
    NO_INSERT = "no_insert"
    EYE_DIRTY = "eye_dirty"
    EMERGENCY_STOP = "emergency_stop"


@dataclass(frozen=True, slots=True)
class When:
    """At a time (s), or as a carrier's leading edge reaches the eye; −1 for no carrier."""

    at_s: float = 0.0
    carrier: int = -1


@dataclass(frozen=True, slots=True)
class PlannedFault:
    """A planned fault; ``carrier_eye``, ``duration_s``: of a dirty eye."""

    when: When
    kind: FaultKind
    feeder: int = 0
    carrier_eye: bool = True
    duration_s: float = 0.0


class Setting(Enum):
    """A setting that an operator may change in a run; the value is the field of `Settings`."""

    ENGAGE_DISTANCE = "engage_distance_mm"
    ENGAGE_LEAD = "engage_lead_s"
    DISENGAGE_DISTANCE = "disengage_distance_mm"
    DISENGAGE_LEAD = "disengage_lead_s"
    SPEED_RATIO = "speed_ratio"


@dataclass(frozen=True, slots=True)
class Adjust:
    """A change as the line runs; ``settings``: of feeders by number, with the new values."""

    when: When
    speed_mm_s: float | None = None
    settings: tuple[tuple[int, Setting, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Supervision:
    """Everything that may stop or change a line while it runs.

    ``jam_probability``: by hazard, of those above 0. ``speed_mismatch`` and ``overhang_mm``:
    limits of two of the hazards. ``keeps_place``: the encoder is absolute, or the
    master virtual; else it takes ``home_time_s`` to find home after a stop without power.
    """

    rules: StopRules = StopRules()
    jam_probability: tuple[tuple[Hazard, float], ...] = ()
    speed_mismatch: float = 0.05
    overhang_mm: float = 0.0
    keeps_place: bool = True
    home_time_s: float = 0.0
    faults: tuple[PlannedFault, ...] = ()
    adjusts: tuple[Adjust, ...] = ()

    @property
    def may_stop_by_chance(self) -> bool:
        """Whether a rule or a hazard may stop the line; a feeder's double check may besides."""
        return self.rules.any or bool(self.jam_probability)
