"""The tune table: read, written, from options on one line, and refused where it is wrong."""

from __future__ import annotations

import re
from typing import Any

import jsonschema
import pytest

from feedsim.errors import FeedsimError
from feedsim.scenario import json_schema, scenario_from_dict, scenario_to_dict
from feedsim.scenario.reading import parse_toml
from feedsim.scenario.tune_text import knob_of, unsure_of, with_tune
from tests.tuning import PLAIN, tuning

STAGE = "feeder.0.settings.stage_position"


def test_a_table_is_written_as_it_is_read_and_fits_the_schema():
    text = f"""{PLAIN}
[tune]
aim = "spread"
speed = "70 m/min"
assurance = "90 %"
spend = 900
[[tune.knob]]
key = "{STAGE}"
values = {{from = "2 in", to = "3 in", step = "0.25 in"}}
price = 20
[[tune.knob]]
key = "carrier_eye.capture"
values = ["latched", "scanned"]
price = [0, 15.5]
[[tune.unsure]]
key = "carrier_eye.response"
between = ["0.5 ms", "1.2 ms"]
law = "triangular"
[[tune.unsure]]
key = "carrier.pitch"
by = "1 %"
"""
    data = parse_toml(text)
    scenario = scenario_from_dict(data)
    plain = scenario_to_dict(scenario)
    assert scenario_from_dict(plain) == scenario
    assert plain["tune"]["knob"] == [
        {"key": STAGE, "values": data["tune"]["knob"][0]["values"], "price": 20.0},
        data["tune"]["knob"][1],
    ]
    for each in (data, plain):
        jsonschema.validate(each, json_schema())


def test_a_line_without_the_table_writes_none():
    assert "tune" not in scenario_to_dict(scenario_from_dict(parse_toml(PLAIN)))


@pytest.mark.parametrize(("text", "values"), [
    ("a.b=40:90:1 mm", {"from": "40 mm", "to": "90 mm", "step": "1 mm"}),
    ("a.b=40:90 mm", {"from": "40 mm", "to": "90 mm"}),
    ("a.b=4 cm:90 mm:1 mm", {"from": "4 cm", "to": "90 mm", "step": "1 mm"}),
    ("a.b=0.9:1.1:0.01", {"from": 0.9, "to": 1.1, "step": 0.01}),
    ("a.b=0.5,1,2 ms", ["0.5 ms", "1 ms", "2 ms"]),
    ("a.b=latched, scanned", ["latched", "scanned"]),
    ("a.b=true,false", [True, False]),
    ("a.b=4,8", [4, 8]),
])  # fmt: skip
def test_a_knob_on_one_line(text: str, values: Any):
    assert knob_of(text) == {"key": "a.b", "values": values}


@pytest.mark.parametrize("text", ["", "a", "a=", "=1", "a=1:2:3:4 mm", "a=1,,2 mm"])
def test_what_is_no_knob(text: str):
    with pytest.raises(FeedsimError, match=r"^knobs: found .*; needs a key and its possible "):
        knob_of(text)


@pytest.mark.parametrize(("values", "hint"), [
    ("0,5 ms", 'write "0.5 ms" with a point, or if it is a list "0 ms, 5 ms"'),
    ("-1,5 mm", '"-1.5 mm" with a point, or if it is a list "-1 mm, 5 mm"'),
    ("0,5,1,0 ms", '"0.5 ms" with a point, or if it is a list "0 ms, 5 ms, 1 ms, 0 ms"'),
    ("0,9", '"0.9" with a point, or if it is a list "0, 9"'),
])  # fmt: skip
def test_a_decimal_comma_makes_no_list(values: str, hint: str):
    with pytest.raises(FeedsimError, match=f"^knobs: found .*{re.escape(hint)}$"):
        knob_of(f"a={values}")
    listed = hint.rsplit("list ", maxsplit=1)[1].strip('"')
    assert len(knob_of(f"a={listed}")["values"]) == listed.count(",") + 1


@pytest.mark.parametrize("text", ["a=±0.2 ms", "a=+-0.2 ms", "a=+/- 0.2 ms", "a=0.2 ms"])
def test_something_unsure_on_one_line(text: str):
    assert unsure_of(text) == {"key": "a", "by": "0.2 ms"}
    assert unsure_of(f"{text} normal") == {"key": "a", "by": "0.2 ms", "law": "normal"}


@pytest.mark.parametrize("text", ["a", "a=", "a=±", "a=± normal"])
def test_what_is_nothing_unsure(text: str):
    with pytest.raises(FeedsimError, match=r"^unsure: found "):
        unsure_of(text)


def test_an_option_takes_the_place_of_a_knob_of_the_same_key():
    data = parse_toml(f'{PLAIN}\n[tune]\n[[tune.knob]]\nkey = "{STAGE}"\nvalues = ["50 mm"]\n')
    more = with_tune(data, knobs=[f"{STAGE}=40:50:5 mm"], unsure=["carrier.slip=1 mm"], draws=30)
    assert [knob["key"] for knob in more["tune"]["knob"]] == [STAGE]
    assert scenario_from_dict(more).tune.draws == 30
    assert data["tune"]["knob"][0]["values"] == ["50 mm"]


KNOBS = [
    (f"{STAGE}n=40:90:1 mm", "tune.knob.0.key", 'the nearest in [feeder.settings] is "stage_'),
    ("feeder.0.settings=1,2", "tune.knob.0.key", "a key of the machine that holds a value"),
    ("feeder.1.insert.gap=1:2 mm", "tune.knob.0.key", "there is no such place"),
    ("run.carriers=100,200", "tune.knob.0.key", "a key of the machine"),
    ("acceptance.missed=1:2 %", "tune.knob.0.key", "a key of the machine"),
    ("line.speed=40:90 m/min", "tune.knob.0.key", "the line speed is no knob"),
    (f"{STAGE}=90:40:1 mm", "tune.knob.0.values.to", 'more than the value in "from"'),
    (f"{STAGE}=40:90:0 mm", "tune.knob.0.values.step", "a step above 0"),
    (f"{STAGE}=40:90:-1 mm", "tune.knob.0.values.step", "a step above 0"),
    (f"{STAGE}=40..90 mm", "tune.knob.0.values.0", 'found "40..90 mm"'),
    (f"{STAGE}=40-90 mm", "tune.knob.0.values.0", 'found "40-90 mm"'),
    (f"{STAGE}=40:90:1 ms", "tune.knob.0.values.from", "this is a time"),
    (f"{STAGE}=40:90:0.0001 mm", "tune.knob.0.values.step", "at most 10000 values"),
    (f"{STAGE}=40,50", "tune.knob.0.values.0", "a length with its unit"),
    (f"{STAGE}=50 mm,50 mm", "tune.knob.0.values", "each value once"),
    ("carrier_eye.capture=a,latched", "tune.knob.0.values.0", '"latched" or "scanned"'),
    ("carrier_eye.capture=latched:scanned", "tune.knob.0.values", "takes no range"),
]


@pytest.mark.parametrize(("knob", "key", "said"), KNOBS)
def test_a_knob_that_cannot_be(knob: str, key: str, said: str):
    with pytest.raises(FeedsimError) as caught:
        tuning(knobs=[knob])
    assert [fault.key for fault in caught.value.faults] == [key]
    assert said in str(caught.value)


UNSURE = [
    ("carrier_eye.response=0.2", ".by", "a time with its unit"),
    ("carrier_eye.response=0 ms", ".by", "more than 0"),
    ("carrier_eye.response=1 mm", ".by", "this is a length"),
    ("carrier_eye.capture=1", "", "a key that holds a quantity"),
    ("feeder.0.servo.max_acceleration=1 m/s^2", "", "not auto"),
    ("feeder.0.settings.engage_distance=1 mm", ".key", "is typed in, so it is known"),
    (f"{STAGE}=1 mm", ".key", "is typed in, so it is known"),
    ("line.encoder.counts_per_rev=2", "", "not auto or a count"),
    ("carrier_eye.respons=0.2 ms", ".key", 'the nearest in [carrier_eye] is "response"'),
]


@pytest.mark.parametrize(("unsure", "below", "said"), UNSURE)
def test_something_unsure_that_cannot_be(unsure: str, below: str, said: str):
    with pytest.raises(FeedsimError) as caught:
        tuning(knobs=[f"{STAGE}=40:90:1 mm"], unsure=[unsure])
    assert [fault.key for fault in caught.value.faults] == [f"tune.unsure.0{below}"]
    assert said in str(caught.value)


TABLES = [
    ({"aim": "yield"}, "tune.aim", '"speed" or "jam_risk"'),
    ({"speed": "70 m/min"}, "tune.speed", "only beside an aim at a given speed"),
    ({"assurance": "20 %"}, "tune.assurance", "50 % to 99.9 %"),
    ({"draws": 3}, "tune.draws", "20 to 100000"),
    ({"spend": -1}, "tune.spend", "a number, 0 to"),
    ({"knob": {"key": STAGE}}, "tune.knob", "in double brackets"),
    ({"knob": [{"key": STAGE}]}, "tune.knob.0.values", "a list of 1 to 200 values"),
    ({"knob": [{"key": STAGE, "values": {"from": "1 mm"}}]}, "tune.knob.0.values.to", "begins"),
    ({"knob": [{"key": STAGE, "values": ["1 mm"], "price": [1, 2]}]}, "tune.knob.0.price", "1 of"),
    ({"knob": [{"key": STAGE, "values": ["1 mm"]}] * 2}, "tune.knob.1.key", "a key of its own"),
    ({"unsure": [{"key": "carrier.slip"}]}, "tune.unsure.0", 'one of "by" and "between"'),
    (
        {"unsure": [{"key": "carrier.slip", "between": ["2 mm", "1 mm"]}]},
        "tune.unsure.0.between",
        "the lower value first",
    ),
    ({"unsure": [{"key": "carrier.slip", "by": "1 mm", "law": "x"}]}, "tune.unsure.0.law", '"nor'),
]


@pytest.mark.parametrize(("table", "key", "said"), TABLES)
def test_a_table_that_cannot_be(table: dict[str, Any], key: str, said: str):
    with pytest.raises(FeedsimError) as caught:
        scenario_from_dict({**parse_toml(PLAIN), "tune": table})
    assert key in [fault.key for fault in caught.value.faults]
    assert said in str(caught.value)
