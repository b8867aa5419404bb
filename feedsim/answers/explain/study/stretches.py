"""When the line was disturbed: stretches of time, and what began each."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from feedsim.machine import FaultKind, Machine
from feedsim.records.trace import TraceEvent

_UNTIL_RESTART = {"line": ("trips", "gives_up"), "fault": (FaultKind.NO_INSERT.value,)}


class Disturbance(NamedTuple):
    """A stretch of time (s), its ends included, and the event that it began with."""

    from_s: float
    to_s: float
    event: TraceEvent


def disturbs(event: TraceEvent) -> bool:
    """Tell whether an event is none of an undisturbed line: a stop, an adjustment, a fault."""
    if event.part == "line":
        return event.event != "starts"
    return event.part in {"fault", "operator"} or event.part.endswith(".recovery")


def stretches_of(disturbances: Sequence[TraceEvent], machine: Machine) -> tuple[Disturbance, ...]:
    """Return the stretches in which what happens is not told by the settings of the run.

    A stop lasts from the trip to the restart. A dirty eye lasts for its duration, or until the line
    has been cleared (taken here as until the restart); a singulator that draws nothing, until a
    recovery. An adjustment changes settings for good. The disturbances are in order of time.
    """
    restarts = [e.time_s for e in disturbances if e.part == "line" and e.event == "restarts"]
    planned = () if machine.supervision is None else machine.supervision.faults
    dirty_s = max((f.duration_s for f in planned if f.kind is FaultKind.EYE_DIRTY), default=0.0)

    def ends(event: TraceEvent) -> float:
        again = min((t for t in restarts if t >= event.time_s), default=math.inf)
        if event.part == "operator":
            return math.inf
        if event.event in _UNTIL_RESTART.get(event.part, ()):
            return again
        dirty = event.part == "fault" and event.event == FaultKind.EYE_DIRTY.value
        return min(again, event.time_s + dirty_s) if dirty else event.time_s

    return tuple(Disturbance(event.time_s, ends(event), event) for event in disturbances)
