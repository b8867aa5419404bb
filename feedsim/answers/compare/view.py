"""A comparison as columns against speed, one feeder at a time, and how each setup looks."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from feedsim.answers.compare.words import State, state_of
from feedsim.metrics.criteria import Criteria
from feedsim.quantities import System, display_unit
from feedsim.render.canvas import BLACK, BLUE, DASHED, GREEN, GREY, ORANGE, SKY, VERMILLION

__all__ = ["LOOKS", "CompareView", "Differences", "Look", "compare_view"]

Floats = NDArray[np.float64]


class Look(NamedTuple):
    """Colour, marker and line of a setup: each tells it from the others, for print in grey."""

    colour: str
    marker: str
    line: Any


LOOKS = (
    Look(BLACK, "o", "-"),
    Look(BLUE, "s", DASHED),
    Look(VERMILLION, "^", "-."),
    Look(GREEN, "D", ":"),
    Look(ORANGE, "v", (0, (8, 2))),
    Look(SKY, "P", (0, (3, 1, 1, 1, 1, 1))),
    Look("#CC79A7", "X", (0, (1, 1))),
    Look(GREY, "*", (0, (6, 2, 2, 2))),
)


class Differences(NamedTuple):
    """One figure's differences to the first setup, shape (n,) each; NaN where there is none."""

    size: Floats
    low: Floats
    high: Floats
    states: tuple[State, ...]


@dataclass(frozen=True, slots=True)
class CompareView:
    """One feeder's figures in all setups, in the units that are drawn.

    ``speeds`` rises, shape (n,). ``points``: as ``compare.json`` holds them. ``letters``: of all
    setups, the first one first.
    """

    name: str
    speeds: Floats
    points: tuple[Mapping[str, Any], ...]
    letters: tuple[str, ...]
    number: int
    criteria: Criteria
    units: System

    @property
    def length_factor(self) -> float:
        """Drawn length per mm."""
        return display_unit("length", self.units).factor

    @property
    def length_unit(self) -> str:
        """Label of the drawn length."""
        return display_unit("length", self.units).label

    def column(self, place: int, get: Callable[[Mapping[str, Any]], float | None]) -> Floats:
        """Return one figure of setup number ``place`` at every speed, shape (n,)."""
        found = (get(point["results"][place]["feeders"][self.number]) for point in self.points)
        return np.array([math.nan if value is None else value for value in found])

    def differences(self, place: int, key: str, factor: float) -> Differences:
        """Return one figure's differences, other setup number ``place`` less the first."""
        found = [p["differences"][place]["feeders"][self.number][key] for p in self.points]
        is_length = "exact" in found[0]
        sizes = [d["difference_mm" if is_length else "difference"] for d in found]
        ends = [d["ci95_mm" if is_length else "ci95"] or (math.nan, math.nan) for d in found]
        size = np.array([math.nan if value is None else value for value in sizes])
        return Differences(
            factor * size,
            factor * np.array([low for low, _ in ends]),
            factor * np.array([high for _, high in ends]),
            tuple(state_of(d) for d in found),
        )


def compare_view(
    points: Sequence[Mapping[str, Any]], number: int, *, criteria: Criteria, units: System
) -> CompareView:
    """Gather one feeder's figures from the points of ``compare.json``."""
    factor = display_unit("speed", units).factor
    names = [results["feeders"][number]["name"] for results in points[0]["results"]]
    return CompareView(
        name=" / ".join(dict.fromkeys(names)),
        speeds=np.array([point["line_speed_mm_s"] * factor for point in points]),
        points=tuple(points),
        letters=tuple(results["setup"] for results in points[0]["results"]),
        number=number,
        criteria=criteria,
        units=units,
    )
