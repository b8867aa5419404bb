"""What answers hold as data is what their JSON Schema says, and nothing else passes."""

from __future__ import annotations

import json
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

import feedsim
from feedsim.answers import data
from feedsim.answers.compare import answer as compared
from feedsim.answers.data import data_of, names, read_as
from feedsim.answers.setup.study import sheet as set_up
from feedsim.answers.sweep import answer as swept
from feedsim.metrics.plain import as_object
from feedsim.metrics.results import Results
from feedsim.settings.cells import FASTEST_MM_S
from feedsim.settings.limits import Closed, Refused

described = cache(data.described)
SCENARIOS = Path(__file__).parents[2] / "scenarios"
REFUSED = Closed((), (Refused(1e3, 2e3, 1.5e3, 0.1, "missed"),), FASTEST_MM_S)


def line_of(file: str) -> feedsim.Line:
    return feedsim.load(SCENARIOS / file, {"run.carriers": 40, "run.warm_up": 2})


def answers(file: str) -> Iterator[tuple[str, Any]]:
    """Yield the cheaper answers to all questions about a line, under the names of their schemas."""
    line = line_of(file)
    ran = feedsim.run(line)
    yield "results", ran
    yield "check", feedsim.check(line)
    yield "explain", feedsim.explain(line, 20)
    yield "sweep", feedsim.sweep(line, "60 m/min", vary=["seed=1,2"])
    yield "compare", feedsim.compare(line, but=["other: title=x"], speeds="60 m/min")
    yield "setup", feedsim.setup(line)
    yield "budget", feedsim.budget(line, "60 m/min")
    yield "trial_plan", feedsim.trial_plan(line)
    if line.scenario.feeder[0].drive is not None:
        yield "drive", feedsim.drive(line, "30 m/min")


@pytest.fixture
def cheap(monkeypatch: pytest.MonkeyPatch) -> None:
    """Take what the closed forms say from here: it has one form, whatever the line is."""
    monkeypatch.setattr(swept, "closed_forms", lambda scenario: [REFUSED] * len(scenario.feeder))
    monkeypatch.setattr(set_up, "closed_forms", lambda scenario: [REFUSED] * len(scenario.feeder))
    monkeypatch.setattr(compared, "forms_of", lambda found, **_: [[REFUSED]] * len(found.setups))


@pytest.mark.parametrize("file", sorted(path.name for path in SCENARIOS.glob("*.toml")))
@pytest.mark.usefixtures("cheap")
def test_the_data_of_every_answer_is_what_its_schema_says(file: str) -> None:
    for name, answer in answers(file):
        Draft202012Validator(described(name)).validate(json.loads(answer.json()))


def test_the_data_of_a_limit_is_what_its_schema_says() -> None:
    found = feedsim.limit(line_of("membership_card.toml"), within=0.5, at_most=1000)
    assert found.closed_form
    Draft202012Validator(described("limit")).validate(json.loads(found.json()))


def test_the_data_of_a_fitted_trial_is_what_its_schema_says() -> None:
    line = feedsim.load(SCENARIOS / "trial_reply_card.toml")
    found = feedsim.trial_fit(line, SCENARIOS / "trial_reply_card.csv")
    Draft202012Validator(described("trial_fit")).validate(json.loads(found.json()))


@pytest.mark.parametrize("name", names())
def test_each_is_a_schema_that_knows_every_part(name: str) -> None:
    schema = described(name)
    Draft202012Validator.check_schema(schema)
    text = json.dumps(schema)
    for part in {part.partition('"')[0] for part in text.split('"$ref": "#/')[1:]}:
        at: Any = schema
        for step in part.split("/"):
            at = at[step]
    assert schema["description"]


def test_tells_of_a_field_what_the_docstring_of_its_class_says() -> None:
    read = described("learn")["$defs"]["LogRead"]["properties"]
    assert read["seconds"]["description"] == "Its length."  # of a line of its own
    fit = described("trial_fit")["properties"]  # of two fields in one sentence
    assert fit["error_step_mm"] == fit["stage_step_mm"]
    assert "were measured" in fit["stage_step_mm"]["description"]
    swept = described("sweep")["properties"]  # of a table of attributes
    assert swept["islands"]["description"] == "Speeds accepted above one that is not."


PLANTED = [
    (("seed",), "1"),
    (("accepted",), None),
    (("carriers",), 40.5),
    (("feeders", 0, "placement_error", "mean_mm"), "0.1"),
    (("feeders", 0, "placement_error", "mean_ci95_mm"), [0.1]),
    (("feeders", 0, "missed", "by_cause", "late_mark"), None),
    (("feeders", 0, "hazards", "double", "new_key"), 1),
    (("products", "complete", "ci95"), {"low": 0.0, "high": 1.0}),
    (("scenario", "line", "speed"), 60),
    (("scenario", "acceptance", "missed"), "5 mm"),
    (("new_key",), 1),
]


@pytest.mark.parametrize(("path", "value"), PLANTED)
def test_a_planted_key_or_type_is_refused(path: tuple[Any, ...], value: object) -> None:
    validator = Draft202012Validator(described("results"))
    data = json.loads(feedsim.run(line_of("membership_card.toml")).json())
    assert validator.is_valid(data)
    *above, last = path
    at = data
    for step in above:
        at = at[step]
    at[last] = value
    assert not validator.is_valid(data)


def test_a_key_that_is_missing_is_refused() -> None:
    validator = Draft202012Validator(described("results"))
    data = json.loads(feedsim.run(line_of("membership_card.toml")).json())
    del data["feeders"][0]["cycle"]["use"]
    assert [error.message for error in validator.iter_errors(data)] == [
        "'use' is a required property"
    ]


@pytest.mark.parametrize("file", ["stops.toml", "two_feeders.toml", "hand_fed.toml"])
def test_results_read_back_are_the_same_to_the_last_bit(file: str) -> None:
    results = feedsim.run(line_of(file)).results
    data = json.loads(json.dumps(data_of(Results, results)))
    again = read_as(Results, data)
    assert again == results
    assert json.dumps(as_object(again)) == json.dumps(as_object(results))
    data["feeders"][0]["placed"] = "many"
    with pytest.raises(ValueError, match="placed"):
        read_as(Results, data)
