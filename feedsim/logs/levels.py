"""Levels and values of a log: edges and how well they are known, bounces, stuck signals."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np

from feedsim.arrays import Bools, Floats, Ints, Places
from feedsim.errors import Fault, FeedsimError
from feedsim.logs.log import OnOffSignal, Remark, SampledSignal
from feedsim.logs.names import Signal

_BOUNCE_S, _BOUNCE_SHARE = 1.05e-3, 0.05
_FARTHEST = 1e9
_WRAPS = (2**16, 2**24, 2**32, 10**4, 10**5, 10**6)
_STEPS = 10.0 ** np.arange(0, -7, -1)


@dataclass(frozen=True, slots=True)
class Noted:
    """One signal's rows: times, values, rows of the file, and which begin a stretch.

    A change that a row is the first to show happened after ``since_s``, and at the latest
    ``late_s`` after the row's own time.
    """

    signal: Signal
    file: str
    column: str
    time_s: Floats
    value: Floats
    row: Ints
    stretch: Ints
    since_s: Floats
    late_s: float

    def at(self, row: int) -> str:
        """Name a cell of the signal."""
        return f"{self.file}, row {row}, {self.column}"


class _Told(Protocol):
    def append(self, remark: Remark, /) -> None:
        """Keep a remark."""


def level_of(
    noted: Noted, *, stretches: int, told: _Told, others: dict[str, Floats]
) -> OnOffSignal:
    """Return the edges of a level, in a log of so many stretches.

    ``others``: values of the other signals by name, to tell swapped columns. Raises FeedsimError if
    the values are no levels.
    """
    on = _levels(noted, told, others)
    first = np.concatenate(([True], np.diff(noted.stretch) > 0))
    changed = np.concatenate(([False], on[1:] != on[:-1])) & ~first
    edge = np.flatnonzero(changed)
    edge = _without_bounces(noted, edge, told)
    starts = np.zeros(stretches, dtype=np.bool_)
    begins = np.flatnonzero(first)
    for number in range(stretches):  # a signal that says nothing in a stretch is as it was
        i = int(np.searchsorted(noted.stretch, number))
        at = begins[np.searchsorted(noted.stretch[begins], number)] if i < len(on) else -1
        said = i < len(on) and noted.stretch[i] == number
        starts[number] = bool(on[at]) if said else bool(on[min(i, len(on)) - 1])
    if not len(edge):
        state = "on" if bool(on[0]) else "off"
        text = (
            f"{noted.signal.name} is {state} from row {noted.row[0]} to the end: stuck or not "
            "connected, and shows nothing."
        )
        told.append(Remark(text, int(noted.row[0])))
    middle, within = _interval(noted, edge)
    up = on[edge]
    return OnOffSignal(
        middle[up],
        within[up],
        noted.row[edge[up]],
        middle[~up],
        within[~up],
        noted.row[edge[~up]],
        tuple(map(bool, starts)),
        noted.signal.name,
    )


def _interval(noted: Noted, edge: Places) -> tuple[Floats, Floats]:
    early, late = noted.since_s[edge], noted.time_s[edge] + noted.late_s
    return 0.5 * (early + late), 0.5 * (late - early)


def _levels(noted: Noted, told: _Told, others: dict[str, Floats]) -> Bools:
    """Return the levels row by row; a blank cell keeps the previous level."""
    value = noted.value
    blank = np.isnan(value)
    if blank.any():
        row = int(noted.row[np.flatnonzero(blank)[0]])
        if blank[0]:
            raise FeedsimError(
                Fault(noted.at(row), message="is blank; the first row needs a level")
            )
        many = f"{int(blank.sum()):,} cells of {noted.signal.name} are blank (first in row {row})"
        text = f"{many}: the previous level is kept."
        told.append(Remark(text, row))
        value = value[np.maximum.accumulate(np.where(blank, 0, np.arange(len(value))))]
    strange = np.flatnonzero((value != 0.0) & (value != 1.0))
    if not len(strange):
        is_on: Bools = value == 1.0
        return is_on
    top = float(value[strange[0]])
    if np.all((value == 0.0) | (value == top)):
        text = f"{noted.signal.name} is 0 or {top:g}: taken as off and on."
        told.append(Remark(text, int(noted.row[strange[0]])))
        is_top: Bools = value == top
        return is_top
    row = int(noted.row[strange[0]])
    twin = next((n for n, v in others.items() if np.all((v == 0.0) | (v == 1.0)) and v.any()), "")
    hint = f"; {twin} has only 0 and 1: are the columns swapped?" if twin else ""
    raise FeedsimError(Fault(noted.at(row), message=f"found {top:g}; needs 0 or 1{hint}"))


def _without_bounces(noted: Noted, edge: Places, told: _Told) -> Places:
    """Remove bounces, which follow an edge within a millisecond and return to its level."""
    time = noted.time_s[edge]
    apart = np.diff(time)
    if len(apart) < 4:
        return edge
    limit = max(_BOUNCE_S, 1.05 * float(np.median(noted.time_s - noted.since_s)))  # or one look
    longer = apart[apart > limit]
    usual = float(np.median(longer)) if len(longer) else 0.0
    short = apart < min(limit, _BOUNCE_SHARE * usual)
    short &= noted.stretch[edge[1:]] == noted.stretch[edge[:-1]]
    if not short.any():
        return edge
    clusters = np.split(edge, np.flatnonzero(~short) + 1)
    bounces = [c for c in clusters if len(c) > 2 and len(c) % 2]
    if not bounces:
        return edge
    out = np.concatenate([cluster[1:] for cluster in bounces])
    kept = np.setdiff1d(edge, out)
    row = int(noted.row[bounces[0][1]])
    text = (
        f"{noted.signal.name} bounces: {len(edge) - len(kept):,} changes lie within "
        f"{limit * 1e3:.3g} ms of the one before (first in row {row}); they are left out."
    )
    told.append(Remark(text, row))
    return kept


def values_of(noted: Noted, *, told: _Told) -> SampledSignal:
    """Return the samples of a value, without blank cells.

    Raises FeedsimError if counts are not whole numbers.
    """
    signal = noted.signal
    there = ~np.isnan(noted.value)
    if not there.all():
        row = int(noted.row[np.flatnonzero(~there)[0]])
        many = f"{int((~there).sum()):,} cells of {signal.name} are blank (first in row {row})"
        text = f"{many}: no sample there."
        told.append(Remark(text, row))
    time, value, rows = noted.time_s[there], noted.value[there] * signal.factor, noted.row[there]
    if len(value) < 2:
        raise FeedsimError(Fault(noted.at(int(noted.row[0])), message="has fewer than two numbers"))
    far = np.flatnonzero(np.abs(value) > _FARTHEST * (1e3 if signal.quantity == "count" else 1.0))
    if len(far):
        message = f"found {value[far[0]]:g}; nothing runs that far or that fast"
        raise FeedsimError(Fault(noted.at(int(rows[far[0]])), message=message))
    if signal.quantity == "count":
        odd = np.flatnonzero(value != np.rint(value))
        if len(odd):
            message = (
                f"found {value[odd[0]]:g}; counts are whole numbers, and a travel is encoder_mm"
            )
            raise FeedsimError(Fault(noted.at(int(rows[odd[0]])), message=message))
    assert signal.quantity is not None  # noqa: S101 - a level has no values
    step = _step_of(noted.value[there]) * signal.factor
    return SampledSignal(time, value, rows, signal.quantity, step, signal.name)


def _step_of(value: Floats) -> float:
    some = value[:: max(1, len(value) // 5000)]
    for step in _STEPS:
        if np.all(np.abs(some / step - np.rint(some / step)) < 1e-4 + 1e-12 * np.abs(some / step)):
            return float(step)
    return 0.0


def rising(values: SampledSignal, signal: Signal, *, told: _Told, at: str) -> SampledSignal:
    """Return an encoder's values unwrapped and rising.

    Raises FeedsimError if they go back and forth.
    """
    value = values.value
    apart = np.diff(value)
    value = _unwrapped(values, signal, apart, told)
    apart = np.diff(value)
    if np.sum(apart < 0.0) > np.sum(apart > 0.0):
        value, apart = -value, -apart
        text = f"{signal.name} falls as the line runs: its sign is reversed."
        told.append(Remark(text, int(values.row[0])))
    back = np.flatnonzero(apart < -max(2.0, 2.0 * values.step))
    if len(back):
        i = int(back[0])
        message = (
            f"found {values.value[i + 1]:.12g} after {values.value[i]:.12g}; an encoder of a line "
            "that runs one way rises: was it reset there? Give each part as its own log"
        )
        raise FeedsimError(Fault(f"{at}, row {values.row[i + 1]}, {signal.name}", message=message))
    if not apart.any():
        told.append(stays_as_it_is(signal.name, values))
    rises: Floats = np.maximum.accumulate(value)
    return replace(values, value=rises)


def stays_as_it_is(name: str, values: SampledSignal) -> Remark:
    """Return the remark on a value that never changes."""
    stays = f"{name} stays at {values.value[0]:g} from row {values.row[0]} to the end"
    return Remark(f"{stays}: stuck or not connected, and left out.", int(values.row[0]))


def _unwrapped(values: SampledSignal, signal: Signal, apart: Floats, told: _Told) -> Floats:
    """Undo overflows of the counter."""
    value = values.value
    if values.quantity != "count" or not len(apart):
        return value
    usual = max(2.0, 20.0 * float(np.median(np.abs(apart))))
    leaps = np.flatnonzero(np.abs(apart) > usual)
    for wrap in _WRAPS:
        over = leaps[np.abs(np.abs(apart[leaps]) - wrap) <= usual]
        if len(over) and np.all((value >= -wrap) & (value <= wrap)) and usual < 0.5 * wrap:
            turns = np.zeros(len(value))
            turns[over + 1] = -np.sign(apart[over]) * wrap
            row = int(values.row[over[0] + 1])
            times = f"{len(over):,} times, first in row {row}"
            text = f"{signal.name} overflows after {wrap:,} counts ({times}): counting goes on."
            told.append(Remark(text, row))
            return value + np.cumsum(turns)
    return value
