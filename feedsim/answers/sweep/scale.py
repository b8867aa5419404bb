"""One axis of a sweep on paper: places, names and unit of its values."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from feedsim.arrays import Floats
from feedsim.quantities import DisplayUnit, System, display_unit
from feedsim.render.canvas import true_minus
from feedsim.render.layout import one_line
from feedsim.running.axes import Axis

if TYPE_CHECKING:
    from matplotlib.axes import Axes


MANY = 40
"""More points than this are drawn as lines and areas instead of marks and bars."""

_BAR = 0.3  # half a bar, in gaps to the nearer neighbour
_WIDEST = 0.045  # half a bar, in widths of the axis
_MOST_WORDS, _LETTERS = 24, 64  # at an axis, and their letters side by side
_LONGEST = 22  # characters of a word at an axis
_FEW_DECADES = 2.5
_LOG_FROM = 10.0  # largest by smallest value


@dataclass(frozen=True, slots=True)
class Scale:
    """Places of an axis's values on paper.

    ``label``: with the unit. ``at``: rising, shape (n,); in the unit drawn, or 0, 1, 2 … for words.
    ``texts``: the values, short, without unit. ``words``: whether they are words (or reach to
    infinity): places without a distance. ``logarithmic``: whether ratios are spaced more evenly
    than differences. ``factor``: drawn unit per internal unit.
    """

    label: str
    at: Floats
    texts: tuple[str, ...]
    words: bool
    logarithmic: bool
    factor: float

    @property
    def many(self) -> bool:
        """Whether marks and bars would crowd."""
        return len(self.at) > MANY

    @property
    def flowing(self) -> bool:
        """Whether lines and areas stand for many marks and bars."""
        return self.many and self.joined

    @property
    def joined(self) -> bool:
        """Whether there are values between the points, so that a line may join them."""
        return not self.words and len(self.at) > 1

    @property
    def bars(self) -> tuple[Floats, Floats]:
        """Left and right ends of bars that touch no neighbour, shape (n,) each."""
        at, right = self.to_even(self.at), self.to_even(self._around(_BAR)[1])
        low, high = self.to_even(np.array(self.view))
        half = np.minimum(right - at, _WIDEST * (high - low))
        return self._back(at - half), self._back(at + half)

    def beside(self, place: int, places: int) -> Floats:
        """Return the place of one of several marks at each point, shape (n,).

        At the point itself if lines join them, else side by side.
        """
        if self.joined or places < 2:
            return self.at
        left, right = self.bars
        return left + (right - left) * (place + 0.5) / places

    @property
    def edges(self) -> Floats:
        """Borders of cells as wide as their steps, on an even axis, shape (n + 1,)."""
        left, right = (self.to_even(ends) for ends in self.cells)
        return np.append(left, right[-1])

    @property
    def cells(self) -> tuple[Floats, Floats]:
        """Left and right ends of cells that meet their neighbours, shape (n,) each."""
        return self._around(0.5)

    @property
    def view(self) -> tuple[float, float]:
        """Ends of the axis."""
        low, high = (self.to_even(end) for end in self._around(0.4))
        room = 0.02 * (high[-1] - low[0])
        ends = self._back(np.array([low[0] - room, high[-1] + room]))
        return float(ends[0]), float(ends[1])

    def even(self, at: float) -> float:
        """Return a place on an even axis: its logarithm on a logarithmic one."""
        return float(np.log10(at)) if self.logarithmic else at

    def to_even(self, at: Floats) -> Floats:
        """Return places on an even axis, shape (n,)."""
        return np.log10(at) if self.logarithmic else at

    def _around(self, part: float) -> tuple[Floats, Floats]:
        at = self.to_even(self.at)
        if len(at) == 1:
            reach = np.array([1.0 if self.words else 0.25 * abs(at[0]) or 1.0])
            return at - part * reach, at + part * reach
        gaps = np.diff(at)
        before = np.concatenate((gaps[:1], gaps))
        after = np.concatenate((gaps, gaps[-1:]))
        if part < 0.5:
            before = after = np.minimum(before, after)
        return self._back(at - part * before), self._back(at + part * after)

    def _back(self, at: Floats) -> Floats:
        return 10.0**at if self.logarithmic else at

    def set_up(self, axes: Axes) -> None:
        """Give axes the x scale, its ends and its ticks."""
        if self.logarithmic:
            axes.set_xscale("log")
        axes.set_xlim(*self.view)
        if self.words:
            self._name_words(axes)
        elif self.logarithmic:
            ticks = round_numbers(*self.view, decades=_FEW_DECADES)
            axes.set_xticks(ticks, [f"{t:.4g}" for t in ticks])
        else:
            from matplotlib.ticker import MaxNLocator

            axes.xaxis.set_major_locator(MaxNLocator(nbins=9, steps=[1, 2, 2.5, 5, 10]))
        axes.minorticks_off()

    @property
    def slanted(self) -> bool:
        """Whether the words do not fit side by side."""
        shown = every(len(self.at), most=_MOST_WORDS)
        widest = max(len(self.texts[i]) for i in shown)
        return self.words and widest * len(shown) > _LETTERS

    def _name_words(self, axes: Axes) -> None:
        shown, long = every(len(self.at), most=_MOST_WORDS), self.slanted
        axes.set_xticks(
            self.at[shown],
            [self.texts[i] for i in shown],
            rotation=20.0 if long else 0.0,
            ha="right" if long else "center",
            rotation_mode="anchor",
        )


def scale_of(axis: Axis, units: System) -> Scale:
    """Say how an axis is drawn in a family of units."""
    numbers = np.array(axis.numbers, dtype=np.float64)
    words = len(numbers) == 0 or not bool(np.isfinite(numbers).all())
    unit = _unit(axis, units)
    name = "line speed" if axis.is_speed else axis.key
    at = np.arange(float(len(axis.values))) if words else numbers * unit.factor
    return Scale(
        label=f"{name} ({unit.label})" if unit.label else name,
        at=at,
        texts=_texts(numbers * unit.factor)
        or tuple(one_line(value, _LONGEST) for value in axis.values),
        words=words,
        logarithmic=not words and _is_logarithmic(at),
        factor=unit.factor,
    )


def every(count: int, *, most: int) -> list[int]:
    """Return at most ``most`` of ``count`` places, including the first, at an even step.

    >>> every(7, most=3)
    [0, 3, 6]
    """
    return list(range(0, count, -(-count // most) or 1))


def _unit(axis: Axis, units: System) -> DisplayUnit:
    if axis.kind is None or not axis.numbers:
        return DisplayUnit("", 1.0)
    if axis.kind == "time" and max(abs(number) for number in axis.numbers) < 1.0:
        return DisplayUnit("ms", 1e3)
    return display_unit(axis.kind, units)


def _texts(numbers: Floats) -> tuple[str, ...]:
    """Write numbers with enough digits to distinguish them, at least four."""
    texts: tuple[str, ...] = ()
    for digits in range(4, 16):
        texts = tuple(true_minus(f"{x:.{digits}g}".replace("inf", "∞")) for x in numbers)
        if len(set(texts)) == len(texts):
            break
    return texts


def _is_logarithmic(at: Floats) -> bool:
    if len(at) < 3 or at[0] <= 0.0 or at[-1] < _LOG_FROM * at[0]:
        return False
    steps, ratios = np.diff(at), np.diff(np.log(at))
    return bool(ratios.max() / ratios.min() < steps.max() / steps.min())


def round_numbers(low: float, high: float, *, decades: float) -> list[float]:
    """Return round positive numbers for a logarithmic axis.

    >>> round_numbers(0.8, 30.0, decades=2.0), round_numbers(0.8, 30.0, decades=1.0)
    ([1.0, 2.0, 5.0, 10.0, 20.0], [1.0, 10.0])
    """
    if low >= high:
        return []
    first, last = int(np.floor(np.log10(low))), int(np.ceil(np.log10(high)))
    leading = (1.0, 2.0, 5.0) if np.log10(high / low) < decades else (1.0,)
    ticks = [digit * 10.0**power for power in range(first, last + 1) for digit in leading]
    return [tick for tick in ticks if low <= tick <= high]
