"""Between a photo-eye's output and the program: input filter and polling (model, section 4)."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from enum import IntEnum
from typing import NamedTuple

from feedsim.machine import SAME_INSTANT_S, Eye
from feedsim.motion.capture import Motion, Output, off_behind, still_on
from feedsim.motion.master import Master, next_scan_tick


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
    output: Output,
    time_at: Callable[[Motion, float], float],
    motion: Motion,
    master: Master,
    *,
    passes_s: float,
    switches_s: float,
    tail_mm: float,
) -> Decision:
    """Return the fate of the next object; this changes nothing.

    Its seen edge passes the eye at ``passes_s``; the output switches on at ``switches_s``, unless
    it is on still, and goes off behind this object's tail. ``time_at``, ``motion``: as in
    :mod:`feedsim.motion.capture`.
    """
    off_response_s = output.off_response_s
    off_s = off_behind(time_at, motion, tail_mm, off_response_s=off_response_s)
    output_off_s = off_behind(time_at, motion, output.held_mm, off_response_s=off_response_s)
    goes_on = still_on(passes_s, output_off_s)
    since_s = level.since_s if goes_on else switches_s
    input_on = level.counts and (
        goes_on or switches_s < output_off_s + level.filter_s - SAME_INSTANT_S
    )
    shown, polled = level.shown, level.polled
    if input_on and (shown or not polled):
        t = passes_s if goes_on else switches_s
        return Decision(EyeVerdict.MERGES, t, since_s, level.on_s, True, shown, goes_on)
    on_s = level.on_s if input_on else since_s + level.filter_s
    if level.filter_s > 0.0 and not input_on and off_s < on_s - SAME_INSTANT_S:
        return Decision(EyeVerdict.TOO_SHORT, off_s, since_s, on_s, False, shown, goes_on)
    if not polled:
        return Decision(EyeVerdict.SWITCHES, on_s, since_s, on_s, True, True, goes_on)
    input_off_s = off_behind(time_at, motion, level.input_mm, off_response_s=off_response_s)
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
    if decision.counts:
        level.input_mm = tail_mm


def level_stands(level: Level, tail_mm: float) -> None:
    """Record an object over the eye that the program has seen."""
    level.counts = level.shown = True
    level.input_mm = tail_mm


def level_slipped(level: Level, held_mm: float, slip_mm: float) -> None:
    """Record that the last object, with its tail at a travel (mm), falls back."""
    if level.input_mm == held_mm:
        level.input_mm += slip_mm


def output_on(
    level: Level | None,
    output: Output,
    time_at: Callable[[Motion, float], float],
    motion: Motion,
    master: Master,
    t: float,
) -> bool:
    """Return whether the program takes an eye as on at ``t`` (s), given the objects so far."""
    held_mm = output.held_mm if level is None else level.input_mm
    off_s = off_behind(time_at, motion, held_mm, off_response_s=output.off_response_s)
    if level is None:
        return t < off_s
    off_s += level.filter_s
    return level.shown and t < (next_scan_tick(master, off_s) if level.polled else off_s)


@dataclass(slots=True)
class Level:
    """The present state of an eye's input; objects are decided in order.

    ``input_mm``: tail of the last object that the input is on for; ``since_s``, ``on_s``: when
    output and input switched on last.
    """

    polled: bool
    filter_s: float
    input_mm: float = -math.inf
    since_s: float = -math.inf
    on_s: float = -math.inf
    counts: bool = False
    shown: bool = False


def level_of(eye: Eye) -> Level | None:
    """Return the input level of an eye; None if every switching is seen at once."""
    return Level(polled=eye.polled, filter_s=eye.filter_s) if eye.polled or eye.filter_s else None
