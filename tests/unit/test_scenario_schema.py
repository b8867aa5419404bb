"""The JSON Schema accepts what is correct, refuses what is wrong, and says what keys are for."""

import tomllib
from collections.abc import Iterator
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from feedsim.scenario import json_schema, scenario_from_text, scenario_to_dict, starter_text
from tests.cli.bad_scenarios.table import BASE, changed
from tests.unit.test_scenario_reading import SHORTEST

SCHEMA = json_schema()
VALIDATOR = Draft202012Validator(SCHEMA)
RECORDED: list[tuple[str, str | None]] = [
    ("carrier/arrival", '"recorded"'),
    ("carrier/record", '["260 mm", "261.5 mm"]'),
    *((f"carrier/{key}", None) for key in ("pitch", "pitch_sd", "min_gap", "missing")),
]
RIGHT = [
    changed(*RECORDED),
    changed(*RECORDED, ("carrier/after_record", '"end"'), ("run/warm_up", "1")),
    BASE,
    starter_text(),
    SHORTEST,
    changed(("line/profile", '[["0 s", "0 m/min"], ["5 s", "60 m/min"]]')),
    changed(("sweep/speeds", '{from = "2 m/min", to = "9 m/min", step = "1 m/min"}')),
    BASE + '\n[product]\nneeds = "all"\nmay_overlap = false\n',
    BASE + '\n[divert]\nat = "900 mm"\nlate = true\n',
    changed(("feeder.servo/loop_gain", '"inf 1/s"'), ("feeder.settings/engage_lead", '"3 ms"')),
]


def test_it_is_a_schema_of_the_draft_it_names():
    assert SCHEMA["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    Draft202012Validator.check_schema(SCHEMA)


@pytest.mark.parametrize("text", RIGHT)
def test_correct_scenarios_are_accepted(text):
    VALIDATOR.validate(tomllib.loads(text))
    VALIDATOR.validate(scenario_to_dict(scenario_from_text(text)))


def test_a_record_may_be_a_file_whose_eye_times_have_a_speed():
    times = (*RECORDED, ("carrier/record", '"t.csv"'), ("carrier/record_speed", '"60 m/min"'))
    VALIDATOR.validate(tomllib.loads(changed(*times)))


@pytest.mark.parametrize("text", [
    "",
    changed(("line/speed", None)),
    changed(("line/speed", "60")),
    changed(("line/speed", '"60"')),
    changed(("line/speed", '"fast"')),
    changed(("line/speed", '"inf m/min"')),
    changed(("line/sped", '"60 m/min"')),
    changed(("acceptance/missed", '"5 mm"')),
    changed(("run/carriers", "0")),
    changed(("run/carriers", '"5"')),
    changed(("carrier/arrival", '"recorded"')),
    changed(("carrier/pitch", None)),
    changed(("carrier/after_record", '"repeat"')),
    changed(*RECORDED, ("carrier/record", None)),
    changed(*RECORDED, ("carrier/record", "[]")),
    changed(*RECORDED, ("carrier/record", '["260"]')),
    changed(*RECORDED, ("carrier/pitch", '"260 mm"')),
    changed(*RECORDED, ("carrier/record_speed", '"60 m/min"')),
    changed(("feeder.settings/stage_correction", "1")),
    changed(("feeder.settings/engage_distance", '"automatic"')),
    changed(("line/profile", '[["0 s", "0 m/min"]]')),
    changed(("sweep/speeds", "{}")),
    changed(("feeder.insert/magazine", '"1"')),
    BASE + "\n[supervision]\nmisses = 1\n",
    BASE + "\n[product]\nneeds = []\n",
    BASE + '\n[[product.pair]]\nbelow = "a"\n',
    BASE + '\n[divert]\ngate_time = "5 ms"\n',
    BASE + '\n[divert]\nat = 900\n',
    BASE + '\n[[adjust]]\nat = "1 s"\nset = {}\n',
    BASE[: BASE.index("[[feeder]]")],
    "feeder = []\n" + BASE[: BASE.index("[[feeder]]")],
])  # fmt: skip
def test_wrong_scenarios_are_refused(text):
    assert not VALIDATOR.is_valid(tomllib.loads(text))


def _properties(schema: Any) -> Iterator[tuple[str, dict[str, Any]]]:
    for name, inner in schema.get("$defs", {}).items():
        yield from ((f"{name}.{key}", value) for key, value in inner["properties"].items())
    yield from schema["properties"].items()


DEPENDS_ON_ARRIVAL = {"Carrier.pitch", "Carrier.record", "Carrier.record_speed"}
ONE_OF_TWO = {
    f"{table}.{name}" for table in ("PlannedFault", "Adjust") for name in ("at", "carrier")
}
MAY_BE_NONE = {"PlannedFault.duration", "ProductPair.min_overlap", "ProductPair.max_overlap"}
MAY_BE_NONE |= {"TuneKeys.speed", "TuneKeys.spend", "TuneUnsure.by", "TuneUnsure.between"}
NO_DEFAULT = DEPENDS_ON_ARRIVAL | ONE_OF_TWO | MAY_BE_NONE


def test_every_key_has_a_description_and_a_default_or_is_required():
    required = set(SCHEMA["required"])
    for name, inner in SCHEMA["$defs"].items():
        required |= {f"{name}.{key}" for key in inner.get("required", [])}
        assert inner["additionalProperties"] is False
        assert inner["description"]
    checked = 0
    for name, value in _properties(SCHEMA):
        if "$ref" in value:  # a table, described at its own place
            continue
        assert len(value["description"]) > 10, name
        if name in NO_DEFAULT:
            assert "default" not in value, name
            assert name not in required, name
        else:
            assert ("default" in value) != (name in required), name
        checked += 1
    # counted in the description of the file, a photo-eye's keys once; 34 are those of a drive, 31
    # of what stops the line: 11 of supervision, 6 jams, 6 of a fault, 3 of a change, 3 of a
    # magazine, and the lists of faults and changes; 7 of the product: 2 and the list of pairs, 4
    # of a pair; 6 of the gate; 4 of the controller's steps; 15 of tune: 6 and its two lists, 3 of a
    # knob, 4 of what is unsure
    assert checked == 82 + 34 + 31 + 7 + 6 + 4 + 15


def test_defaults_are_shown_with_their_units():
    defaults = {name: value.get("default") for name, value in _properties(SCHEMA)}
    assert defaults["Eye.response"] == "0.5 ms"
    assert defaults["Controller.search_limit"] == "10 m"
    assert defaults["Servo.loop_gain"] == "200 1/s"
    assert defaults["Settings.engage_lead"] == "auto"
    assert defaults["RunKeys.carriers"] == 5000
