"""A scenario as plain data reads back to exactly the same scenario; line speeds for a sweep."""

import json
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from feedsim.errors import FeedsimError
from feedsim.scenario import (
    at_line_speed,
    override,
    scenario_from_dict,
    scenario_from_text,
    scenario_to_dict,
    starter_text,
)
from tests.cli.bad_scenarios.table import BASE, changed

PROFILE = '[["1 s", "30 m/min"], ["2 s", "90 m/min"], ["3 s", "60 m/min"]]'


@pytest.mark.parametrize("text", [
    BASE,
    starter_text(),
    changed(("line/profile", PROFILE)),
    changed(("feeder.servo/loop_gain", '"inf 1/s"'), ("feeder.clutch/ramp", '"travel"'),
            ("feeder.clutch/ramp_in", '"0 mm"'), ("feeder.clutch/ramp_out", '"0.333333333 mm"')),
])  # fmt: skip
def test_there_and_back(text):
    scenario = scenario_from_text(text)
    data = scenario_to_dict(scenario)
    assert scenario_from_dict(data) == scenario
    assert scenario_from_dict(json.loads(json.dumps(data))) == scenario
    assert scenario_to_dict(scenario_from_dict(data)) == data


def test_plain_data_has_units():
    data = scenario_to_dict(scenario_from_text(changed(("line/profile", PROFILE))))
    assert data["line"]["speed"] == "1000 mm/s"
    assert data["line"]["profile"][0] == ["1 s", "500 mm/s"]
    assert data["line"]["encoder"]["counts_per_rev"] == 10000
    assert data["feeder"][0]["servo"]["velocity_feedforward"] == "80 %"
    assert data["feeder"][0]["clutch"]["ramp_in"] == "0.02 s"
    assert data["feeder"][0]["settings"]["engage_lead"] == "auto"
    assert data["acceptance"]["within_tolerance"] == "99.7 %"
    assert data["sweep"]["speeds"][1] == "1000 mm/s"


LENGTH = st.floats(1e-6, 1e9)
SHARE = st.floats(1e-12, 1.0) | st.just(0.0)


TIME = st.floats(1e-9, 5e5)
SPEED = st.floats(1e-3, 1e6)
UPDATES = st.fixed_dictionaries(
    {
        "feeder": st.fixed_dictionaries({"nose_limit": LENGTH}),
        "insert": st.fixed_dictionaries({"slip": LENGTH.map(lambda mm: -mm), "misfeed": SHARE}),
        "servo": st.fixed_dictionaries(
            {
                "loop_gain": st.floats(1e-3, 1e6) | st.just(math.inf),
                "max_acceleration": st.floats(1e-3, 1e9) | st.just(math.inf),
            }
        ),
        "clutch": st.fixed_dictionaries({"ramp": st.just("travel"), "ramp_in": LENGTH})
        | st.fixed_dictionaries({"ramp": st.just("time"), "ramp_in": TIME}),
        "settings": st.fixed_dictionaries(
            {
                "speed_ratio": st.floats(0.1, 10.0),
                "engage_lead": st.floats(-10.0, -1e-9) | st.just("auto"),
                "engage_distance": LENGTH | st.just("auto"),
            }
        ),
        "line": st.fixed_dictionaries(
            {
                "speed": SPEED,
                "profile": st.builds(lambda t, a, b: ((t, a), (t * 2, b)), TIME, SPEED, SPEED),
            }
        ),
    }
)


@settings(max_examples=100)
@given(UPDATES)
def test_every_float_comes_back_exactly(updates):
    base = scenario_from_text(BASE)
    feeder = base.feeder[0]
    inner = {
        name: getattr(feeder, name).model_copy(update=updates[name])
        for name in ("insert", "servo", "clutch", "settings")
    }
    feeder = feeder.model_copy(update=updates["feeder"] | inner)
    line = base.line.model_copy(update=updates["line"])
    scenario = base.model_copy(update={"line": line, "feeder": (feeder,)})
    assert scenario_from_dict(scenario_to_dict(scenario)) == scenario


def test_override_of_a_checked_scenario():
    scenario = scenario_from_text(BASE)
    faster = override(scenario, ["line.speed=80 m/min", "feeder.0.name=other"])
    assert faster.line.speed == pytest.approx(4000 / 3, rel=1e-15)
    assert faster.feeder[0].name == "other"
    assert faster.carrier == scenario.carrier
    assert scenario.line.speed == 1000.0
    with pytest.raises(FeedsimError, match="carriers would overlap"):
        override(scenario, ["carrier.pitch=200 mm"])


def test_another_line_speed():
    scenario = scenario_from_text(BASE)
    faster = at_line_speed(scenario, 2000.0)
    assert faster.line.speed == 2000.0
    assert at_line_speed(faster, 1000.0) == scenario
    assert scenario.line.speed == 1000.0


def test_another_line_speed_scales_the_profile_to_it():
    scenario = scenario_from_text(changed(("line/profile", PROFILE)))
    line = at_line_speed(scenario, 3000.0).line
    # Highest 90 m/min = 1500 mm/s becomes 3000 mm/s: twice everywhere.
    assert line.profile == ((1.0, 1000.0), (2.0, 3000.0), (3.0, 2000.0))
    assert line.speed == 3000.0


@given(speed=st.floats(1.0, 1e5))
def test_the_highest_speed_of_the_profile_is_exactly_the_new_one(speed):
    scenario = scenario_from_text(changed(("line/profile", PROFILE)))
    assert max(v for _, v in at_line_speed(scenario, speed).line.profile) == speed


@pytest.mark.parametrize("speed", [0.0, -1.0, math.nan])
def test_no_line_speed_of_nothing(speed):
    with pytest.raises(ValueError, match="not above 0"):
        at_line_speed(scenario_from_text(BASE), speed)
