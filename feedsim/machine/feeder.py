"""A feeder in numbers, with its clutch and servo."""

from __future__ import annotations

from dataclasses import dataclass

from feedsim.machine.drive import Drive
from feedsim.machine.inserts import DoubleCheck, Inserts
from feedsim.machine.line import Eye
from feedsim.machine.settings import Settings


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

    @property
    def found_share(self) -> float:
        """Share of inserts that are drawn and that their eye does not miss."""
        return (1.0 - self.inserts.misfeed) * (1.0 - self.eye.missed)

    @property
    def run_up_mm(self) -> float:
        """The way of a staged insert to the placement point."""
        return self.insert_eye_to_placement_mm - self.settings.stage_position_mm

    @property
    def to_target_mm(self) -> float:
        """The way of a carrier from its eye to where an insert lands on target."""
        return self.eye_to_placement_mm + self.settings.target_offset_mm
