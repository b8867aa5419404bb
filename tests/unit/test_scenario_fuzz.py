"""Whatever stands in a file, it is read or refused in our own words: no other exception."""

import copy
import datetime as dt
import tomllib

from hypothesis import given, settings
from hypothesis import strategies as st

from feedsim.errors import FeedsimError
from feedsim.scenario import scenario_from_dict, scenario_from_text, scenario_to_dict
from tests.cli.bad_scenarios.table import BASE

DATA = tomllib.loads(BASE)


def _paths(table, above=()):
    for name, inner in table.items() if isinstance(table, dict) else enumerate(table):
        yield (*above, name)
        if isinstance(inner, (dict, list)):
            yield from _paths(inner, (*above, name))


RECORD = [("carrier", name) for name in ("record", "record_speed", "after_record")]
PATHS = [*_paths(DATA), *RECORD]
PLAIN = (
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=20)
    | st.sampled_from(["60 m/min", "10 mm", "1 s", "5 %", "auto", "paced", "travel", "inf 1/s"])
    | st.sampled_from(["recorded", "end", "1 m"])
    | st.dates()
    | st.just(dt.time(1, 2))
)
VALUES = st.recursive(
    PLAIN,
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(st.sampled_from(["from", "gap", "length", "x", ""]), inner, max_size=3)
    ),
    max_leaves=8,
)


def _read(read, content, **more):
    """Read it, or see it refused in lines that can be printed; tell which."""
    try:
        scenario = read(content, **more)
    except FeedsimError as error:
        if not error.faults or not all(line.isprintable() for line in error.lines):
            raise
        return False
    assert scenario_from_dict(scenario_to_dict(scenario)) == scenario
    return True


def test_the_reading_of_these_tests_tells_right_from_wrong():
    assert _read(scenario_from_text, BASE)
    assert not _read(scenario_from_text, BASE + "x")


@settings(max_examples=300)
@given(st.lists(st.tuples(st.sampled_from(PATHS), VALUES), min_size=1, max_size=4))
def test_any_value_at_any_key(changes):
    data = copy.deepcopy(DATA)
    for path, value in changes:
        here = data
        try:
            for part in path[:-1]:
                here = here[part]
            here[path[-1]] = value
        except (TypeError, KeyError, IndexError):  # an earlier change took the place away
            continue
    _read(scenario_from_dict, data)


@settings(max_examples=100)
@given(st.dictionaries(st.sampled_from([name for _, name in RECORD]), VALUES), VALUES, VALUES)
def test_any_value_beside_a_record(values, pitch, arrival):
    data = copy.deepcopy(DATA)
    carrier = {"length": "210 mm", "arrival": "recorded", "record": ["1 m"]} | values
    _read(scenario_from_dict, {**data, "carrier": carrier})
    _read(scenario_from_dict, {**data, "carrier": carrier | {"pitch": pitch}})
    _read(scenario_from_dict, {**data, "carrier": carrier | {"arrival": arrival}})


@settings(max_examples=150)
@given(st.integers(0, len(BASE) - 1), st.integers(0, 12), st.text(max_size=4))
def test_any_slip_of_the_keyboard(start, gone, typed):
    _read(scenario_from_text, BASE[:start] + typed + BASE[start + gone :])


@settings(max_examples=150)
@given(st.sampled_from(PATHS), st.text(max_size=8), st.text(max_size=20))
def test_any_override(path, tail, value):
    override = ".".join(map(str, path)) + f"{tail}={value}"
    _read(scenario_from_text, BASE, overrides=[override])
