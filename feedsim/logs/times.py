"""The time axis of a log: rising times, the period of samples, stretches without a gap."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from feedsim.arrays import Bools, Floats, Ints
from feedsim.errors import Fault, FeedsimError
from feedsim.logs.clock import DAY_S
from feedsim.logs.jitter import even_times
from feedsim.logs.log import Remark

_GAP_S, _GAP_PERIODS = 5e-3, 5.5
_MOST_BACK = 0.02
_LOOKED_AT = 20_000
_LONG_PAUSE = 20.0
_MOST_STRETCHES = 200


@dataclass(frozen=True, slots=True)
class Where:
    """Names cells of the time column; ``of_day``: it holds times of day."""

    file: str
    column: str
    of_day: bool = False

    def fault(self, row: int, message: str) -> FeedsimError:
        """Return an error about a time."""
        return FeedsimError(Fault(f"{self.file}, row {row}, {self.column}", message=message))


@dataclass(frozen=True, slots=True)
class RowTimes:
    """Times of all rows; ``period_s`` and ``step_s`` as in :class:`~feedsim.logs.log.Log`."""

    time_s: Floats  # shape (n,), rising; equal ones only in a log of events
    kept: Bools  # shape (n,): rows that are used
    begins: tuple[int, ...]  # numbers of the kept rows with which a stretch begins; the first is 0
    period_s: float
    step_s: float
    remarks: tuple[Remark, ...]

    def stretches(self) -> Ints:
        """Return the number of each kept row's stretch."""
        begins = np.zeros(np.count_nonzero(self.kept), dtype=np.int64)
        begins[list(self.begins[1:])] = 1
        return np.cumsum(begins)


def sample_axis(
    time_s: Floats,
    rows: Ints,
    *,
    rate_hz: float | None,
    where: Where,
    encoder: tuple[str, Floats] | None = None,
) -> RowTimes:
    """Return the axis of samples.

    ``rate_hz``: as stated; measured if left out. ``encoder``: the column of its counts, and their
    values, shape (n,): shows whether the clock jitters. Raises FeedsimError if time runs backwards
    or stands still, or does not match the stated rate.
    """
    time_s, remarks = _over_midnight(time_s, rows, where)
    _refuse_backwards(time_s, rows, where)
    apart = np.diff(time_s)
    same = np.flatnonzero(apart == 0.0)
    if len(same) > _MOST_BACK * len(apart) or len(time_s) - len(same) < 3:
        first = int(rows[same[0] + 1]) if len(same) else int(rows[-1])
        message = (
            f"{len(same):,} rows have the time of the row before: write it with more digits, or "
            "sample numbers in a column sample"
            if len(same)
            else f"has only {len(time_s)} rows; at least three are needed"
        )
        raise where.fault(first, message)
    kept = np.ones(len(time_s), dtype=np.bool_)
    if len(same):
        kept[same + 1] = False
        row = int(rows[same[0] + 1])
        many = _many(len(same), "row has", "rows have")
        text = f"{many} the time of the row before (first row {row}): left out."
        remarks.append(Remark(text, row))
        apart = np.diff(time_s[kept])
    period = float(np.median(apart))
    step = _step(time_s[kept])
    if rate_hz is not None and abs(period - 1.0 / rate_hz) > 0.01 * period + 0.5 * step:
        message = f"times are {period:.6g} s apart, and the rate given is {rate_hz:g} Hz"
        raise where.fault(int(rows[1]), message)
    if rate_hz is not None:
        period = 1.0 / rate_hz
    even = None
    if encoder is not None:
        told = encoder[0], encoder[1][kept]
        even = even_times(time_s[kept], rows[kept], told, period_s=period, step_s=step)
    if even is not None:
        time_s = time_s.copy()
        time_s[kept] = even[0]
        remarks.append(even[1])
        apart = np.diff(even[0])
        period = float(np.median(apart)) if rate_hz is None else period
    remarks += _uneven(apart, period, step)
    begins, gaps = _gaps(apart, rows[kept], period=period, where=where)
    return RowTimes(time_s, kept, begins, period, step, (*remarks, *gaps))


def event_axis(
    time_s: Floats, rows: Ints, *, encoder: tuple[Bools, Floats], where: Where
) -> RowTimes:
    """Return the axis of events; raises FeedsimError if time runs backwards.

    ``encoder``: which events are the encoder's, shape (n,), and its values, shape (m,): a pause
    over which it ran on is a gap, since it would have been logged.
    """
    time_s, remarks = _over_midnight(time_s, rows, where)
    _refuse_backwards(time_s, rows, where)
    if len(time_s) < 3 or time_s[-1] == time_s[0]:
        raise where.fault(int(rows[-1]), f"has only {len(time_s)} events; three times are needed")
    step = _step(time_s)
    begins = [0]
    for i, counts in _ran_on(time_s, *encoder):
        begins.append(i)
        pause = time_s[i] - time_s[i - 1]
        text = (
            f"Nothing was logged for {pause:.3g} s before row {rows[i]}, while the encoder ran on "
            f"by {counts:g}: what lies there is not known, and nothing is judged across it."
        )
        remarks.append(Remark(text, int(rows[i])))
    apart = np.diff(time_s)
    every = np.ones(len(time_s), np.bool_)
    return RowTimes(
        time_s, every, tuple(begins), _grid(apart[apart > 0.0], step), step, (*remarks,)
    )


def _ran_on(time_s: Floats, its: Bools, value: Floats) -> Iterator[tuple[int, float]]:
    """Yield the first event after each pause in which the encoder ran on, and how far."""
    if len(value) < 3:
        return
    own = np.flatnonzero(its)
    ran, jumped = np.diff(time_s[own]), np.abs(np.diff(value))
    usual_s, usual = float(np.median(ran)), float(np.median(jumped))
    far = np.flatnonzero((ran > _LONG_PAUSE * usual_s) & (jumped > _LONG_PAUSE * max(usual, 1.0)))
    for i in far[:_MOST_STRETCHES]:
        inside = np.arange(own[i], own[i + 1] + 1)
        longest = int(np.argmax(np.diff(time_s[inside])))
        yield int(inside[longest + 1]), float(jumped[i])


def _over_midnight(time_s: Floats, rows: Ints, where: Where) -> tuple[Floats, list[Remark]]:
    """Let a time of day without a date go on after midnight."""
    if not where.of_day:
        return time_s, []
    falls = np.flatnonzero(np.diff(time_s) < -0.5 * DAY_S)
    if not len(falls):
        return time_s, []
    days = np.zeros(len(time_s))
    days[falls + 1] = 1.0
    row = int(rows[falls[0] + 1])
    text = f"The time of day passes midnight at row {row}: what follows is the next day."
    return time_s + DAY_S * np.cumsum(days), [Remark(text, row)]


def _refuse_backwards(time_s: Floats, rows: Ints, where: Where) -> None:
    back = np.flatnonzero(np.diff(time_s) < 0.0)
    if not len(back):
        return
    i = int(back[0])
    gone = time_s[i] - time_s[i + 1]
    if len(back) == 1:
        why = "was the clock set back, or do two recordings stand in one file? Give each its own"
    elif len(back) > _MOST_BACK * len(time_s):
        why = (
            f"and so in {len(back) - 1:,} more rows: two clocks in one column, or rows in no order"
        )
    else:
        many = f"and so in {len(back) - 1:,} more rows"
        why = f"{many}: sort the rows, or give each recording its own file"
    raise where.fault(int(rows[i + 1]), f"time runs backwards by {gone:.6g} s; {why}")


def _step(time_s: Floats) -> float:
    """Return the decimal step in which times are written; 0 if it is below 1 ns."""
    some = time_s[:: max(1, len(time_s) // _LOOKED_AT)]
    for power in range(10):
        scaled = some * 10.0**power
        if np.all(np.abs(scaled - np.rint(scaled)) < 1e-3 + 1e-15 * np.abs(scaled)):
            return float(10.0**-power)
    return 0.0


def _grid(rises: Floats, step: float) -> float:
    """Return the period of which all time differences are multiples; NaN for none."""
    period = float(rises.min())
    if period <= 2.0 * step:
        return step if step > 0.0 else math.nan
    periods = np.rint(rises / period)
    period = float(rises.sum() / periods.sum())
    off = np.abs(rises - np.rint(rises / period) * period)
    return period if float(np.quantile(off, 0.999)) <= 2.0 * step + 0.01 * period else math.nan


def _uneven(apart: Floats, period: float, step: float) -> Iterator[Remark]:
    off = np.abs(apart / period - np.rint(apart / period))
    share = float(np.mean(off > 0.2 + 1.5 * step / period))
    if share > 0.01:
        low, high = np.quantile(apart, [0.05, 0.95])
        text = (
            f"Rows come at uneven times ({low * 1e3:.3g} to {high * 1e3:.3g} ms apart); each is "
            "taken at its own time."
        )
        yield Remark(text)


def _gaps(
    apart: Floats, rows: Ints, *, period: float, where: Where
) -> tuple[tuple[int, ...], list[Remark]]:
    """Return where stretches begin, and remarks on missing rows."""
    limit = max(_GAP_PERIODS * period, _GAP_S + 0.5 * period)
    lost = np.rint(apart / period) - 1.0
    some = np.flatnonzero((lost >= 1.0) & (apart <= limit))
    long = np.flatnonzero(apart > limit)
    remarks = []
    if len(some):
        row = int(rows[some[0] + 1])
        most = int(lost[some].max())
        many = _many(int(lost[some].sum()), "row is", "rows are")
        known = f"edges there are known to {(most + 1) * period * 1e3:.3g} ms"
        text = f"{many} missing, {most} in a row at most (first before row {row}): {known}."
        remarks.append(Remark(text, row))
    if len(long) > _MOST_STRETCHES:
        row = int(rows[long[0] + 1])
        message = f"{len(long):,} gaps of more than {limit * 1e3:.3g} ms, the first before this row"
        raise where.fault(row, message)
    for i in long:
        row = int(rows[i + 1])
        text = (
            f"Nothing was logged for {apart[i]:.4g} s before row {row}, or the clock jumped there: "
            "what lies between is not known, and nothing is judged across it."
        )
        remarks.append(Remark(text, row))
    return (0, *(int(i) + 1 for i in long)), remarks


def _many(count: int, one: str, more: str) -> str:
    return f"{count:,} {one if count == 1 else more}"
