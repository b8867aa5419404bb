"""A program's departures from its settings, named by pattern and counted."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from feedsim.answers.learn.study.act_names import named_steady
from feedsim.answers.learn.study.act_rows import (
    ActRows,
    ActShift,
    ActVerdict,
    FeederActs,
    Pattern,
    Preceding,
    ProgramFault,
    Side,
)
from feedsim.answers.learn.study.act_steady import (
    Drift,
    Steady,
    common_shift,
    steady_of,
    timed,
    unknown_s,
)
from feedsim.arrays import Bools
from feedsim.machine import Machine

_BY_CHANCE = 1e-3
_RARE = 0.6
_NEARLY_ALL = 0.9


def faults_of(
    acts: FeederActs,
    machine: Machine,
    feeder: int,
    *,
    contexts: dict[tuple[str, int], set[str]],
    look_s: float,
) -> tuple[list[ProgramFault], tuple[ActShift, ...]]:
    """Return a feeder's faults, those that concern most acts first, and the shifts.

    ``look_s``: how far the phase of the log's samples may move an act's middle.
    """
    found: list[ProgramFault] = []
    steady: list[Steady] = []
    shifts: list[ActShift] = []
    for side, rows in acts.sides.items():
        one, shift = steady_of(side, rows, unknown_s(side, machine, feeder, look_s))
        shifts += [] if shift is None else [shift]
        if isinstance(one, Steady):
            steady.append(one)
        elif one is not None:
            found.append(_drift(side, rows, one, feeder))
        odd = _odd(rows, one if isinstance(one, Steady) else None)
        if one is None or isinstance(one, Steady):
            found += _sporadic(side, rows, odd, feeder, contexts=contexts)
    named = named_steady(steady, acts, machine, feeder)
    rest = [
        *_of_verdict(acts, feeder, ActVerdict.TWICE, "marks_twice"),
        *_of_verdict(acts, feeder, ActVerdict.SWAPPED, "order_swapped"),
        *_of_verdict(acts, feeder, ActVerdict.NO_MARK, "no_mark"),
        *_of_verdict(acts, feeder, ActVerdict.NOT_ASKED, "not_asked"),
        *_lost(acts, feeder),
    ]
    return [*named, *rest, *found], tuple(shifts)


def _odd(rows: ActRows, steady: Steady | None) -> Bools:
    """Return the acts that neither the settings nor the steady fault explains."""
    low, high = (0.0, 0.0) if steady is None else (steady.shift.low, steady.shift.high)
    with np.errstate(invalid="ignore"):
        odd: Bools = timed(rows) & ((rows.late_low_s > high) | (rows.late_high_s < low))
    if steady is None:
        odd &= np.isin(rows.verdict, [ActVerdict.EARLY, ActVerdict.LATE])
    else:
        odd &= rows.exact
    return odd


def _drift(side: Side, rows: ActRows, drift: Drift, feeder: int) -> ProgramFault:
    mask = drift.mask
    wrong = np.flatnonzero(mask & np.isin(rows.verdict, [ActVerdict.EARLY, ActVerdict.LATE]))
    last = np.flatnonzero(mask)[-1]
    late = 0.5 * float(rows.late_low_s[last] + rows.late_high_s[last])
    return ProgramFault(
        "drift",
        feeder,
        side,
        drift.agree,
        int(mask.sum()),
        first_s=float(rows.time_s[wrong[0]]),
        first_row=int(rows.row[wrong[0]]),
        late_s=late,
        late_counts=late * float(rows.counts_per_s[last]),
        drift_s_per_hour=drift.per_s * 3600.0,
    )


def _sporadic(
    side: Side,
    rows: ActRows,
    odd: Bools,
    feeder: int,
    *,
    contexts: dict[tuple[str, int], set[str]],
) -> Iterator[ProgramFault]:
    """Yield the odd acts as one fault, with what they came after."""
    if not odd.any():
        return
    low, high = rows.late_low_s[odd], rows.late_high_s[odd]
    common = common_shift(low, high)
    first = int(np.flatnonzero(odd)[0])
    known, came = _came(side, rows, odd, contexts)
    fault = ProgramFault(
        "sporadic",
        feeder,
        side,
        int(odd.sum()),
        int(timed(rows).sum()),
        first_s=float(rows.time_s[first]),
        first_row=int(rows.row[first]),
        late_s=common.middle,
        late_counts=common.middle * float(np.mean(rows.counts_per_s[odd])),
        known=known,
        came=came,
    )
    yield came_after([fault])[0]


def _came(
    side: Side, rows: ActRows, odd: Bools, contexts: dict[tuple[str, int], set[str]]
) -> tuple[int, tuple[Preceding, ...]]:
    """Return how many odd acts have known predecessors, and which."""
    of = [contexts.get((side, int(cycle)), set()) for cycle in rows.cycle]
    told = odd & (rows.cycle > 1)  # what came before the first two cycles is not in the log
    came = []
    for name in sorted(set().union(*of)):
        has = np.array([name in own for own in of])
        came.append(Preceding(name, int((has & told).sum()), float(np.mean(has[timed(rows)]))))
    return int(told.sum()), tuple(came)


def came_after(faults: Sequence[ProgramFault]) -> list[ProgramFault]:
    """Name what precedes nearly all odd acts of these faults and few others, if anything.

    The faults are of one side of a feeder, in one log or several.
    """
    known, judged = (sum(getattr(f, name) for f in faults) for name in ("known", "judged"))
    shares: list[tuple[float, str]] = []
    for name in sorted({came.after for fault in faults for came in fault.came}):
        of = [(c, fault.judged) for fault in faults for c in fault.came if c.after == name]
        odd = sum(came.odd for came, _ in of)
        share = sum(came.share * acts for came, acts in of) / judged
        if known and odd >= _NEARLY_ALL * known and share < _RARE and share**odd < _BY_CHANCE:
            shares.append((share, name))
    if not shares:
        return list(faults)
    name = min(shares)[1]
    return [
        replace(fault, after=name, after_count=sum(c.odd for c in fault.came if c.after == name))
        for fault in faults
    ]


def _of_verdict(
    acts: FeederActs, feeder: int, verdict: ActVerdict, pattern: Pattern
) -> Iterator[ProgramFault]:
    for side, rows in acts.sides.items():
        mine = np.flatnonzero(rows.verdict == verdict)
        if len(mine):
            yield ProgramFault(
                pattern,
                feeder,
                side,
                len(mine),
                int(rows.judged.sum()),
                first_s=float(rows.time_s[mine[0]]),
                first_row=int(rows.row[mine[0]]),
            )


def _lost(acts: FeederActs, feeder: int) -> Iterator[ProgramFault]:
    lost = acts.lost
    if len(lost.time_s):
        yield ProgramFault(
            "marks_lost",
            feeder,
            "closings",
            len(lost.time_s),
            acts.marks,
            first_s=float(lost.time_s[0]),
            first_row=int(lost.row[0]),
        )
