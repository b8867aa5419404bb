"""Several runs of one machine, each with cards and phases of its own, as one record."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields
from itertools import accumulate
from typing import Any, TypeVar

import numpy as np

from feedsim.records.columns import CarrierRecords, FeederRecords, InsertBooks, RunRecords

__all__ = ["joined"]

_Columns = TypeVar("_Columns", CarrierRecords, FeederRecords)


def joined(runs: Sequence[RunRecords]) -> RunRecords:
    """Return the counted carriers of all runs, one run after the other.

    Warm-ups are left out, and times go on where the run before ended, so that durations add
    up. Belt travels stay those of each run. A single run is returned as it is.

    Parameters
    ----------
    runs : sequence of RunRecords
        At least one, each of the same machine with at least one counted carrier.
    """
    if len(runs) == 1:
        return runs[0]
    starts = [_start_time_s(run) for run in runs]
    lasts = [float(run.carriers.eye_time_s[-1]) for run in runs]
    durations = [last - start for last, start in zip(lasts, starts, strict=True)]
    ends = [0.0, *accumulate(durations)]
    shifts = [end - start for end, start in zip(ends, starts, strict=False)]
    lengths = [len(run.carriers.eye_time_s) - run.warm_up for run in runs]
    rows = [slice(run.warm_up, None) for run in runs]
    return RunRecords(
        warm_up=0,
        start_time_s=0.0,
        carriers=_columns([run.carriers for run in runs], rows, shifts=shifts),
        feeders=tuple(
            _columns([run.feeders[number] for run in runs], rows, shifts=shifts)
            for number in range(len(runs[0].feeders))
        ),
        begins=(0, *accumulate(lengths[:-1])),
    )


def _start_time_s(run: RunRecords) -> float:
    if run.warm_up == 0:
        return run.start_time_s
    return float(run.carriers.eye_time_s[run.warm_up - 1])


def _columns(parts: Sequence[_Columns], rows: list[slice], *, shifts: list[float]) -> _Columns:
    kind = type(parts[0])
    together: dict[str, Any] = {}
    for name in (f.name for f in fields(kind)):
        columns = [getattr(part, name) for part in parts]
        if name == "books":
            together[name] = _added(columns)
            continue
        cut = [column[row] for column, row in zip(columns, rows, strict=True)]
        if name.endswith("_time_s"):
            cut = [column + shift for column, shift in zip(cut, shifts, strict=True)]
        together[name] = np.concatenate(cut)
    return kind(**together)


def _added(books: Sequence[InsertBooks]) -> InsertBooks:
    names = [f.name for f in fields(InsertBooks)]
    return InsertBooks(**{name: sum(getattr(b, name) for b in books) for name in names})
