"""Every wrong scenario of the table is refused, with all its keys named, in our own words."""

import re
from pathlib import Path

import pytest

from feedsim.errors import FeedsimError
from feedsim.scenario import load_scenario, scenario_from_text
from tests.cli.bad_scenarios.table import BASE, CASES, FILE, QUANTITIES, Case, changed

NOT_OURS = re.compile(r"Input should|validation error|pydantic|Traceback|<class|NoneType|pint\b")

COLUMN = re.compile(r", column [1-9][0-9]*$")  # counted differently by versions of Python


def test_the_base_of_all_cases_is_correct():
    assert scenario_from_text(BASE).title == "Sample card on a folded sheet"


def test_the_table_is_worth_its_name():
    assert len(CASES) > 600
    assert len({(case.content, case.fragment) for case in CASES}) > 600


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_bad_scenario(case: Case, tmp_path: Path):
    path = tmp_path / "bad.toml"
    path.write_bytes(case.content)
    with pytest.raises(FeedsimError) as caught:
        load_scenario(path)
    error = caught.value
    places = [key for key in case.keys if key.startswith(("line ", "end of the file"))]
    assert all(place in str(error) for place in places)  # of what is not TOML: after the path
    keys = [COLUMN.sub("", fault.key) for fault in error.faults]
    if keys == [str(path)]:
        assert {*case.keys} <= {FILE, "", *places}
    else:
        assert sorted(keys) == sorted(case.keys)
    assert case.fragment in str(error)
    for line in error.lines:
        assert line.isprintable()
        assert len(line) < 400
        assert not NOT_OURS.search(line)


@pytest.mark.parametrize("key", [key for key, *_ in QUANTITIES])
def test_every_quantity_is_in_the_base(key: str):
    """A key that is misspelt in the table would test nothing but unknown keys."""
    assert changed((key, None)).count("\n") == BASE.count("\n") - 1
