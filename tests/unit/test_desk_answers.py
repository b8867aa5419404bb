"""What the desk answers: the same numbers as the commands, and the faults in their words."""

from __future__ import annotations

import json
import re
import shlex
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

import feedsim
from feedsim.answers.limit.study.closed import in_closed_form
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
    words, reasons = decision(run.results)
    assert "(--carriers " in " ".join(reasons)  # which a page has no place for
    assert told["verdict"]["words"] == words
    assert told["verdict"]["reasons"] == [re.sub(r" \(--carriers \d+\)", "", r) for r in reasons]
    for row, line in zip(told["feeders"][0]["rows"], run.text().split("\n"), strict=False):
        assert row[2].split("\n")[0] in run.text(), line


def test_no_option_of_a_command_is_named_on_the_page(asked: Asked) -> None:
    """But in what is said to be a command, or to be what a command prints."""

    def said(answer: Any, key: str = "") -> Iterator[str]:
        if isinstance(answer, dict):
            for name, inner in answer.items():
                yield from said(inner, name)
        elif isinstance(answer, list):
            for inner in answer:
                yield from said(inner, key)
        elif isinstance(answer, str) and key not in {"command", "document"}:
            yield answer

    nothing = ["feeder.0.eye.missed=0 %", "carrier_eye.missed=0 %", "feeder.0.insert.double=0 %"]
    answers = [
        asked.lines("run", TURNED, carriers=700)[-1],
        asked.lines("forms", TURNED)[-1],
        asked.lines("speeds", TURNED)[-1],
        asked.lines("playing", nothing, carriers=60, miss=True)[-1],
        asked.lines("playing", carriers=60, around=9999)[-1],
        asked.lines("story", carriers=60, carrier=9999)[-1],
        asked.lines("story")[-1],
        asked.lines("story", carriers=60, carrier=3, feeder=9)[-1],
        asked.lines("limit", within="90 %")[-1],
    ]
    assert sum("faults" in answer for answer in answers) == 6
    del answers[0]["answer"]["text"]  # as it is printed
    for text in said(answers):
        assert "--" not in text


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
    assert told["not_counted"] == []
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


def test_the_verdict_names_the_speed_that_it_is_of() -> None:
    # the highest that the profile of the file comes to, not the line speed
    asked = Asked(SCENARIOS / "from_standstill.toml")
    told = asked.ask("forms", ["line.speed=30 m/min"])
    assert told["of"] == "closed form at 60 m/min, the highest of line.profile"
    assert told["verdict"]["words"] == f"Accepted in {told['of']}."
    assert told["line_speed"]["text"] == "30 m/min"
    assert asked.ask("speeds", ["line.speed=30 m/min"])["line_speed"]["text"] == "60 m/min"


def test_with_a_profile_every_closed_form_is_of_its_highest_speed() -> None:
    """A line that always runs at that speed, with the same settings typed in, says the same."""
    asked = Asked(SCENARIOS / "from_standstill.toml")
    typed = [
        f"feeder.0.settings.{d}gage_{what}"
        for d in ("en", "disen")
        for what in ("distance", "lead")
    ]
    settings = [
        f"{key}={v}" for key, v in zip(typed, ("360 mm", "12 ms", "60 mm", "12 ms"), strict=True)
    ]
    there = asked.ask("forms", ["line.speed=30 m/min", *settings])["feeders"][0]
    steady = asked.ask("forms", ["line.speed=60 m/min", "line.profile=[]", *settings])["feeders"][0]
    for part in ("figures", "margins", "budget"):
        assert there[part] == steady[part], part
    # a pitch of 280 mm at 1000 mm/s
    assert there["margins"][2]["of_s"] == pytest.approx(0.28)


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
    knobs = {knob["path"]: knob for knob in asked.ask("knobs")["knobs"]}
    assert knobs["limits.overhang"]["value"] == "0 in"  # not in the file
    assert [path for path, knob in knobs.items() if knob["value"].startswith("0 mm")] == []
    assert knobs["feeder.0.insert.min_gap"]["unit"].strip() == "in"
    card = Asked(CARD).ask("knobs")["knobs"]
    assert "0 mm" in {knob["value"] for knob in card}


PINNED = {"changes": ["controller.motion_cycle=2 ms", "seed=9"]}


def test_a_pinned_line_is_compared_on_the_same_cards(asked: Asked) -> None:
    pinned = {"text": asked.desk.files[0].text, **PINNED}
    told = asked.ask("against", TURNED, carriers=600, a=pinned)
    now = feedsim.load(CARD, [*TURNED, "run.carriers=600"])
    other = feedsim.load(CARD, ["controller.motion_cycle=2 ms", "run.carriers=600"])
    assert told["now"]["text"] == feedsim.run(now).text()
    assert told["a"]["text"] == feedsim.run(other).text()  # with the seed of now
    # at one line speed `compare` holds the same two setups against each other
    same = asked.ask("against", ["controller.motion_cycle=1 ms"], carriers=600, a=pinned)
    compared = feedsim.compare(other, but=["controller.motion_cycle=1 ms"], speeds="60,61 m/min")
    wanted = compared.points[0].differences[0].feeders[0]
    found = {d["figure"]: d for d in same["feeders"][0]["differences"]}
    assert found["Spread"]["difference"] == wanted.placement_sd.difference_mm
    assert [found["Spread"]["low"], found["Spread"]["high"]] == list(wanted.placement_sd.ci95_mm)
    assert found["Missed"]["difference"] == wanted.missed.difference
    assert found["Spread"]["better"] == "now"  # a tick is a source of spread


def test_what_no_closed_form_knows_is_told() -> None:
    (told,) = Asked(SCENARIOS / "stops.toml").ask("forms")["not_counted"]
    for key in ("[supervision]", "[[fault]]", "[[adjust]]", "insert.magazine"):
        assert key in told
    assert Asked(SCENARIOS / "stops.toml").ask("speeds")["not_counted"] == [told]


def test_a_share_just_above_what_may_be_is_not_told_as_that(asked: Asked) -> None:
    told = asked.ask("forms", ["carrier_eye.missed=0.07002 %"])["feeders"][0]["warnings"]
    (said,) = [words for words in told if "carriers are missed" in words]
    assert said.startswith("0.1001 %")
    assert "0.1 % is allowed: " in said
    assert said.count("0.1 %") == 1


def test_a_line_in_inches_is_told_of_its_faults_in_inches() -> None:
    asked = Asked(SCENARIOS / "imperial.toml")
    wrong = ["feeder.0.insert.gap=5 s", "line.speed=80", "carrier.pitch=0.5 in"]
    texts = [fault["text"] for fault in asked.lines("forms", wrong)[-1]["faults"]]
    assert len(texts) == 3
    for text in texts:
        assert "mm" not in text
        assert "m/min" not in text
    assert 'write "80 ft/min"' in " ".join(texts)
    free = {knob["path"]: knob["unit"] for knob in asked.ask("knobs")["knobs"]}
    assert free["divert.at"] == "in"


def test_two_lines_at_speeds_of_their_own_are_not_told_to_run_at_one(asked: Asked) -> None:
    pinned = {"text": asked.desk.files[0].text, "changes": ["line.speed=60 m/min"]}
    for at, notes in (("90", ["A runs at 60 m/min, now at 90 m/min."]), ("60", [])):
        turned = [f"line.speed={at} m/min", "controller.motion_cycle=0.5 ms"]
        told = asked.ask("against", turned, carriers=300, a=pinned)
        said = [one for word in told["feeders"][0]["words"] for one in word["said"]]
        assert told["notes"] == notes
        assert len(said) == 5
        assert [f" at {at} m/min" in one for one in said] == [not notes] * 5


def test_a_line_against_itself_differs_in_nothing(asked: Asked) -> None:
    pinned = {"text": asked.desk.files[0].text, "changes": TURNED}
    told = asked.ask("against", TURNED, carriers=300, a=pinned)
    assert {d["better"] for d in told["feeders"][0]["differences"]} == {None}
    assert {d["difference"] for d in told["feeders"][0]["differences"]} == {0.0}


def test_what_two_lines_share_is_told(asked: Asked) -> None:
    text = asked.desk.files[0].text
    for changes, shared in (
        (["line.speed=70 m/min", "controller.scan=4 ms"], "on the same carriers"),
        (["carrier.pitch_sd=3 mm"], "with the same random numbers; not the same are the carriers"),
    ):
        told = asked.ask("against", carriers=60, a={"text": text, "changes": changes})
        assert told["shared"] == shared
    other = (SCENARIOS / "imperial.toml").read_text("utf-8")
    told = asked.ask("against", carriers=60, a={"text": other})["shared"]
    assert "same carriers" not in told
    assert "the carriers, the carrier eye, the inserts and the insert eyes" in told


def test_what_cannot_be_compared_is_told(asked: Asked) -> None:
    two = (SCENARIOS / "two_feeders.toml").read_text("utf-8")
    faults = asked.lines("against", carriers=100, a={"text": two})[-1]["faults"]
    assert faults[0]["path"] == "feeder"
    assert asked.lines("against", carriers=100)[-1]["faults"][0]["path"] == "a"


def test_the_highest_speeds_are_those_of_the_limit() -> None:
    imperial = SCENARIOS / "imperial.toml"
    told = Asked(imperial).ask("speeds", ["line.speed=500 ft/min"])
    closed = in_closed_form(feedsim.load(imperial).scenario)
    assert told["highest"]["mm_s"] == pytest.approx(closed.limit_mm_s, rel=1e-6)
    assert [bar["mm_s"] for bar in told["bars"]] == sorted(bar["mm_s"] for bar in told["bars"])
    assert told["bars"][0]["below_line_speed"]
    assert not told["bars"][-1]["below_line_speed"]
    names = {bar["mechanism"] for bar in told["bars"]} | set(told["free"])
    assert len(names) == len(told["free"]) + len(told["bars"])


def test_a_stretch_of_the_run_plays_with_the_new_values(asked: Asked) -> None:
    told = asked.ask("playing", TURNED, carriers=300, around=100)
    assert "carriers 90 to 110" in told["words"]
    document = told["document"]
    assert '"line_speed_mm_s":1500.0' in document
    assert "<style" not in document
    assert "style=" not in document
    for script in re.findall(r"<script[^>]*>", document):
        assert 'type="application/json"' in script or 'src="/page/playing.js"' in script
    assert asked.get("/page/playing.js").status == asked.get("/page/playing.css").status == 200
    mailed = asked.ask("mail", TURNED, carriers=300, around=100)
    page = feedsim.rehearse(feedsim.load(CARD, [*TURNED, "run.carriers=300"]), around=100)
    named = replace(page.lines[0], changes=tuple(TURNED))  # how many run was not turned
    assert mailed["document"] == replace(page, lines=(named,)).html()
    assert mailed["document"] != page.html()


def test_two_lines_play_on_one_clock(asked: Asked) -> None:
    pinned = {"text": asked.desk.files[0].text, **PINNED}
    told = asked.ask("playing", TURNED, carriers=300, around=100, a=pinned)
    assert "controller.motion_cycle" in told["document"]


def test_a_carrier_s_story_is_that_of_explain(asked: Asked) -> None:
    told = asked.ask("story", TURNED, carriers=600, carrier=423)
    line = feedsim.load(CARD, [*TURNED, "run.carriers=600"])
    assert told["text"] == feedsim.run(line).explain(423).text()
    first = asked.ask("story", TURNED, carriers=600, miss=True)
    assert first["carrier"] == 423
    assert first["text"] == told["text"]
    none = asked.lines("story", TURNED, carriers=600, carrier=9999)[-1]
    assert none["faults"]


def test_the_sheet_is_that_of_setup() -> None:
    bench = SCENARIOS / "bench.toml"
    told = Asked(bench).ask("sheet")
    files = feedsim.setup(feedsim.load(bench)).files()
    assert told["document"].encode() == files["setup.html"]
    assert "Other than in" not in told["document"]


def test_what_is_taken_along_says_what_was_turned(asked: Asked) -> None:
    told = asked.ask("sheet", TURNED)
    assert told["name"] == (
        "membership_card_line.speed-90-m-min_controller.motion_cycle-0.5-ms_setup.html"
    )
    said = "line.speed = 90 m/min; controller.motion_cycle = 0.5 ms."
    for page in (told["document"].partition("<h2")[0], told["text"].partition("type in")[0]):
        assert said in " ".join(page.split())
    mailed = asked.ask("mail", TURNED, carriers=60, count=5)["name"]
    assert mailed == told["name"].replace("setup", "rehearse")
    pinned = {"text": asked.desk.files[0].text}
    both = asked.ask("mail", TURNED, carriers=60, count=5, a=pinned)["name"]
    assert both == mailed
    many = [f"feeder.0.insert.{key}" for key in ("gap=71 mm", "misfeed=1 %", "double=1 %")]
    named = asked.ask("sheet", [*TURNED, *many, 'title="../a b<c>"'])["name"]
    assert named.endswith("_and-3-more_setup.html")
    assert re.fullmatch(r"[\w.+-]+", named)


def test_the_command_gives_the_same_numbers(asked: Asked) -> None:
    changes = [*TURNED, 'title="one; two"', "carrier.pitch=261 mm"]
    told = asked.ask("command", changes, carriers=250)
    assert told["same_file"]
    words = shlex.split(told["commands"][0]["command"])
    assert words[:2] == ["feedsim", "run"]
    overrides = [words[n + 1] for n, word in enumerate(words) if word == "--set"]
    assert overrides == changes
    assert words[-2:] == ["--carriers", "250"]
    assert asked.ask("run", changes, carriers=250)["command"] == told["commands"][0]["command"]
    other = asked.question("command")
    other["text"] += "\n# changed\n"
    assert not json.loads(asked.post(other).body)["answer"]["same_file"]


def test_a_line_that_may_stop_begins_with_fewer_carriers(asked: Asked) -> None:
    assert asked.ask("forms")["rounds"][0] == asked.get("/state").json["rounds"][0] == 5000
    assert asked.ask("forms", ["supervision.jam=true"])["rounds"][0] < 5000


def test_what_is_infinite_or_missing_is_told_as_nothing(asked: Asked) -> None:
    """JSON has no infinity and no NaN: a browser would not read them."""
    endless = [
        "feeder.0.servo.loop_gain=inf 1/s",
        "feeder.0.servo.max_acceleration=inf m/s^2",
        "feeder.0.clutch.ramp_in=0 ms",
        "feeder.0.clutch.ramp_out=0 ms",
    ]
    nothing = ["feeder.0.insert.misfeed=100 %", "controller.search_limit=1 m"]
    for changes in (endless, nothing, ["carrier_eye.missed=100 %"]):
        for what in ("knobs", "forms", "run", "playing"):
            got = asked.post(asked.question(what, changes, carriers=60, count=5))
            for line in got.body.splitlines():
                told = json.loads(line, parse_constant=pytest.fail)
            assert "answer" in told, (what, changes, told)
        pinned = {"text": asked.desk.files[0].text}
        assert asked.ask("against", changes, carriers=60, a=pinned)
