"""Warnings about feeders that get into each other's way."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

from feedsim.quantities import System, display
from feedsim.scenario import Scenario

_ONE_PLACE_MM = 1.0
_SAME_MM = 1e-9


def side_by_side(scenario: Scenario, *, units: System = "metric") -> Iterator[str]:
    """Warn of feeders at one placement point, and of inserts that land on each other.

    An overlap that ``[product]`` speaks of is meant.
    """

    def say(value: float) -> str:
        return display(value, "length", units=units, digits=3)

    for pair in combinations(scenario.feeder, 2):
        first, later = sorted(pair, key=lambda feeder: feeder.eye_to_placement)
        names = f"{first.name} and {later.name}"
        if later.eye_to_placement - first.eye_to_placement < _ONE_PLACE_MM:
            yield (
                f"{names} have one placement point, {say(later.eye_to_placement)} from the carrier "
                f"eye: two feeders cannot stand there, and their inserts would meet in the air."
            )
        if "product" in scenario.model_fields_set:
            continue
        starts = [feeder.settings.target_offset for feeder in (first, later)]
        ends = [start + f.insert.length for start, f in zip(starts, (first, later), strict=True)]
        over = min(ends) - max(starts)
        if over > _SAME_MM:
            yield (
                f"On target the insert of {later.name} lands {say(over)} on that of {first.name}. "
                f"Where that is wanted, say so in [product]; else move a target_offset."
            )
