"""Between a photo-eye's output and the program: input filter and polling (model, section 4)."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from enum import IntEnum
from typing import NamedTuple

from feedsim.machine import Eye
from feedsim.motion.master import Master, next_scan_tick
from feedsim.motion.ticks import SAME_INSTANT_S


class EyeVerdict(IntEnum):
    """Fate of an object (a carrier, an insert) at a filtered or polled eye."""

    SWITCHES = 0
    MERGES = 1
    TOO_SHORT = 2  # on for less than the filter asks, or between two scans


class Decision(NamedTuple):
    """Fate of an object if the motion stays as planned.

    ``t``: when it is decided (s). ``since_s``, ``on_s``: when its run of the output begins, and
    that of the input. ``counts``: the input is on for it. ``shown``: the program last saw the input
    on.
    ``goes_on``: the output has not gone off before it.
    """

    seen: EyeVerdict
    t: float
    since_s: float
    on_s: float
    counts: bool
    shown: bool
    goes_on: bool

    def came_on(self) -> Iterator[tuple[str, float]]:
        """Yield when output and input came on for it (s); of a merged object only a new output."""
        if not (self.seen is EyeVerdict.MERGES and self.goes_on):
            yield "output_on", self.since_s
        if self.counts and self.seen is not EyeVerdict.MERGES:
            yield "input_on", self.on_s
        if self.seen is EyeVerdict.TOO_SHORT:
            yield "too_short", self.t


def decide(
    level: Level,
    master: Master,
    *,
    passes_s: float,
    switches_s: float,
    off_s: float,
    output_off_s: float,
    input_off_s: float,
) -> Decision:
    """Return the fate of the next object.

    Its seen edge passes the eye at ``passes_s``; the output switches on at ``switches_s``, unless
    it is on still, and goes off behind this object at ``off_s``. It goes off behind the last object
    that holds it at ``output_off_s``, behind the last that the input is on for at ``input_off_s``;
    ``-inf`` for none.
    """
    goes_on = passes_s < output_off_s - SAME_INSTANT_S
    since_s = level.since_s if goes_on else switches_s
    still_on = level.counts and (
        goes_on or switches_s < output_off_s + level.filter_s - SAME_INSTANT_S
    )
    shown, polled = level.shown, level.polled
    if still_on and (shown or not polled):
        t = passes_s if goes_on else switches_s
        return Decision(EyeVerdict.MERGES, t, since_s, level.on_s, True, shown, goes_on)
    on_s = level.on_s if still_on else since_s + level.filter_s
    if level.filter_s > 0.0 and not still_on and off_s < on_s - SAME_INSTANT_S:
        return Decision(EyeVerdict.TOO_SHORT, off_s, since_s, on_s, False, shown, goes_on)
    if not polled:
        return Decision(EyeVerdict.SWITCHES, on_s, since_s, on_s, True, True, goes_on)
    if shown and next_scan_tick(master, input_off_s + level.filter_s) >= on_s - SAME_INSTANT_S:
        return Decision(EyeVerdict.MERGES, on_s, since_s, on_s, True, True, goes_on)
    tick_s = next_scan_tick(master, on_s)
    if tick_s < off_s + level.filter_s - SAME_INSTANT_S:
        return Decision(EyeVerdict.SWITCHES, tick_s, since_s, on_s, True, True, goes_on)
    return Decision(
        EyeVerdict.TOO_SHORT, off_s + level.filter_s, since_s, on_s, True, False, goes_on
    )


def level_take(level: Level, decision: Decision, tail_mm: float) -> None:
    """Record that the decided object has passed, its tail at a travel (mm)."""
    level.since_s, level.on_s = decision.since_s, decision.on_s
    level.counts, level.shown = decision.counts, decision.shown
    level.output_mm = tail_mm
    if decision.counts:
        level.input_mm = tail_mm


def level_stands(level: Level, tail_mm: float) -> None:
    """Record an object over the eye that the program has seen."""
    level.counts = level.shown = True
    level.output_mm = level.input_mm = tail_mm


def level_slipped(level: Level, slip_mm: float) -> None:
    """Record that the last object fell back."""
    if level.input_mm == level.output_mm:
        level.input_mm += slip_mm
    level.output_mm += slip_mm


@dataclass(slots=True)
class Level:
    """The present state of an eye's input.

    ``output_mm``, ``input_mm``: tail of the last object that holds the output on, and of the last
    that the input is on for; ``since_s``, ``on_s``: when output and input switched on last.
    """

    polled: bool
    filter_s: float
    output_mm: float = -math.inf
    input_mm: float = -math.inf
    since_s: float = -math.inf
    on_s: float = -math.inf
    counts: bool = False
    shown: bool = False


class InputLevel(Level):
    """The level of the input of one eye, with a filter or polled, from object to object.

    Objects are decided in order. A decision changes nothing and may be repeated as the motion
    changes; :meth:`take` records the outcome. ``goes_off``: when the output goes off (s) for a tail
    at a travel (mm); ``-inf`` for none.
    """

    def __init__(self, eye: Eye, *, goes_off: Callable[[float], float]) -> None:
        super().__init__(polled=eye.polled, filter_s=eye.filter_s)
        self.goes_off = goes_off

    def decide(
        self, master: Master, *, passes_s: float, switches_s: float, tail_mm: float
    ) -> Decision:
        """Return the fate of the next object, its trailing edge at a travel (mm)."""
        return decide(
            self,
            master,
            passes_s=passes_s,
            switches_s=switches_s,
            off_s=self.goes_off(tail_mm),
            output_off_s=self.goes_off(self.output_mm),
            input_off_s=self.goes_off(self.input_mm),
        )

    take = level_take
    stands = level_stands
    slipped = level_slipped

    def is_on(self, t: float, *, master: Master) -> bool:
        """Return whether the program takes the input as on at ``t`` (s)."""
        off_s = self.goes_off(self.input_mm) + self.filter_s
        return self.shown and t < (next_scan_tick(master, off_s) if self.polled else off_s)


def level_of(eye: Eye, *, goes_off: Callable[[float], float]) -> InputLevel | None:
    """Return the input level of an eye; None if every switching is seen at once."""
    return InputLevel(eye, goes_off=goes_off) if eye.polled or eye.filter_s else None
