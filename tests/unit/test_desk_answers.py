"""What the desk answers: the same numbers as the commands, and the faults in their words."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest

import feedsim
from feedsim.answers.run.summary import decision
from feedsim.scenario import json_schema
from feedsim.scenario.tree import node
from tests.desk_asked import SCENARIOS, Asked

CARD = SCENARIOS / "membership_card.toml"
TURNED = ["line.speed=90 m/min", "controller.motion_cycle=0.5 ms"]


@pytest.fixture(scope="module")
def asked() -> Asked:
    return Asked(CARD)


def test_a_run_says_what_the_command_prints(asked: Asked) -> None:
    told = asked.ask("run", TURNED, carriers=700)
    run = feedsim.run(feedsim.load(CARD, [*TURNED, "run.carriers=700"]))
    assert told["text"] == run.text()
    assert (told["verdict"]["words"], told["verdict"]["reasons"]) == decision(run.results)
    for row, line in zip(told["feeders"][0]["rows"], run.text().split("\n"), strict=False):
        assert row[2].split("\n")[0] in run.text(), line


def test_the_histogram_holds_each_placed_insert_once(asked: Asked) -> None:
    told = asked.ask("run", TURNED, carriers=700)["feeders"][0]["histogram"]
    run = feedsim.run(feedsim.load(CARD, [*TURNED, "run.carriers=700"]))
    errors = run.carriers["placement_error_mm"]
    errors = errors[np.isfinite(errors)]
    # NumPy's own histogram is the other opinion
    assert told["counts"] == np.histogram(errors, told["edges"])[0].tolist()
    assert sum(told["counts"]) + told["below"] + told["above"] == told["placed"] == len(errors)
    of_carrier = dict(
        zip(run.carriers["carrier"].tolist(), run.carriers["placement_error_mm"], strict=True)
    )
    for place, carriers in enumerate(told["carriers"]):
        assert len(carriers) == min(3, told["counts"][place])
        for carrier in carriers:
            assert told["edges"][place] <= of_carrier[carrier] <= told["edges"][place + 1]


def test_the_closed_forms_are_those_of_check_and_budget(asked: Asked) -> None:
    told = asked.ask("forms", TURNED)
    line = feedsim.load(CARD, TURNED)
    check = feedsim.check(line)
    assert told["warnings"] == check.review.warnings
    assert told["feeders"][0]["words"] == check.review.feeders[0].words
    assert told["feeders"][0]["warnings"] == check.review.feeders[0].warnings
    settings = check.review.feeders[0].settings
    autos = told["autos"]
    assert autos["feeder.0.settings.engage_distance"]["value"] == settings.engage_distance_mm
    assert autos["feeder.0.settings.engage_lead"]["value"] * 1e3 == pytest.approx(
        settings.engage_lead_ms, rel=1e-12
    )
    budget = told["feeders"][0]["budget"]
    # a variance is the sum of those of independent parts (JCGM 100:2008, 5.1.2)
    assert sum(s["mm"] ** 2 for s in budget["sources"]) == pytest.approx(budget["sd_mm"] ** 2)
    assert sum(s["share"] for s in budget["sources"]) == pytest.approx(1.0)


def test_what_is_wrong_is_told_at_its_knob_in_the_words_of_check(asked: Asked) -> None:
    wrong = ["line.speed=80", "feeder.0.insert.gap=5 s", "carrier.colour=red"]
    with pytest.raises(feedsim.FeedsimError) as error:
        feedsim.load(CARD, wrong)
    told = asked.lines("forms", wrong)[-1]["faults"]
    assert [fault["text"] for fault in told] == list(error.value.lines)
    knobs = asked.ask("knobs", wrong)
    at = {knob["path"]: knob for knob in knobs["knobs"]}
    said = {fault.key: fault.message for fault in error.value.faults}
    assert at["line.speed"]["fault"] == said["line.speed"]
    assert at["feeder.0.insert.gap"]["fault"] == said["feeder.0.insert.gap"]
    assert [k["path"] for k in knobs["knobs"] if k["fault"]] == [
        "line.speed",
        "feeder.0.insert.gap",
    ]
    assert len(knobs["faults"]) == 3


def leaves(schema: dict[str, Any], here: dict[str, Any], path: tuple[str, ...] = ()) -> set[str]:
    """Return the path of each key of a JSON Schema that holds no table, without old names."""
    if "$ref" in here:
        here = schema["$defs"][here["$ref"].rpartition("/")[2]]
    for inner in here.get("anyOf", ()):
        if "$ref" in inner:
            return leaves(schema, inner, path)
    if here.get("type") == "array" and "$ref" in here.get("items", {}):
        return {".".join(path)}
    if "properties" not in here or path[-1:] in {("speeds",), ("set",), ("clearing_time",)}:
        return {".".join(path)}
    found: set[str] = set()
    for name, inner in here["properties"].items():
        if not inner.get("deprecated"):
            found |= leaves(schema, inner, (*path, name))
    return found


def test_there_is_a_knob_for_every_key_of_the_json_schema(asked: Asked) -> None:
    schema = json_schema()
    wanted = leaves(schema, schema) - {"feeder"}
    feeder = schema["properties"]["feeder"]["items"]
    wanted |= {f"feeder.0.{key}" for key in leaves(schema, feeder)}
    found = [knob["path"] for knob in asked.ask("knobs")["knobs"]]
    assert sorted(found) == sorted(wanted)
    assert len(wanted) > 130


def test_each_knob_can_be_set_to_what_it_shows() -> None:
    for name in ("membership_card", "imperial", "stops", "two_feeders", "drive_sizing"):
        asked = Asked(SCENARIOS / f"{name}.toml")
        knobs = asked.ask("knobs")["knobs"]
        changes = [
            f"{k['path']}={k['value'] if k['kind'] != 'text' else json.dumps(k['value'])}"
            for k in knobs
            if k["given"] and not k["value"].endswith("…")
        ]
        assert len(changes) > 20
        line = feedsim.load(SCENARIOS / f"{name}.toml", changes)
        assert line.scenario == feedsim.load(SCENARIOS / f"{name}.toml").scenario


def test_a_slider_goes_about_what_stands_there_and_no_further_than_may_be(asked: Asked) -> None:
    sliders = 0
    for knob in asked.ask("knobs", TURNED)["knobs"]:
        span = knob["slider"]
        if span is None:
            continue
        sliders += 1
        assert span["low"] < span["high"], knob
        assert 0 < span["step"] <= span["big"] <= span["high"] - span["low"] + 1e-9, knob
        if knob["number"] is not None:
            assert span["low"] <= knob["number"] <= span["high"], knob
        found = node([part for part in knob["path"].split(".") if not part.isdecimal()])
        assert found is not None
        assert found.leaf is not None
        end = f"{span['high']:.12g}"
        if knob["kind"] == "quantity":
            found.leaf.read(f"{end} {knob['unit']}")
        else:
            found.leaf.read(int(end) if knob["kind"] == "whole" else float(end))
    assert sliders > 80


def test_the_dozen_that_matter_most_are_there_once_each(asked: Asked) -> None:
    ranks = sorted(k["rank"] for k in asked.ask("knobs")["knobs"] if k["rank"])
    assert ranks == list(range(1, 13))


def test_inches_are_answered_in_inches() -> None:
    asked = Asked(SCENARIOS / "imperial.toml")
    assert " in" in asked.ask("run", carriers=300)["feeders"][0]["rows"][0][2]
    assert asked.ask("run", carriers=300)["feeders"][0]["histogram"]["unit"] == "in"
    assert "mm" in asked.ask("run", carriers=300, units="metric")["feeders"][0]["rows"][0][2]
