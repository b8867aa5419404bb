"""What is told of a carrier that was on its way when the line was stopped or adjusted."""

from __future__ import annotations

import math
from typing import TypedDict

from feedsim.answers.explain.study.record import StoryEvent
from feedsim.answers.explain.study.source import FeederSource
from feedsim.answers.explain.study.stretches import Stretch
from feedsim.answers.explain.study.words import Say
from feedsim.records.outcome import Outcome

__all__ = ["Disturbed", "disturbed"]

_NAMES = {"line": "the line", "fault": "planned fault", "operator": "the operator"}


class Disturbed(TypedDict):
    """The fields of a story that such a carrier has."""

    reason: tuple[str, ...]
    placement_error_mm: float | None
    events: tuple[StoryEvent, ...]


def disturbed(feeder: FeederSource, carrier: int, say: Say, stretch: Stretch) -> Disturbed:
    """Return what the trace says of it, and why there is no account of its delays.

    Stops, recoveries, adjustments and planned faults change settings, the motion of belt and
    feeds, and what the eyes see: an account by the settings of the run would be wrong of what
    they met.
    """
    run, first = feeder.run, stretch.event
    what = f"{_name(first.part)}: {_plain(first.event)}"
    if stretch.to_s == math.inf:
        since = f"From {say.s(first.time_s)} on the line was disturbed ({what})"
        reason = f"{since}: what each delay cost is told only for carriers before that."
    else:
        when = f"From {say.s(first.time_s)} to {say.s(stretch.to_s)}"
        if stretch.to_s == first.time_s:
            when = f"At {say.s(first.time_s)}"
        reason = (
            f"{when} the line was disturbed ({what}): what each delay cost is told only for "
            "carriers whose insert was staged and landed before that or after it."
        )
    rows, prefix = feeder.rows, feeder.part("")
    told = [
        StoryEvent(e.time_s, e.belt_mm, f"{_name(e.part, prefix)}: {_plain(e.event)}")
        for part in run.parts
        if part == "carrier_eye" or part.startswith(prefix)
        for e in run.events_of(carrier, part)
    ]
    begins = min((event.time_s for event in told), default=math.inf)
    ends = max((event.time_s for event in told), default=-math.inf)
    told += [
        StoryEvent(e.time_s, e.belt_mm, f"{_name(e.part)}: {_plain(e.event)}")
        for e in run.disturbances
        if begins <= e.time_s <= ends
    ]
    error_mm = float(rows.placement_error_mm[carrier])
    ended = []
    if rows.outcome[carrier] == Outcome.LINE_STOP:
        came = not math.isnan(run.records.carriers.eye_time_s[carrier])
        ended = ["It was lost as the line stopped." if came else "It never came to its eye."]
    elif not math.isnan(error_mm):
        ended = [f"Placed {say.late(error_mm)}."]
    return Disturbed(
        reason=(*ended, reason),
        placement_error_mm=None if math.isnan(error_mm) else error_mm,
        events=tuple(sorted(told, key=lambda event: event.time_s)),
    )


def _name(part: str, prefix: str = "") -> str:
    name = part.removeprefix(prefix) if prefix else part
    return _NAMES.get(name, _plain(name))


def _plain(name: str) -> str:
    return name.replace("_", " ").replace(".", " ")
