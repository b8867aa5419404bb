"""The checked model: the machine in numbers, as the engine sees it.

Every value is a float in mm, s, mm/s or mm/s² (the unit is in the name), a whole
number, or a yes/no. No dict, no string, no unit: those end in :mod:`feedsim.scenario`.
All classes are frozen, so a run cannot change what it was given.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = [
    "Carriers",
    "Clutch",
    "Controller",
    "DoubleCheck",
    "Encoder",
    "Eye",
    "Feeder",
    "Inserts",
    "Line",
    "Machine",
    "Servo",
    "Settings",
]


@dataclass(frozen=True, slots=True)
class Line:
    """The conveyor.

    Attributes
    ----------
    speed_mm_s : float
        Nominal line speed; the speed from t = 0 where there is no profile.
    acceleration_mm_s2 : float
        Ramp of a change of speed that is not part of a profile.
    profile : tuple of (time_s, speed_mm_s)
        Points with rising times, speed straight between them, the last one held.
        Empty: the belt is at ``speed_mm_s`` from t = 0. Before the first point the
        belt has the first point's speed.
    """

    speed_mm_s: float
    acceleration_mm_s2: float = 500.0
    profile: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Encoder:
    """The master.

    Attributes
    ----------
    count_mm : float
        Counted travel per count q (0: no quantisation, as on a virtual master).
    scale_error : float
        ε: true belt travel = (1 + ε) · counted travel.
    """

    count_mm: float = 0.0
    scale_error: float = 0.0


@dataclass(frozen=True, slots=True)
class Carriers:
    """What comes along the belt. ``random``: hand fed, exponential gaps; else paced."""

    length_mm: float
    pitch_mm: float
    pitch_sd_mm: float = 0.0
    min_gap_mm: float = 0.0
    random: bool = False
    missing: float = 0.0
    slip_mm: float = 0.0
    slip_sd_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class Eye:
    """A photo-eye. ``scanned``: the travel is stored at a scan tick; else latched."""

    response_s: float = 0.0
    response_jitter_s: float = 0.0
    off_response_s: float = 0.0
    edge_sd_mm: float = 0.0
    missed: float = 0.0
    scanned: bool = False


@dataclass(frozen=True, slots=True)
class Controller:
    """The program that watches the eyes and acts the clutches."""

    scan_s: float = 0.0
    motion_cycle_s: float = 0.0
    speed_filter_s: float = 0.0
    search_limit_mm: float = 10_000.0
    mark_memory: int = 8
    late_mark_engages: bool = False
    not_ready_engages: bool = False


@dataclass(frozen=True, slots=True)
class Inserts:
    """What the singulator lets onto the insert path."""

    length_mm: float
    gap_mm: float
    gap_sd_mm: float = 0.0
    min_gap_mm: float = 0.0
    slip_mm: float = 0.0
    slip_sd_mm: float = 0.0
    misfeed: float = 0.0
    double: float = 0.0


@dataclass(frozen=True, slots=True)
class DoubleCheck:
    """Probability that a double is found, and that a single is called a double."""

    finds: float = 0.0
    false_alarm: float = 0.0


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


@dataclass(frozen=True, slots=True)
class Servo:
    """The feed axis. ``loop_gain_per_s`` may be ``inf`` (rigid)."""

    loop_gain_per_s: float = float("inf")
    velocity_feedforward: float = 0.0
    max_acceleration_mm_s2: float = float("inf")
    command_delay_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Settings:
    """What is typed into the machine, with ``"auto"`` already solved.

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


@dataclass(frozen=True, slots=True)
class Feeder:
    """One feeder beside the line.

    Attributes
    ----------
    eye_to_placement_mm : float
        D: carrier eye to placement point, along the line.
    insert_eye_to_placement_mm : float
        S: insert eye to placement point, along the insert path.
    grip_end_mm, nose_limit_mm : float
        On the insert path, from the insert eye.
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


@dataclass(frozen=True, slots=True)
class Machine:
    """A whole line: one conveyor, one encoder, one carrier eye, any number of feeders."""

    line: Line
    encoder: Encoder
    carriers: Carriers
    carrier_eye: Eye
    controller: Controller
    feeders: tuple[Feeder, ...]
    start_empty: bool = False
