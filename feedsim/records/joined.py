"""Several runs of one machine, each with its own random numbers, as one record."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import fields, replace
from itertools import accumulate
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from feedsim.records.columns import CarrierRecords, FeederRecords, InsertBooks, RunRecords
from feedsim.records.stop import Adjustment, Stop
from feedsim.records.stored import ReadColumn

_Columns = TypeVar("_Columns", CarrierRecords, FeederRecords)


def joined(runs: Sequence[RunRecords]) -> RunRecords:
    """Return the counted carriers of all runs of a machine, one run at least after the other.

    Warm-ups are left out, and times continue from the end of the previous run, so that durations
    add up. Belt travels stay those of each run. A single run is returned unchanged. Columns in
    temporary files stay there. Each run has at least one counted carrier.
    """
    if len(runs) == 1:
        return runs[0]
    starts = [run.counted_from_s for run in runs]
    lasts = [_last_time_s(run) for run in runs]
    durations = [last - start for last, start in zip(lasts, starts, strict=True)]
    ends = [0.0, *accumulate(durations)]
    shifts = [end - start for end, start in zip(ends, starts, strict=False)]
    lengths = [len(run.carriers.eye_time_s) - run.warm_up for run in runs]
    rows = [slice(run.warm_up, None) for run in runs]
    begins = (0, *accumulate(lengths[:-1]))
    return RunRecords(
        warm_up=0,
        start_time_s=0.0,
        carriers=_columns(CarrierRecords, [run.carriers for run in runs], rows, shifts=shifts),
        feeders=tuple(
            _columns(FeederRecords, [run.feeders[number] for run in runs], rows, shifts=shifts)
            for number in range(len(runs[0].feeders))
        ),
        begins=begins,
        zeros_s=tuple(shifts),
        left_out=runs[0].warm_up,
        stops=tuple(
            replace(_moved(stop, shift, begin=begin, warm_up=run.warm_up), run=number)
            for number, (run, shift, begin, start) in enumerate(
                zip(runs, shifts, begins, starts, strict=False)
            )
            for stop in run.stops
            if not stop.restarted_s <= start
        ),
        adjustments=tuple(
            Adjustment(a.time_s + shift, a.next_carrier + begin - run.warm_up, number)
            for number, (run, shift, begin) in enumerate(zip(runs, shifts, begins, strict=False))
            for a in run.adjustments
            if a.next_carrier >= run.warm_up
        ),
        end_time_s=runs[-1].end_time_s + shifts[len(runs) - 1],
        gave_up=next((run.gave_up for run in runs if run.gave_up), ""),
    )


def _last_time_s(run: RunRecords) -> float:
    """Return when the last carrier passed, the last stop was over, or the run was given up."""
    times = [float(run.carriers.eye_time_s[-1]), run.end_time_s]
    times += [stop.restarted_s for stop in run.stops[-1:]]
    return max(t for t in times if not math.isnan(t))


def _moved(stop: Stop, shift_s: float, *, begin: int, warm_up: int) -> Stop:
    """Shift a stop to its run's later start; leave out carriers of the warm-up."""
    further = begin - warm_up
    lost = tuple(
        tuple(carrier + further for carrier in carriers if carrier >= warm_up)
        for carriers in stop.lost
    )
    return replace(
        stop,
        carrier=stop.carrier + further if stop.carrier >= warm_up else -1,
        time_s=stop.time_s + shift_s,
        at_rest_s=stop.at_rest_s + shift_s,
        restarted_s=stop.restarted_s + shift_s,
        lost=lost,
        steps=tuple(step._replace(time_s=step.time_s + shift_s) for step in stop.steps),
        within=tuple(
            other._replace(
                time_s=other.time_s + shift_s,
                carrier=other.carrier + further if other.carrier >= warm_up else -1,
            )
            for other in stop.within
        ),
    )


def _columns(
    kind: type[_Columns], parts: Sequence[_Columns], rows: list[slice], *, shifts: list[float]
) -> _Columns:
    together: dict[str, Any] = {}
    for name in (f.name for f in fields(kind)):
        columns = [getattr(part, name) for part in parts]
        if name == "books":
            together[name] = _added(columns)
            continue
        if any(isinstance(column, ReadColumn) for column in columns):
            times = shifts if name.endswith("_time_s") else []
            together[name] = _JoinedColumn(columns, rows, shifts=times)
            continue
        cut = [column[row] for column, row in zip(columns, rows, strict=True)]
        if name.endswith("_time_s"):
            cut = [column + shift for column, shift in zip(cut, shifts, strict=True)]
        together[name] = np.concatenate(cut)
    return kind(**together)


class _JoinedColumn(ReadColumn):
    """Several columns end to end, read on demand."""

    def __init__(
        self, columns: Sequence[Any], rows: Sequence[slice], *, shifts: Sequence[float]
    ) -> None:
        self.dtype = columns[0].dtype
        self._columns, self._shifts = columns, shifts
        self._rows = [range(len(c))[row] for c, row in zip(columns, rows, strict=True)]
        self._ends = list(accumulate(map(len, self._rows)))
        self._count = self._ends[-1]

    def _read(self, start: int, stop: int) -> NDArray[Any]:
        values = np.empty(stop - start, self.dtype)
        for i, (column, rows, end) in enumerate(
            zip(self._columns, self._rows, self._ends, strict=True)
        ):
            begin = end - len(rows)
            low, high = max(start, begin), min(stop, end)
            if low < high:
                part = column[rows.start + low - begin : rows.start + high - begin]
                if self._shifts:
                    part = part + self._shifts[i]  # a copy: the stored values must not change
                values[low - start : high - start] = part
        return values


def _added(books: Sequence[InsertBooks]) -> InsertBooks:
    names = [f.name for f in fields(InsertBooks)]
    return InsertBooks(**{name: sum(getattr(b, name) for b in books) for name in names})
