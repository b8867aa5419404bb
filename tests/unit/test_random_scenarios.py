"""The random scenarios that other tests look at draw every key that a scenario may have."""

from __future__ import annotations

import typing
from collections.abc import Iterator
from typing import Any

from feedsim.scenario import Scenario, scenario_to_dict
from feedsim.scenario.keys import Section
from tests.random_scenarios import scenario_of_all_keys
from tests.workable_scenarios import counted, workable_scenario

SEEDS = 60
READ_AWAY = {"carrier.record_speed", "feeder.drive.motors"}
"""A belt speed that turns times into pitches, and a file of motors, are read and gone."""
ASKED = "tune."
"""A table that no line is made of: it asks a question of one (``test_tune_table.py``)."""
REHEARSED = ("supervision.", "product.pair.", "fault.", "adjust.", "sweep.")
"""Tables that are there or not, and mostly alike where they are."""


def keys(of: type[Section], above: str = "") -> Iterator[str]:
    for name, field in of.model_fields.items():
        tables = [*sections(field.annotation)]
        for table in tables:
            yield from keys(table, f"{above}{name}.")
        if not tables:
            yield above + name


def sections(annotation: Any) -> Iterator[type[Section]]:
    if isinstance(annotation, type) and issubclass(annotation, Section):
        yield annotation
    for part in typing.get_args(annotation):
        yield from sections(part)


def values(data: Any, above: str = "") -> Iterator[tuple[str, str]]:
    if isinstance(data, dict):
        yield above, "a table"
        for name, value in data.items():
            yield from values(value, f"{above}.{name}" if above else name)
    elif isinstance(data, list) and data and isinstance(data[0], dict):
        for row in data:
            yield from values(row, above)
    else:
        yield above, str(data)


def test_every_key_is_drawn_with_more_than_one_value() -> None:
    drawn: dict[str, set[str]] = {}
    for seed in range(SEEDS):
        for name, value in values(scenario_to_dict(scenario_of_all_keys(seed))):
            drawn.setdefault(name, set()).add(value)
    every = {name for name in keys(Scenario) if not name.startswith(ASKED)}
    assert every - set(drawn) == READ_AWAY
    of_a_drive = {name for name in every if name.startswith("feeder.drive.")}  # one drive
    alike = {name for name in every & set(drawn) if len(drawn[name]) < 2} - of_a_drive
    others = {n for n in alike if not n.startswith(REHEARSED)}
    assert others == {"divert.missed", "product.needs"}, sorted(others)


def test_equal_seeds_give_equal_scenarios() -> None:
    assert scenario_of_all_keys(7) == scenario_of_all_keys(7)
    assert scenario_of_all_keys(7) != scenario_of_all_keys(8)


def test_workable_lines_have_each_law_policy_and_part() -> None:
    found = counted(workable_scenario(seed, stops=True) for seed in range(100))
    assert len(found) == 45
    assert min(found.values()) >= 2, found


def test_equal_seeds_give_equal_workable_lines() -> None:
    assert workable_scenario(7) == workable_scenario(7)
    assert workable_scenario(7) != workable_scenario(8)
