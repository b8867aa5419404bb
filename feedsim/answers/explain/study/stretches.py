"""When the line was disturbed: stretches of time, and what began each."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import NamedTuple

from feedsim.machine import FaultKind, Machine
from feedsim.records.trace import TraceEvent

__all__ = ["Stretch", "disturbs", "stretches_of"]

_UNTIL_RESTART = {"line": ("trips", "gives_up"), "fault": (FaultKind.NO_INSERT.value,)}


class Stretch(NamedTuple):
    """A stretch of time (s), its ends included, and the event that it began with."""

    from_s: float
    to_s: float
    event: TraceEvent


def disturbs(event: TraceEvent) -> bool:
    """Tell whether an event is none of an undisturbed line: a stop, an adjustment, a fault."""
    if event.part == "line":
        return event.event != "starts"
    return event.part in {"fault", "operator"} or event.part.endswith(".recovery")


def stretches_of(disturbances: Sequence[TraceEvent], machine: Machine) -> tuple[Stretch, ...]:
    """Return the stretches in which what happens is not told by the settings of the run.

    A stop lasts from the trip to the restart. A dirty eye lasts for its duration, or until the line
    has been cleared (taken here as until the restart); a singulator that draws nothing, until a
    recovery. An adjustment changes settings for good. The disturbances are in order of time.
    """
    restarts = [e.time_s for e in disturbances if e.part == "line" and e.event == "restarts"]
    return tuple(
        Stretch(event.time_s, until, event)
        for event, until in _ends(disturbances, restarts, machine)
    )


def _ends(
    disturbances: Sequence[TraceEvent], restarts: Sequence[float], machine: Machine
) -> Iterator[tuple[TraceEvent, float]]:
    planned = () if machine.supervision is None else machine.supervision.faults
    dirty_s = max((f.duration_s for f in planned if f.kind is FaultKind.EYE_DIRTY), default=0.0)
    for event in disturbances:
        again = min((t for t in restarts if t >= event.time_s), default=math.inf)
        until, kind = event.time_s, event.event
        if event.part == "operator":
            until = math.inf
        elif kind in _UNTIL_RESTART.get(event.part, ()):
            until = again
        elif event.part == "fault" and kind == FaultKind.EYE_DIRTY.value:
            until = min(again, event.time_s + dirty_s)
        yield event, until
