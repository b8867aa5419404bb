"""The patterns that would cause a steady shift, and which of them look the same."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Literal, NamedTuple

import numpy as np

from feedsim.answers.learn.study.act_rows import FeederActs, Pattern, ProgramFault, Side
from feedsim.answers.learn.study.act_steady import Steady, common_shift, timed
from feedsim.machine import Machine


class _Guess(NamedTuple):
    """A pattern that would make this shift, and how far the shift deviates from it (s)."""

    pattern: Pattern
    off_s: float
    ticks: int = 0
    ratio: float = math.nan


def _likelier(guess: _Guess) -> tuple[bool, float]:
    """Sort guesses: a lead's sign explains one shift only, a number of ticks nearly any."""
    return guess.pattern != "lead_sign", guess.off_s


def named_steady(
    steady: list[Steady], acts: FeederActs, machine: Machine, feeder: int
) -> Iterator[ProgramFault]:
    """Yield the faults behind a feeder's shifts, one for both if one pattern makes both."""
    if len(steady) == 2:
        scale = _scale(steady, machine, feeder)
        both = [_guesses(one, machine, feeder) for one in steady]
        names = [{(g.pattern, g.ticks) for g in guesses} for guesses in both]
        shared = [g for g in both[0] if g.pattern != "offset" and (g.pattern, g.ticks) in names[1]]
        if scale is not None:
            shared.append(scale)
        if shared:
            shared.sort(key=_likelier)
            shared.append(_Guess("offset", math.inf))
            yield _steady_fault(steady, shared, feeder, acts, "all")
            return
    for one in steady:
        guesses = sorted(_guesses(one, machine, feeder), key=_likelier)
        plain = [guess for guess in guesses if guess.pattern != "offset"]
        rest = [guess for guess in guesses if guess.pattern == "offset"]
        if len(steady) == 1 and math.isfinite(_untouched(one, acts, machine, feeder)):
            ratio = _untouched(one, acts, machine, feeder)
            rest.append(_Guess("count_scale", math.inf, ratio=ratio))
        yield _steady_fault([one], [*plain, *rest], feeder, acts, one.side)


def _steady_fault(
    steady: list[Steady],
    guesses: list[_Guess],
    feeder: int,
    acts: FeederActs,
    side: Literal["closings", "openings", "all"],
) -> ProgramFault:
    best, one = guesses[0], steady[0]
    rows = [acts.sides[s.side] for s in steady]
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


def _guesses(one: Steady, machine: Machine, feeder: int) -> list[_Guess]:
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


def distance_mm(side: Side, machine: Machine, feeder: int) -> float:
    """Return the distance setting of a side (mm)."""
    settings = machine.feeders[feeder].settings
    return settings.engage_distance_mm if side == "closings" else settings.disengage_distance_mm


def _ratios(one: Steady, machine: Machine, feeder: int) -> tuple[float, float]:
    """Return the error of one side as a share of its distance, an interval."""
    distance = distance_mm(one.side, machine, feeder)
    if distance <= 0.0:
        return math.nan, math.nan
    per = one.speed_mm_s / distance
    return one.shift.low * per, one.shift.high * per


def _scale(steady: list[Steady], machine: Machine, feeder: int) -> _Guess | None:
    """Return a wrong count scale, if one explains both closings and openings."""
    (low, high), (other_low, other_high) = (_ratios(one, machine, feeder) for one in steady)
    least, most = max(low, other_low), min(high, other_high)
    if math.isnan(least) or least > most:
        return None
    ratio = 0.5 * (least + most)
    off = max(
        abs(ratio * distance_mm(one.side, machine, feeder) / one.speed_mm_s - one.shift.middle)
        for one in steady
    )
    return _Guess("count_scale", off, ratio=1.0 + ratio)


def _untouched(one: Steady, acts: FeederActs, machine: Machine, feeder: int) -> float:
    """Return the count scale that this shift needs, if the other side would not show it."""
    other: Side = "openings" if one.side == "closings" else "closings"
    rows = acts.sides[other]
    mine, its = distance_mm(one.side, machine, feeder), distance_mm(other, machine, feeder)
    if mine <= 0.0 or its <= 0.0:
        return math.nan
    ratio = one.shift.middle * one.speed_mm_s / mine
    shift = ratio * its / one.speed_mm_s
    mask = timed(rows) & rows.exact
    if mask.any():
        common = common_shift(rows.late_low_s[mask], rows.late_high_s[mask])
        if not common.low <= shift <= common.high:
            return math.nan
    return 1.0 + ratio
