"""Response of the placement to a change made while the line runs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from feedsim.arrays import Floats
from feedsim.records.columns import FeederRecords, RunRecords
from feedsim.records.outcome import Outcome

_FEWEST = 8
_HOLDS = 3
_REACH = 3.0
_LEAST_SD_MM = 1e-6  # for a placement without any spread


@dataclass(frozen=True, slots=True)
class FeederResponse:
    """What one feeder did.

    ``before_mm``, ``after_mm``: mean placement error of the inserts landed between the previous
    change and this one, and of the later half of those before the next one. None with fewer than 8
    of them.
    ``carriers``: inserts landed since the change until three in a row lie within three standard
    deviations of the new mean. None if that is unknown or never happens.
    """

    before_mm: float | None
    after_mm: float | None
    carriers: int | None


@dataclass(frozen=True, slots=True)
class Response:
    """One change, its time (s), and what each feeder did."""

    time_s: float
    next_carrier: int
    feeders: tuple[FeederResponse, ...]


def responses(records: RunRecords) -> tuple[Response, ...]:
    """Return the response to each change, in order of time."""
    ends = (*records.begins[1:], len(records.carriers.eye_time_s))
    found = []
    for run, (begin, end) in enumerate(zip(records.begins, ends, strict=True)):
        mine = [a for a in records.adjustments if a.run == run]
        times = [-np.inf, *(a.time_s for a in mine), np.inf]
        for place, adjustment in enumerate(mine):
            earlier, change, later = times[place : place + 3]
            feeders = tuple(
                _response(feeder, slice(begin, end), (earlier, change, later))
                for feeder in records.feeders
            )
            found.append(Response(change, adjustment.next_carrier, feeders))
    return tuple(found)


def _response(
    feeder: FeederRecords, rows: slice, window: tuple[float, float, float]
) -> FeederResponse:
    earlier, change, later = window
    placed = feeder.outcome[rows] == Outcome.PLACED
    times = feeder.placement_time_s[rows][placed]
    errors = feeder.placement_error_mm[rows][placed]
    before = errors[(times > earlier) & (times <= change)]
    after = errors[(times > change) & (times <= later)]
    settled = after[len(after) // 2 :]
    return FeederResponse(
        before_mm=float(before.mean()) if len(before) >= _FEWEST else None,
        after_mm=float(settled.mean()) if len(settled) >= _FEWEST else None,
        carriers=_until_it_holds(after, settled) if len(settled) >= _FEWEST else None,
    )


def _until_it_holds(after: Floats, settled: Floats) -> int | None:
    reach = _REACH * max(float(settled.std(ddof=1)), _LEAST_SD_MM)
    holds = np.abs(after - settled.mean()) <= reach
    in_a_row = 0
    for place, within in enumerate(holds.tolist()):
        in_a_row = in_a_row + 1 if within else 0
        if in_a_row == _HOLDS:
            return place - _HOLDS + 1
    return None
