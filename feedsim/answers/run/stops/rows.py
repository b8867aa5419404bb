"""Stops as CSV: a line each."""

from __future__ import annotations

import math

from feedsim.records.columns import RunRecords
from feedsim.records.stop import RecoveryStep, Stop, Within

__all__ = ["STOP_COLUMNS", "stops_csv"]

STOP_COLUMNS = (
    "stop",
    "rule",
    "cause",
    "feeder",
    "carrier",
    "time_s",
    "at_rest_s",
    "restarted_s",
    "downtime_s",
    "lost",
    "lost_carriers",
    "recovery",
    "within",
)
"""Heads of ``stops.csv``; their meaning is in :mod:`feedsim.records.stop`."""


def stops_csv(records: RunRecords) -> bytes:
    """Return ``stops.csv``: a row per stop, in order of time, from 0.

    ``lost_carriers`` is ``feeder:carrier`` for each, ``recovery`` what was done with the time
    (s) of each step, ``within`` what would have stopped the line while it was stopped, as
    ``what:feeder=cause@time``; all parted by blanks. A cell is empty where there is nothing to say.
    """
    rows = [",".join(_cells(number, stop)) for number, stop in enumerate(records.stops)]
    return "\n".join([",".join(STOP_COLUMNS), *rows, ""]).encode("ascii")


def _cells(number: int, stop: Stop) -> list[str]:
    lost = [f"{n}:{carrier}" for n, some in enumerate(stop.lost) for carrier in some]
    return [
        str(number),
        stop.rule.value,
        stop.cause,
        "" if stop.feeder < 0 else str(stop.feeder),
        "" if stop.carrier < 0 else str(stop.carrier),
        repr(stop.time_s),
        repr(stop.at_rest_s),
        _time(stop.restarted_s),
        _time(stop.restarted_s - stop.time_s),
        str(len(lost)),
        " ".join(lost),
        " ".join(_step(step) for step in stop.steps),
        " ".join(_within(other) for other in stop.within),
    ]


def _within(other: Within) -> str:
    where = "" if other.feeder < 0 else f":{other.feeder}"
    cause = "" if other.cause in {"", other.what} else f"={other.cause}"
    return f"{other.what}{where}{cause}@{other.time_s:.6f}"


def _step(step: RecoveryStep) -> str:
    where = "" if step.feeder < 0 else f":{step.feeder}"
    many = f"={step.inserts}" if step.inserts else ""
    return f"{step.step}{where}{many}@{step.time_s:.6f}"


def _time(value: float) -> str:
    return "" if math.isnan(value) else repr(value)
