"""When the belt came to the corners of its speed profile, from the stops of a run."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from feedsim.machine import Line
from feedsim.motion.belt import belt_of_line
from feedsim.records.stop import Stop


def corners_s(line: Line, stops: Sequence[Stop], *, zero_s: float) -> list[float]:
    """Return when the belt came to each corner of its profile (s); infinite: never.

    ``stops``: of the run, in order. ``zero_s``: when the run's own clock read 0.
    """
    delays = list(_delays(line, stops, zero_s))
    found = []
    for time_s, _ in line.profile:
        at = time_s + zero_s
        for trip_s, delay_s in delays:
            at += delay_s if trip_s < at else 0.0
        found.append(at)
    return found


def _delays(line: Line, stops: Sequence[Stop], zero_s: float) -> Iterator[tuple[float, float]]:
    """Yield when each stop tripped, and by how much all that was ahead came later (s).

    The belt ramps to its speed at the trip before it goes on (feedsim/MODEL.md, section 14).
    """
    belt, rate = belt_of_line(line), line.acceleration_mm_s2
    for stop in stops:
        if math.isnan(stop.restarted_s):
            yield stop.time_s, math.inf
            return
        trip_s, restart_s = stop.time_s - zero_s, stop.restarted_s - zero_s
        speed = belt.speed(trip_s)
        ahead = [(t - trip_s, v) for t, v in belt.points_after(trip_s)]
        standing = belt.then(trip_s, [(trip_s, 0.0)])
        yield stop.time_s, standing.reaches(speed, restart_s, rate_mm_s2=rate) - trip_s
        belt = standing.resumed(restart_s, speed, ahead, rate_mm_s2=rate)
