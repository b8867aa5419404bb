"""What a program does otherwise than its settings say, named by its pattern and counted."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from feedsim.answers.learn.study.act_rows import (
    ActRows,
    FeederActs,
    Pattern,
    ProgramFault,
    Verdict,
)
from feedsim.answers.learn.study.act_shift import Common, common_shift, drifting
from feedsim.machine import Machine

__all__ = ["faults_of"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Side = Literal["closings", "openings"]

_MOST = 0.8
"""Share of the acts that a steady fault has to explain."""
_LEAST = 10
_BY_CHANCE = 1e-3
_RARE = 0.6
_NEARLY_ALL = 0.9


class _Steady(NamedTuple):
    """A shift (s) that nearly all acts of one side have, not 0."""

    side: Side
    shift: Common
    mask: Bools
    judged: int
    speed_mm_s: float
    counts_per_s: float


def faults_of(
    acts: FeederActs,
    machine: Machine,
    feeder: int,
    *,
    contexts: dict[tuple[str, int], set[str]],
    look_s: float,
) -> list[ProgramFault]:
    """Return what a feeder's program does otherwise, what concerns most acts first.

    ``look_s``: how far the phase of the log's looks may move an act's middle.
    """
    found: list[ProgramFault] = []
    steady: list[_Steady] = []
    sides: tuple[tuple[Side, ActRows], ...] = (
        ("closings", acts.closings),
        ("openings", acts.openings),
    )
    for side, rows in sides:
        one = _steady(side, rows, _unknown_s(side, machine, feeder, look_s))
        if isinstance(one, _Steady):
            steady.append(one)
        elif one is not None:
            found.append(_drift(side, rows, one, feeder))
        odd = _odd(rows, one if isinstance(one, _Steady) else None)
        if one is None or isinstance(one, _Steady):
            found += _sporadic(side, rows, odd, feeder, contexts=contexts)
    named = _named(steady, acts, machine, feeder)
    rest = [
        *_of_verdict(acts, feeder, Verdict.TWICE, "marks_twice"),
        *_of_verdict(acts, feeder, Verdict.SWAPPED, "order_swapped"),
        *_of_verdict(acts, feeder, Verdict.NO_MARK, "no_mark"),
        *_of_verdict(acts, feeder, Verdict.NOT_ASKED, "not_asked"),
        *_lost(acts, feeder),
    ]
    return [*named, *rest, *found]


def _unknown_s(side: Side, machine: Machine, feeder: int, look_s: float) -> tuple[float, float]:
    """Return how far edges have to spread to wash out phases, and what stays open (s).

    The phase of the looks to the ticks stays what it is where one is a multiple of the other; and
    behind a scanned eye the step that a point falls on (model, section 13).
    """
    controller = machine.controller
    eye = machine.carrier_eye if side == "closings" else machine.feeders[feeder].eye
    step = 0.5 * controller.motion_cycle_s if eye.scanned else 0.0
    count = machine.encoder.count_mm / max(machine.line.speed_mm_s, 1.0)
    spread = max(controller.motion_cycle_s, look_s, controller.scan_s)
    return spread, look_s + step + 1.5 * count + 1e-5


def _timed(rows: ActRows) -> Bools:
    """Return which acts have a place in time: as asked, early or late."""
    timed: Bools = np.isin(rows.verdict, [Verdict.AS_ASKED, Verdict.EARLY, Verdict.LATE])
    return timed & np.isfinite(rows.late_low_s)


class _Drift(NamedTuple):
    per_s: float
    agree: int
    mask: Bools


def _steady(side: Side, rows: ActRows, unknown_s: tuple[float, float]) -> _Steady | _Drift | None:
    """Return the shift, or the drift, that nearly all acts have; None where most are as asked.

    ``unknown_s``: how far edges have to spread for phases to wash out, and what never does (s).
    """
    mask = _timed(rows) & rows.exact
    count = int(mask.sum())
    if count < _LEAST:
        return None
    low, high = rows.late_low_s[mask], rows.late_high_s[mask]
    right = (low <= 0.0) & (high >= 0.0)
    if right.sum() >= _MOST * count:
        common = Common(-math.inf, math.inf, 0.0, int(right.sum()))
        agree = right
    else:
        common = common_shift(low, high)
        agree = (low <= common.high) & (high >= common.low)
    common = _narrowed(common, rows, mask, agree, unknown_s)
    if common.agree >= _MOST * count and (common.low > 0.0 or common.high < 0.0):
        return _Steady(
            side,
            common,
            mask,
            int(_timed(rows).sum()),
            float(np.mean(rows.speed_mm_s[mask])),
            float(np.mean(rows.counts_per_s[mask])),
        )
    if right.sum() >= _MOST * count:
        return None
    slope, along = drifting(rows.time_s[mask], low, high)
    moved = abs(slope) * float(np.ptp(rows.time_s[mask]))
    wide = float(np.median(high - low))
    if along.agree >= _MOST * count and along.agree > common.agree and moved > wide:
        return _Drift(slope, along.agree, mask)
    return None


def _narrowed(
    common: Common, rows: ActRows, mask: Bools, agree: Bools, unknown_s: tuple[float, float]
) -> Common:
    """Narrow a common shift by the mean of the acts that agree on it.

    Where edges come at any phase of looks and ticks, what each act leaves open for these averages
    out; what all have alike does not, and stays open. Four standard errors are left besides.
    """
    washed_s, stays_s = unknown_s
    edges = rows.edge_s[mask][agree]
    if len(edges) < _LEAST or float(np.std(np.diff(edges))) < washed_s:
        return common
    middle = 0.5 * (rows.late_low_s[mask] + rows.late_high_s[mask])[agree]
    mean = float(np.mean(middle))
    room = stays_s + 4.0 * float(np.std(middle)) / math.sqrt(len(middle))
    return Common(max(common.low, mean - room), min(common.high, mean + room), mean, common.agree)


def _odd(rows: ActRows, steady: _Steady | None) -> Bools:
    """Return the acts that are off by themselves: not as asked, nor as the steady fault has it."""
    timed = _timed(rows)
    low, high = (0.0, 0.0) if steady is None else (steady.shift.low, steady.shift.high)
    with np.errstate(invalid="ignore"):
        odd: Bools = timed & ((rows.late_low_s > high) | (rows.late_high_s < low))
    if steady is None:
        odd &= np.isin(rows.verdict, [Verdict.EARLY, Verdict.LATE])
    else:
        odd &= rows.exact
    return odd


# -- steady ----------------------------------------------------------------------------------


class _Guess(NamedTuple):
    """A pattern that would make this shift, and by how much the shift itself differs (s)."""

    pattern: Pattern
    off_s: float
    ticks: int = 0
    ratio: float = math.nan


def _named(
    steady: list[_Steady], acts: FeederActs, machine: Machine, feeder: int
) -> Iterator[ProgramFault]:
    if len(steady) == 2:
        scale = _scale(steady, machine, feeder)
        both = [_guesses(one, machine, feeder) for one in steady]
        names = [{(g.pattern, g.ticks) for g in guesses} for guesses in both]
        shared = [g for g in both[0] if g.pattern != "offset" and (g.pattern, g.ticks) in names[1]]
        if scale is not None:
            shared.append(scale)
        if shared:
            shared.sort(key=lambda guess: guess.off_s)
            shared.append(_Guess("offset", math.inf))
            yield _steady_fault(steady, shared, feeder, acts, "all")
            return
    for one in steady:
        guesses = sorted(_guesses(one, machine, feeder), key=lambda guess: guess.off_s)
        plain = [guess for guess in guesses if guess.pattern != "offset"]
        rest = [guess for guess in guesses if guess.pattern == "offset"]
        if len(steady) == 1 and math.isfinite(_untouched(one, acts, machine, feeder)):
            ratio = _untouched(one, acts, machine, feeder)
            rest.append(_Guess("count_scale", math.inf, ratio=ratio))
        yield _steady_fault([one], [*plain, *rest], feeder, acts, one.side)


def _steady_fault(
    steady: list[_Steady],
    guesses: list[_Guess],
    feeder: int,
    acts: FeederActs,
    side: Literal["closings", "openings", "all"],
) -> ProgramFault:
    best, one = guesses[0], steady[0]
    rows = [acts.closings if s.side == "closings" else acts.openings for s in steady]
    agree = [
        s.mask & (r.late_low_s <= s.shift.high) & (r.late_high_s >= s.shift.low)
        for s, r in zip(steady, rows, strict=True)
    ]
    first = int(np.flatnonzero(agree[0])[0])
    late_s = one.shift.middle
    return ProgramFault(
        best.pattern,
        feeder,
        side,
        int(sum(a.sum() for a in agree)),
        int(sum(s.mask.sum() for s in steady)),
        first_s=float(rows[0].time_s[first]),
        first_row=int(rows[0].row[first]),
        late_s=late_s,
        late_counts=late_s * one.counts_per_s,
        ticks=best.ticks,
        ratio=best.ratio,
        or_else=tuple(dict.fromkeys(guess.pattern for guess in guesses[1:])),
    )


def _guesses(one: _Steady, machine: Machine, feeder: int) -> list[_Guess]:
    """Return the patterns that would make one side's shift."""
    settings, controller = machine.feeders[feeder].settings, machine.controller
    closes = one.side == "closings"
    lead = settings.engage_lead_s if closes else settings.disengage_lead_s
    tick = controller.motion_cycle_s or controller.scan_s
    found: list[_Guess] = []
    if lead != 0.0 and one.shift.low <= 2.0 * lead <= one.shift.high:
        found.append(_Guess("lead_sign", abs(one.shift.middle - 2.0 * lead)))
    if tick > 0.0:
        near = round(one.shift.middle / tick)
        found += [
            _Guess("late_by_ticks", abs(one.shift.middle - ticks * tick), ticks=ticks)
            for ticks in (near - 1, near, near + 1)
            if ticks and one.shift.low <= ticks * tick <= one.shift.high
        ]
    found.append(_Guess("offset", math.inf))
    return found


def _distance(side: Side, machine: Machine, feeder: int) -> float:
    settings = machine.feeders[feeder].settings
    return settings.engage_distance_mm if side == "closings" else settings.disengage_distance_mm


def _ratios(one: _Steady, machine: Machine, feeder: int) -> tuple[float, float]:
    """Return by what share of its distance one side is off, as an interval."""
    distance = _distance(one.side, machine, feeder)
    if distance <= 0.0:
        return math.nan, math.nan
    per = one.speed_mm_s / distance
    return one.shift.low * per, one.shift.high * per


def _scale(steady: list[_Steady], machine: Machine, feeder: int) -> _Guess | None:
    """Return a wrong count scale, where one explains closings and openings alike."""
    (low, high), (other_low, other_high) = (_ratios(one, machine, feeder) for one in steady)
    least, most = max(low, other_low), min(high, other_high)
    if math.isnan(least) or least > most:
        return None
    ratio = 0.5 * (least + most)
    off = max(
        abs(ratio * _distance(one.side, machine, feeder) / one.speed_mm_s - one.shift.middle)
        for one in steady
    )
    return _Guess("count_scale", off, ratio=1.0 + ratio)


def _untouched(one: _Steady, acts: FeederActs, machine: Machine, feeder: int) -> float:
    """Return the count scale that this shift would need, where the other side would not show it."""
    rows = acts.openings if one.side == "closings" else acts.closings
    other: Side = "openings" if one.side == "closings" else "closings"
    mine, its = _distance(one.side, machine, feeder), _distance(other, machine, feeder)
    if mine <= 0.0 or its <= 0.0:
        return math.nan
    ratio = one.shift.middle * one.speed_mm_s / mine
    shift = ratio * its / one.speed_mm_s
    mask = _timed(rows) & rows.exact
    if mask.any():
        common = common_shift(rows.late_low_s[mask], rows.late_high_s[mask])
        if not common.low <= shift <= common.high:
            return math.nan
    return 1.0 + ratio


# -- the others ------------------------------------------------------------------------------


def _drift(side: Side, rows: ActRows, drift: _Drift, feeder: int) -> ProgramFault:
    mask = drift.mask
    wrong = np.flatnonzero(mask & np.isin(rows.verdict, [Verdict.EARLY, Verdict.LATE]))
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
    """Yield the acts that are off by themselves, as one fault, with what they came after."""
    if not odd.any():
        return
    low, high = rows.late_low_s[odd], rows.late_high_s[odd]
    common = common_shift(low, high)
    first = int(np.flatnonzero(odd)[0])
    yield ProgramFault(
        "sporadic",
        feeder,
        side,
        int(odd.sum()),
        int(_timed(rows).sum()),
        first_s=float(rows.time_s[first]),
        first_row=int(rows.row[first]),
        late_s=common.middle,
        late_counts=common.middle * float(np.mean(rows.counts_per_s[odd])),
        after=_after(side, rows, odd, contexts),
    )


def _after(side: Side, rows: ActRows, odd: Bools, contexts: dict[tuple[str, int], set[str]]) -> str:
    """Return what nearly all odd acts came after and few others did; "" for nothing."""
    timed = _timed(rows)
    of = [contexts.get((side, int(cycle)), set()) for cycle in rows.cycle]
    shares: list[tuple[float, str]] = []
    told = odd & (rows.cycle > 1)  # what came before the first two cycles is not in the log
    for name in sorted(set().union(*of)):
        has = np.array([name in own for own in of])
        share = float(np.mean(has[timed]))
        chance = share ** float((has & told).sum())
        if (
            told.any()
            and np.mean(has[told]) >= _NEARLY_ALL
            and share < _RARE
            and chance < _BY_CHANCE
        ):
            shares.append((share, name))
    return min(shares)[1] if shares else ""


def _of_verdict(
    acts: FeederActs, feeder: int, verdict: Verdict, pattern: Pattern
) -> Iterator[ProgramFault]:
    sides: tuple[tuple[Side, ActRows], ...] = (
        ("closings", acts.closings),
        ("openings", acts.openings),
    )
    for side, rows in sides:
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
