"""A sweep over two axes as a grid of cells, one feeder at a time."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from feedsim.answers.sweep.curves import is_undecided
from feedsim.answers.sweep.scale import Scale, every
from feedsim.metrics.criteria import Criteria
from feedsim.metrics.plain import Plain
from feedsim.quantities import System

__all__ = ["Grid", "grid_of", "outline", "shown_ticks"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Grid:
    """One feeder's figures in cells: a row for each value of the first axis.

    Attributes
    ----------
    name : str
        Of the feeder.
    x, y : Scale
        The last and the first axis; cells have equal sizes, whatever the values are.
    points : tuple of mapping
        In the order of ``sweep.json``.
    number : int
        Of the feeder.
    criteria : Criteria
    units : {"metric", "inch"}
    """

    name: str
    x: Scale
    y: Scale
    points: tuple[Mapping[str, Any], ...]
    number: int
    criteria: Criteria
    units: System

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return len(self.y.at), len(self.x.at)

    @property
    def several(self) -> bool:
        """Whether the line has other feeders too."""
        return len(self.points[0]["feeders"]) > 1

    @property
    def accepted(self) -> Bools:
        """The verdict on the whole line in each cell, shape (rows, columns)."""
        return np.array([bool(point["accepted"]) for point in self.points]).reshape(self.shape)

    @property
    def undecided(self) -> Bools:
        """Whether more carriers could turn the verdict, shape (rows, columns)."""
        return np.array([is_undecided(point) for point in self.points]).reshape(self.shape)

    def cells(self, get: Callable[[Mapping[str, Any]], float | None]) -> Floats:
        """Return one figure of the feeder, NaN where there is none, shape (rows, columns)."""
        values = (get(point["feeders"][self.number]) for point in self.points)
        found = [math.nan if value is None else value for value in values]
        return np.array(found).reshape(self.shape)

    def row(self, number: int) -> Sequence[Mapping[str, Any]]:
        """Return the points of one row."""
        columns = self.shape[1]
        return self.points[number * columns : (number + 1) * columns]


def grid_of(
    points: Sequence[Mapping[str, Plain]],
    number: int,
    *,
    scales: tuple[Scale, Scale],
    criteria: Criteria,
    units: System,
) -> Grid:
    """Gather one feeder's figures; ``scales`` are those of the first and of the last axis."""
    plain: tuple[Mapping[str, Any], ...] = tuple(points)
    return Grid(
        name=plain[0]["feeders"][number]["name"],
        x=scales[1],
        y=scales[0],
        points=plain,
        number=number,
        criteria=criteria,
        units=units,
    )


def outline(inside: Bools) -> list[tuple[tuple[float, float], tuple[float, float]]]:
    """Return the cell edges around a region, as lines from (x, y) to (x, y).

    Parameters
    ----------
    inside : bool array, shape (rows, columns)
        Cell (r, c) reaches from c − 0.5 to c + 0.5 and from r − 0.5 to r + 0.5.

    Examples
    --------
    >>> len(outline(np.array([[True, True]])))
    6
    """
    padded = np.pad(inside, 1).astype(np.int8)
    upright = np.argwhere(np.diff(padded, axis=1)[1:-1] != 0)
    level = np.argwhere(np.diff(padded, axis=0)[:, 1:-1] != 0)
    lines = [((c - 0.5, r - 0.5), (c - 0.5, r + 0.5)) for r, c in upright.tolist()]
    return lines + [((c - 0.5, r - 0.5), (c + 0.5, r - 0.5)) for r, c in level.tolist()]


def shown_ticks(scale: Scale, *, most: int) -> list[int]:
    """Return which values of an axis are written: all if there is room, else round ones."""
    count = len(scale.at)
    if count <= most or scale.words:
        return every(count, most=most)
    from matplotlib.ticker import MaxNLocator

    wanted = MaxNLocator(nbins=most, steps=[1, 2, 2.5, 5, 10]).tick_values(
        scale.at[0], scale.at[-1]
    )
    close = 1e-6 * (scale.at[-1] - scale.at[0])
    found = [i for i, at in enumerate(scale.at) if np.abs(wanted - at).min() < close]
    return found if len(found) >= 3 else every(count, most=most)
