"""The clock of a log against its encoder: a belt does not jerk, so jerky time stamps are wrong."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from feedsim.arrays import Floats, Ints, Places
from feedsim.logs.log import Log, OnOffSignal, Remark, SampledSignal

_SPAN_S = 0.01
_LEAST_S, _LEAST_SHARE, _LEAST = 2e-5, 0.05, 3
_STEADY = 0.3
_PAUSE_S, _FEWER = 0.1, 10
_LEAST_ROWS = 50
_LOOKED_AT, _AT_ONCE = 20_000, 65_536
_HELD, _HELD_STEPS = 0.4, 2.0


class _Off(NamedTuple):
    """The values whose times surely deviate from their neighbours', and by how much."""

    off_s: Floats
    at: Places
    held: int
    """Number of values that could be compared."""

    @property
    def jitters(self) -> bool:
        """Whether enough of them are."""
        return len(self.at) >= _LEAST


def _off(
    time_s: Floats, value: Floats, begins: Sequence[float], *, step: float, step_s: float
) -> _Off:
    """Compare each value with the line between two others, about 10 ms before and after it.

    ``begins``: times at which stretches begin; values of different stretches are not compared.
    """
    n = len(time_s)
    apart = float(np.median(np.diff(time_s))) if n > 1 else 0.0
    w = max(1, round(_SPAN_S / apart)) if apart > 0.0 else 1
    found: list[tuple[Floats, Places]] = [(np.empty(0), np.empty(0, np.intp))]
    held = 0
    if n >= max(_LEAST_ROWS, 8 * w + 1):
        some = np.arange(4 * w, n - 4 * w, max(1, n // _LOOKED_AT))
        usual = float(np.median(_rate(time_s, value, some - 4 * w, some + 4 * w)))
        slack_s = 2.0 * step_s + max(_LEAST_S, _LEAST_SHARE * apart)
        for first in range(4 * w, n - 4 * w, _AT_ONCE):  # a long log takes no more room
            at = np.arange(first, min(first + _AT_ONCE, n - 4 * w))
            stretch = np.searchsorted(begins, time_s[at - 4 * w], side="right")
            at = at[stretch == np.searchsorted(begins, time_s[at + 4 * w], side="right")]
            at, off, allowed = _held(time_s, value, at, w=w, usual=usual, step=step)
            sure = np.abs(off) > allowed + slack_s
            found.append((off[sure], at[sure]))
            held += len(at)
    off_s, places = (np.concatenate(parts) for parts in zip(*found, strict=True))
    return _Off(off_s, places, held)


def _rate(time_s: Floats, value: Floats, first: Places, last: Places) -> Floats:
    ran = np.maximum(time_s[last] - time_s[first], 1e-9)
    found: Floats = (value[last] - value[first]) / ran
    return found


def _held(
    time_s: Floats, value: Floats, at: Places, *, w: int, usual: float, step: float
) -> tuple[Places, Floats, Floats]:
    """Return, where the belt runs steadily, the errors of times and the allowed ones (s).

    Truncated values lie within a step of the line. If speeds before and after differ by Δ, the belt
    deviates by another Δ/2 over the same time at most.
    """
    before, after = (
        _rate(time_s, value, at + low, at + high) for low, high in ((-4 * w, -w), (w, 4 * w))
    )
    rates = _rate(time_s, value, at - 4 * w, at + 4 * w)
    runs = (rates > _STEADY * usual) & (np.abs(after - before) < _STEADY * rates) & (usual > 0.0)
    at, bends, rates = at[runs], np.abs(after - before)[runs], rates[runs]
    first, last = at - w, at + w
    span = time_s[last] - time_s[first]
    share = (value[at] - value[first]) / np.maximum(value[last] - value[first], step)
    off = time_s[at] - time_s[first] - share * span
    return at, off, (step + 0.25 * bends * span) / rates


def even_times(
    time_s: Floats, rows: Ints, encoder: tuple[str, Floats], *, period_s: float, step_s: float
) -> tuple[Floats, Remark] | None:
    """Return even times of samples, and a remark, if the encoder shows that time stamps jitter.

    ``time_s``, ``rows``: time stamps and rows of the file, shape (n,); ``encoder``: its column and
    values, shape (n,). None if time stamps are right, or the encoder does not show it.
    """
    column, value = encoder
    if len(time_s) < _LEAST_ROWS or np.isnan(value).any():
        return None
    if float(np.abs(np.diff(time_s) - period_s).max()) <= 0.2 * period_s + 1.5 * step_s:
        return None
    begins = _begins(time_s)
    even = _even(time_s, begins)
    off_s = np.abs(time_s - even)
    if float(off_s.max()) <= 0.2 * period_s + 1.5 * step_s or np.any(np.diff(even) <= 0.0):
        return None
    value = -value if value[-1] < value[0] else value
    stamped, regular = (
        _off(t, value, t[begins].tolist(), step=1.0, step_s=step_s) for t in (time_s, even)
    )
    if not stamped.jitters or _FEWER * len(regular.at) > len(stamped.at):
        return None
    row = int(rows[stamped.at[0]])
    apart_ms = float(np.median(np.diff(even))) * 1e3
    text = (
        f"The log's clock jitters: by {column} rows come evenly, {apart_ms:.4g} ms apart, and are "
        f"stamped up to {float(off_s.max()) * 1e3:.2g} ms off (first in row {row}). They are taken "
        "as even."
    )
    return even, Remark(text, row)


def _begins(time_s: Floats) -> list[int]:
    """Return the first time and those that follow a pause."""
    apart = np.diff(time_s)
    return [0, *(np.flatnonzero(apart > _PAUSE_S + 20.0 * np.median(apart)) + 1).tolist()]


def _even(time_s: Floats, begins: list[int]) -> Floats:
    """Return times that rise evenly between pauses, by least squares."""
    even = time_s.copy()
    for begin, end in zip(begins, (*begins[1:], len(time_s)), strict=True):
        if end - begin > 2:
            number = np.arange(end - begin, dtype=np.float64)
            number -= number.mean()
            middle = float(time_s[begin:end].mean())
            slope = float(number @ (time_s[begin:end] - middle)) / float(number @ number)
            even[begin:end] = middle + slope * number
    return even


def read_seldom(values: SampledSignal, name: str) -> tuple[SampledSignal, Remark | None]:
    """Return only the changes of an encoder that is read less often than it is logged."""
    rises = np.diff(values.value)
    moves = rises > 0.0
    if len(rises) < _LEAST_ROWS or not moves.any():
        return values, None
    usual = float(np.median(rises[moves]))
    runs = np.flatnonzero(moves)
    inside = moves[runs[0] : runs[-1] + 1]
    stays = np.diff(runs)
    many = round(float(np.median(stays))) if len(stays) else 1
    held = many > 1 and float(np.mean(~inside)) > _HELD
    if not held or usual < _HELD_STEPS * many * max(values.step, 1e-9):
        return values, None
    kept = np.concatenate(([True], moves))
    kept[-1] = True
    every = float(np.median(np.diff(values.time_s[1:][moves]))) * 1e3
    row = int(values.row[runs[0] + 1])
    text = (
        f"{name} holds for {many} rows at a time and then jumps (first in row {row}): it is read "
        f"only every {every:.3g} ms, and counts where it changes."
    )
    return values.where(kept), Remark(text, row)


def with_jitter(log: Log) -> Log:
    """Widen the edges of a log by the error of its clock, as its encoder shows it."""
    values = log.encoder
    if values is None:
        return log
    off = _off(
        values.time_s, values.value, log.begins_s, step=values.step or 1e-6, step_s=log.step_s
    )
    if not off.jitters:
        return log
    jitter_s = float(np.abs(off.off_s).max())
    row = int(values.row[off.at[0]])
    name = "encoder_count" if values.quantity == "count" else "encoder_mm"
    share = 100.0 * len(off.at) / off.held
    text = (
        f"The log's clock jitters: by the run of {name}, times are up to {jitter_s * 1e3:.2g} ms "
        f"off (first in row {row}; {share:.2g} % of its values). Each time is taken as known to "
        f"± {jitter_s * 1e3:.2g} ms."
    )

    def wider(level: OnOffSignal | None) -> OnOffSignal | None:
        if level is None:
            return None
        return replace(
            level,
            on_within_s=level.on_within_s + jitter_s,
            off_within_s=level.off_within_s + jitter_s,
        )

    return replace(
        log,
        step_s=max(log.step_s, 2.0 * jitter_s),
        carrier_eye=wider(log.carrier_eye),
        feeders=tuple(
            replace(one, eye=wider(one.eye), clutch=wider(one.clutch)) for one in log.feeders
        ),
        remarks=(*log.remarks, Remark(text, row)),
    )
