"""From a checked scenario back to plain data that reads as exactly the same scenario."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Any

from feedsim.scenario.keys import Section
from feedsim.scenario.model import Scenario
from feedsim.scenario.reading import scenario_from_dict
from feedsim.scenario.tree import nodes


def scenario_to_dict(scenario: Scenario) -> dict[str, Any]:
    """Write a scenario as plain data: text, numbers, booleans, lists and tables.

    Includes every key that has an effect, defaults too; every quantity has its unit. A record of
    carriers becomes a list of pitches. `scenario_from_dict` reads exactly the same scenario from
    it, to the last bit of each float, without any other file.
    """
    return _table(scenario)


AS_WRITTEN: Mapping[str, Any] = MappingProxyType({"plain": scenario_to_dict})
"""Metadata of an answer's field that holds a scenario: how to write it as data."""


def override(scenario: Scenario, overrides: Sequence[str]) -> Scenario:
    """Change keys of a checked scenario by their paths, and check it again.

    Raises FeedsimError if a path leads nowhere, or the changed scenario is not valid.
    """
    return scenario_from_dict(scenario_to_dict(scenario), overrides=overrides)


def at_line_speed(scenario: Scenario, speed_mm_s: float) -> Scenario:
    """Return the same scenario at another line speed, for a sweep.

    A profile keeps its times and its shape, and its highest speed becomes this one. Raises
    ValueError if the speed is not above 0.
    """
    if not speed_mm_s > 0.0:
        raise ValueError(f"line speed {speed_mm_s} mm/s is not above 0")
    highest = max((speed for _, speed in scenario.line.profile), default=1.0)
    profile = tuple((at, speed / highest * speed_mm_s) for at, speed in scenario.line.profile)
    line = scenario.line.model_copy(update={"speed": float(speed_mm_s), "profile": profile})
    return scenario.model_copy(update={"line": line})


def _table(section: Section) -> dict[str, Any]:
    table: dict[str, Any] = {}
    values, unused = dict(section), section.unused
    for name, inner in nodes(type(section)).items():
        if name in unused:
            continue
        value = values[name]
        if inner.many:
            table[name] = [_table(item) for item in value]
        elif inner.section:
            table[name] = _table(value)
        elif inner.leaf:
            table[name] = inner.leaf.write(value, values)
    return table
