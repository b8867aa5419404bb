"""What ``"auto"`` did beside the sum of the delays, and what that costs."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from feedsim.settings.acts import is_locked, locked_step
from feedsim.settings.predict import expected_offsets
from feedsim.settings.right import solve_feeder
from feedsim.studies.review.setup import Setup

__all__ = ["automatic_words"]

_SAME_LEAD_S = 1e-7
_MOST_SPEEDS = 50


def automatic_words(s: Setup) -> Iterator[str]:
    """Say which leads "auto" moved off the sum of the delays, why, and what it costs."""
    given = s.scenario.feeder[s.number].settings
    right = solve_feeder(s.machine, s.feeder)
    moved = False
    for side, eye in (("engage", s.machine.carrier_eye), ("disengage", s.feeder.eye)):
        have = getattr(s.feeder.settings, f"{side}_lead_s")
        more = have - getattr(right, f"{side}_lead_s")
        if getattr(given, f"{side}_lead") != "auto" or abs(more) < _SAME_LEAD_S:
            continue
        moved, locked = True, is_locked(eye, s.machine.controller)
        yield (
            f"The {side} lead is {s.say(abs(more), 'time')} {'more' if more > 0.0 else 'less'} "
            f"than the delays add up to: {_why(s, side, locked=locked)}."
        )
    if moved:
        yield _cost(s)


def _why(s: Setup, side: str, *, locked: bool) -> str:
    controller, line = s.machine.controller, s.machine.line
    if not locked:
        if is_locked(s.machine.carrier_eye, controller) or is_locked(s.feeder.eye, controller):
            return "it takes off what the locked ticks of the other eye leave"
        return "it takes off what rounding to whole counts leaves"
    step = line.speed_mm_s / (1.0 + s.machine.encoder.scale_error) * locked_step(controller)
    room = step - s.machine.encoder.count_mm
    distance = getattr(s.feeder.settings, f"{side}_distance_mm")
    words = (
        f"that puts its point in the middle of a step of the locked ticks, {s.say(step)} at line "
        f"speed"
    )
    if room <= 0.0 or distance <= 0.0:
        return words
    return f"{words}, where a speed up to {s.percent(0.5 * room / distance)} off leaves it"


def _cost(s: Setup) -> str:
    """Say what the settings do at the speeds of the sweep, typed in."""
    speeds = s.scenario.sweep.speeds_mm_s
    some = speeds[:: max(1, len(speeds) // _MOST_SPEEDS)]
    found = []
    for speed in some:
        there = replace(s.machine, line=replace(s.machine.line, speed_mm_s=speed, profile=()))
        found.append((expected_offsets(there, s.feeder, speed=speed).error_mm, speed))
    ends = " and ".join(
        f"{s.off(error)} at {s.say(speed, 'speed')}" for error, speed in (min(found), max(found))
    )
    return (
        f"These leads are for {s.say(s.machine.line.speed_mm_s, 'speed')}. Typed in and run at "
        f"the speeds of the sweep, they place inserts on average between {ends}."
    )
