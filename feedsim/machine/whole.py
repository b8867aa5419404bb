"""A whole line in numbers, with the gate beyond its last feeder."""

from __future__ import annotations

from dataclasses import dataclass

from feedsim.machine.feeder import Feeder
from feedsim.machine.line import Carriers, Controller, Encoder, Eye, Line
from feedsim.machine.supervision import Adjust, Setting, Supervision


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

    @property
    def decide_at_mm(self) -> float:
        """Belt travel from the carrier eye to where the gate must have moved."""
        return self.at_mm - self.decide_before_mm


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
