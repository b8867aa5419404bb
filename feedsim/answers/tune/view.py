"""Knobs as bars along what can be had, in numbers to draw and texts to write."""

from __future__ import annotations

from dataclasses import dataclass

from feedsim.answers.tune.study.after import Tuning, Window
from feedsim.answers.tune.words import number_of, shown
from feedsim.quantities import System


@dataclass(frozen=True, slots=True)
class Row:
    """One knob along what can be had, its first value at 0 and its last at 1.

    ``held`` and ``retuned`` are where it stays accepted; None where nothing is, or of words.
    ``first``, ``last``, ``now`` and ``best`` are to be written.
    """

    key: str
    first: str
    last: str
    now: str
    best: str
    now_at: float
    best_at: float
    held: tuple[float, float] | None
    retuned: tuple[float, float] | None
    matters: bool


def rows_of(found: Tuning, units: System) -> list[Row]:
    """Return a row for each knob that has a window."""
    windows = {window.key: window for window in found.windows}
    rows = []
    for knob in found.knobs:
        window = windows.get(knob.key)
        if window is None:
            continue
        at = _Scale(window)
        rows.append(
            Row(
                key=knob.key,
                first=shown(window.had[0], units),
                last=shown(window.had[1], units),
                now=shown(knob.now, units),
                best=shown(knob.best, units),
                now_at=at.place(knob.now),
                best_at=at.place(knob.best),
                held=at.span(window.low, window.high),
                retuned=at.span(window.retuned.low, window.retuned.high),
                matters=knob.matters,
            )
        )
    return rows


class _Scale:
    def __init__(self, window: Window) -> None:
        ends = [number_of(text) for text in window.had]
        self._low, self._high = (ends[0], ends[1]) if window.values else (None, None)
        self._words = [window.had[0], *window.held.accepted, window.had[1]]

    def place(self, text: str) -> float:
        value = number_of(text)
        if self._low is None or self._high is None or value is None or self._low == self._high:
            return 0.0 if text == self._words[0] else 1.0 if text == self._words[-1] else 0.5
        return (value - self._low) / (self._high - self._low)

    def span(self, low: str | None, high: str | None) -> tuple[float, float] | None:
        if low is None or high is None or self._low is None:
            return None
        return self.place(low), self.place(high)
