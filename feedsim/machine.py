"""The checked model: the machine in numbers, as the engine sees it.

Every value is a float in mm, s, mm/s or mm/s² (the unit is in the name), a whole
number, or a yes/no. No dict, no string, no unit: those end in :mod:`feedsim.scenario`.
All classes are frozen, so a run cannot change what it was given.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING, Literal, NamedTuple

if TYPE_CHECKING:
    from feedsim.arrivals import Arrival


@dataclass(frozen=True, slots=True)
class Line:
    """The conveyor.

    Attributes
    ----------
    speed_mm_s : float
        Nominal line speed; without a profile the speed from t = 0.
    acceleration_mm_s2 : float
        Acceleration of a speed change that is not part of a profile.
    profile : tuple of (time_s, speed_mm_s)
        Points with rising times, speed linear between them, the last one held.
        Empty: the belt runs at ``speed_mm_s`` from t = 0. Before the first point it has that
        point's speed.
    """

    speed_mm_s: float
    acceleration_mm_s2: float = 500.0
    profile: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Encoder:
    """The master.

    ``count_mm``: counted travel per count q (0: no quantisation, as on a virtual master).
    ``scale_error``: ε: true belt travel = (1 + ε) · counted travel.
    """

    count_mm: float = 0.0
    scale_error: float = 0.0


@dataclass(frozen=True, slots=True)
class Carriers:
    """The carriers on the belt.

    ``arrival``: how far apart they come. ``missing``: share of pitches without a carrier, 0 beside
    a record.
    """

    arrival: Arrival
    missing: float = 0.0
    slip_mm: float = 0.0
    slip_sd_mm: float = 0.0

    @property
    def length_mm(self) -> float:
        """The length of a carrier."""
        return self.arrival.length_mm

    @property
    def pitch_mm(self) -> float:
        """The mean pitch, leading edge to leading edge."""
        return self.arrival.pitch_mm


@dataclass(frozen=True, slots=True)
class Eye:
    """A photo-eye.

    ``scanned``: the travel is stored at a scan tick; else latched. ``polled``, only with
    ``scanned``: only the level at scan ticks counts. ``filter_s``: how long a level must last to
    count.
    """

    response_s: float = 0.0
    response_jitter_s: float = 0.0
    off_response_s: float = 0.0
    edge_sd_mm: float = 0.0
    missed: float = 0.0
    scanned: bool = False
    polled: bool = False
    filter_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Controller:
    """The program that reads the eyes and works the clutches."""

    scan_s: float = 0.0
    motion_cycle_s: float = 0.0
    speed_filter_s: float = 0.0
    search_limit_mm: float = 10_000.0
    mark_memory: int = 8
    late_mark_engages: bool = False
    not_ready_engages: bool = False


@dataclass(frozen=True, slots=True)
class Inserts:
    """The inserts that the singulator lets onto the insert path.

    ``magazine``: its capacity; 0: endless. ``warning``: inserts left at which refilling begins
    while the line runs; 0: only when it is empty and the line has stopped.
    """

    length_mm: float
    gap_mm: float
    gap_sd_mm: float = 0.0
    min_gap_mm: float = 0.0
    slip_mm: float = 0.0
    slip_sd_mm: float = 0.0
    misfeed: float = 0.0
    double: float = 0.0
    magazine: int = 0
    warning: int = 0
    refill_time_s: float = 30.0


@dataclass(frozen=True, slots=True)
class DoubleCheck:
    """Probability that a double is found, and that a single is called a double.

    ``stops``: a found double stops the line; else it is counted and goes on.
    """

    finds: float = 0.0
    false_alarm: float = 0.0
    stops: bool = False


@dataclass(frozen=True, slots=True)
class Clutch:
    """The electronic clutch.

    ``ramp_in`` and ``ramp_out`` are seconds, or mm of counted travel where
    ``travel_ramp`` is true; 0 is a step.
    """

    travel_ramp: bool = False
    ramp_in: float = 0.0
    ramp_out: float = 0.0
    settle_s: float = 0.0

    def ramps_s(self, counted_mm_s: float) -> tuple[float, float]:
        """Return how long ramp-in and ramp-out last (s) at a steady counted belt speed."""
        seconds = 1.0 / counted_mm_s if self.travel_ramp else 1.0
        return seconds * self.ramp_in, seconds * self.ramp_out

    def engaged_s(self, feed_mm: float, *, ratio: float, counted_mm_s: float) -> float:
        """Return the time (s) from ramp-in to ramp-out that feeds a travel from rest to rest.

        w·(t − T_in/2 + T_out/2) at a steady feed speed w = g·v_c, where the ramp-in ends first.
        """
        ramp_in, ramp_out = self.ramps_s(counted_mm_s)
        return feed_mm / (ratio * counted_mm_s) + 0.5 * (ramp_in - ramp_out)


@dataclass(frozen=True, slots=True)
class Servo:
    """The feed axis. ``loop_gain_per_s`` may be ``inf`` (rigid).

    ``max_acceleration_mm_s2`` is NaN until it is taken from the chosen motor.
    """

    loop_gain_per_s: float = float("inf")
    velocity_feedforward: float = 0.0
    max_acceleration_mm_s2: float = float("inf")
    command_delay_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Roller:
    """A roller, or any rotating part, whose rim runs at feed speed.

    ``diameter_mm`` 0: it turns with the feed roller. With ``inertia_kg_m2`` above 0 that is its
    inertia; else it is a cylinder of this length and density, hollow where ``bore_mm`` is above 0.
    """

    diameter_mm: float = 0.0
    bore_mm: float = 0.0
    length_mm: float = 0.0
    density_kg_m3: float = 0.0
    inertia_kg_m2: float = 0.0
    count: int = 1


@dataclass(frozen=True, slots=True)
class Reduction:
    """A stage between motor and roller: ``ratio`` turns of its input to one of its output.

    ``efficiency``: output power over input power, either way.
    ``inertia_kg_m2``: of the stage, at its input.
    """

    ratio: float
    efficiency: float = 1.0
    inertia_kg_m2: float = 0.0


@dataclass(frozen=True, slots=True)
class Motor:
    """A candidate. ``over_temperature_factor``: share of rated torque and power left when hot."""

    rated_torque_n_m: float
    peak_torque_n_m: float
    rated_speed_rpm: float
    max_speed_rpm: float
    rotor_inertia_kg_m2: float
    rated_power_w: float
    over_temperature_factor: float = 1.0


@dataclass(frozen=True, slots=True)
class Drive:
    """The drive train between motor and inserts, and the candidate motors.

    ``roller_diameter_mm``: of the roller that moves the inserts, at the feed surface.
    ``moving_mass_kg``: belts and inserts: what moves at feed speed.
    ``insert_mass_kg``: of one insert, moved by friction.
    ``reductions``: from the motor to the roller; none: the motor sits on the roller's shaft.
    ``friction_torque_n_m``: at the roller's shaft, while it turns.
    ``pull_off_force_n``, ``pull_off_from_mm``, ``pull_off_travel_mm``: force with which the
    magazine holds the next insert back, and the feed travel of a cycle over which it acts.
    ``friction_coefficient``, ``normal_force_n``: between feed surface and insert; 0: not known.
    ``service_factor``, ``allowed_inertia_ratio``: by common practice.
    ``chosen``: number of one of them; -1 for none.
    """

    roller_diameter_mm: float
    rollers: tuple[Roller, ...] = ()
    moving_mass_kg: float = 0.0
    insert_mass_kg: float = 0.0
    reductions: tuple[Reduction, ...] = ()
    friction_torque_n_m: float = 0.0
    pull_off_force_n: float = 0.0
    pull_off_from_mm: float = 0.0
    pull_off_travel_mm: float = 0.0
    friction_coefficient: float = 0.0
    normal_force_n: float = 0.0
    service_factor: float = 1.0
    allowed_inertia_ratio: float = float("inf")
    motors: tuple[Motor, ...] = ()
    chosen: int = -1


@dataclass(frozen=True, slots=True)
class Resolution:
    """The steps in which a controller takes distances and leads; 0: any value."""

    distance_mm: float = 0.0
    lead_s: float = 0.0


SideName = Literal["engage", "disengage"]
"""Where the clutch closes for a carrier, and where it opens again."""
SIDES: tuple[SideName, ...] = ("engage", "disengage")


class OneSide(NamedTuple):
    """Distance (mm of counted travel) and lead (s) of one act."""

    distance_mm: float
    lead_s: float


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
        asked = self.engage_travel_mm if side == "engage" else self.opening_travel_mm
        return asked(counted_mm_s)

    def engage_travel_mm(self, counted_mm_s: float) -> float:
        """Return E = distance − lead·v_c, from mark to closing (feedsim/MODEL.md, section 5)."""
        return self.engage_distance_mm - self.engage_lead_s * counted_mm_s

    def opening_travel_mm(self, counted_mm_s: float) -> float:
        """Return U = distance − lead·v_c, from edge to opening (feedsim/MODEL.md, section 8)."""
        return self.disengage_distance_mm - self.disengage_lead_s * counted_mm_s


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


@dataclass(frozen=True, slots=True)
class Feeder:
    """One feeder beside the line.

    ``eye_to_placement_mm``: D: carrier eye to placement point, along the line.
    ``insert_eye_to_placement_mm``: S: insert eye to placement point, along the insert path.
    ``grip_end_mm``, ``nose_limit_mm``: on the insert path, from the insert eye.
    """

    eye_to_placement_mm: float
    insert_eye_to_placement_mm: float
    grip_end_mm: float
    nose_limit_mm: float
    jog_speed_mm_s: float
    inserts: Inserts
    eye: Eye
    double_check: DoubleCheck
    clutch: Clutch
    servo: Servo
    settings: Settings
    drive: Drive | None = None


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


@dataclass(frozen=True, slots=True)
class Divert:
    """A gate that takes carriers off the line (model, section 17).

    ``at_mm``: belt travel from the carrier eye to the gate.
    ``decide_before_mm``: least distance from the carrier's leading edge to the gate when the gate
    has moved.
    ``gate_time_s``: from the decision until the gate has moved.
    ``missed``, ``doubled``, ``late``: which carriers are diverted: those that a needed feeder
    missed, those with an insert that the check called a double, those for which the clutch closed
    after its point.
    """

    at_mm: float
    decide_before_mm: float = 0.0
    gate_time_s: float = 0.0
    missed: bool = True
    doubled: bool = True
    late: bool = False


@dataclass(frozen=True, slots=True)
class Machine:
    """A whole line: one conveyor, one encoder, one carrier eye, any number of feeders.

    ``supervision``: what may stop or change it while it runs, or None. ``divert``: the gate beyond
    the last feeder, or None.
    """

    line: Line
    encoder: Encoder
    carriers: Carriers
    carrier_eye: Eye
    controller: Controller
    feeders: tuple[Feeder, ...]
    start_empty: bool = False
    supervision: Supervision | None = None
    divert: Divert | None = None

    @property
    def seen_share(self) -> float:
        """Share of carriers that come and are seen by the carrier eye."""
        return (1.0 - self.carriers.missing) * (1.0 - self.carrier_eye.missed)

    @property
    def laying_order(self) -> list[int]:
        """Feeders from the lowest insert on a carrier to the topmost.

        Every point of a carrier passes the placement point further upstream first. At the same
        placement point, the later in the scenario counts as above.
        """
        numbers = range(len(self.feeders))
        return sorted(numbers, key=lambda number: self.feeders[number].eye_to_placement_mm)

    @property
    def fastest_mm_s(self) -> float:
        """The highest speed that the belt is to run at, changes by an operator included."""
        speeds = [adjust.speed_mm_s for adjust in self._adjusts if adjust.speed_mm_s is not None]
        return max([self.line.speed_mm_s, *(v for _, v in self.line.profile), *speeds])

    def fastest_feed_mm_s(self, number: int) -> float:
        """Return the highest speed (mm/s) that a feeder's feed is to run at, jogs included."""
        feeder = self.feeders[number]
        ratios = [feeder.settings.speed_ratio]
        for adjust in self._adjusts:
            ratios += [v for n, s, v in adjust.settings if n == number and s is Setting.SPEED_RATIO]
        return max(self.fastest_mm_s * max(ratios), feeder.jog_speed_mm_s)

    @property
    def _adjusts(self) -> tuple[Adjust, ...]:
        return self.supervision.adjusts if self.supervision else ()

    def first_nose_mm(self, number: int) -> float:
        """Return the feed travel (mm) at which a feeder's first nose is at its insert eye.

        It starts staged, past the eye by the stage position, or on an empty line a gap before the
        eye (model, section 7).
        """
        feeder = self.feeders[number]
        return feeder.inserts.gap_mm if self.start_empty else -feeder.settings.stage_position_mm
