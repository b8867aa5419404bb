"""The interface for Python: what it offers, that it is quick to import, and what answers can do."""

from __future__ import annotations

import csv
import doctest
import inspect
import io
import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

import feedsim
from feedsim.answers.answer import Answer
from feedsim.answers.run.answer import Run
from feedsim.answers.run.tables import carriers_csv, counted_carriers

SCENARIOS = Path(__file__).parents[2] / "scenarios"
CARD = SCENARIOS / "membership_card.toml"
SHORT = {"run.carriers": 60}
HEAVY = ("numpy", "pydantic", "simpy", "matplotlib", "scipy", "pint", "rich", "typer")


@pytest.fixture(scope="module")
def line() -> feedsim.Line:
    return feedsim.load(CARD, SHORT)


@pytest.fixture(scope="module")
def ran(line: feedsim.Line):
    return feedsim.run(line)


def test_importing_it_imports_nothing_heavy():
    code = (
        f"import sys, feedsim; "
        f"print([m for m in {HEAVY!r} if m in sys.modules], 'run' in dir(feedsim))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["[]", "True"]


def test_every_name_it_offers_is_there_and_no_other():
    for name in feedsim.__all__:
        assert getattr(feedsim, name) is not None
    with pytest.raises(AttributeError, match="no attribute 'walk'"):
        feedsim.walk  # noqa: B018


def test_the_examples_of_the_guide_hold(monkeypatch):
    monkeypatch.chdir(SCENARIOS.parent)
    ended = doctest.testfile("feedsim/guide/python.md", module_relative=False)
    assert ended.attempted > 5
    assert ended.failed == 0


def test_a_line_is_changed_and_never_changes(line):
    faster = line.but({"line.speed": "80 m/min", "feeder.0.settings.stage_correction": True})
    assert faster.scenario.line.speed == pytest.approx(4000.0 / 3.0)
    assert faster.scenario.feeder[0].settings.stage_correction
    assert line.scenario.line.speed == 1000.0


@pytest.mark.parametrize("name", sorted(path.name for path in SCENARIOS.glob("*.toml")))
def test_a_line_that_is_written_reads_as_the_same(name, tmp_path):
    line = feedsim.load(SCENARIOS / name)
    assert feedsim.load(line.save(tmp_path / "line.toml")).scenario == line.scenario
    assert feedsim.Line.from_dict(line.to_dict()) == line
    assert line.but({"seed": line.scenario.seed + 1}) != line
    with pytest.raises(feedsim.FeedsimError, match="exists"):
        line.save(tmp_path / "line.toml")


def test_a_line_is_written_in_the_units_that_it_was_given_in(tmp_path):
    """Of what was written in inches, or changed to be, nothing becomes metric."""
    inch = feedsim.load(SCENARIOS / "imperial.toml", {"carrier.slip": "1/8 in"})
    changed = inch.but({"line.speed": "80 m/min", "feeder.0.insert.gap": "2 1/2 in"})
    saved = changed.save(tmp_path / "line.toml")
    again = feedsim.load(saved)
    assert (again.scenario, again.units) == (changed.scenario, "inch")
    text = saved.read_text()
    for value in ("1/8 in", "80 m/min", "2 1/2 in", "2 ft/s^2", "10 in"):
        assert f'"{value}"' in text
    assert ' mm"' not in text
    listed = inch.but({"fault": [{"carrier": 30, "kind": "carrier_jam"}]})
    assert feedsim.load(listed.save(tmp_path / "listed.toml")).scenario == listed.scenario


def test_a_file_that_is_no_scenario_is_named(tmp_path):
    path = tmp_path / "measured.csv"
    path.write_text("a;b\n1;2\n")
    with pytest.raises(feedsim.FeedsimError) as caught:
        feedsim.load(path)
    (fault,) = caught.value.faults
    assert fault.key == str(path)
    assert "line 1, column 2: not TOML" in fault.message
    assert fault.message.endswith("a scenario is a TOML file")


def test_wrong_input_comes_with_its_faults_as_data(line):
    with pytest.raises(feedsim.FeedsimError) as caught:
        line.but({"carrier.pitch": 260, "feeder.0.insert.gap": "-5 mm"})
    assert {fault.key for fault in caught.value.faults} == {"carrier.pitch", "feeder.0.insert.gap"}
    for value, name in ((object(), "object"), (1j, "complex"), ({1, 2}, "set")):
        says = f"found a value of type {name}; needs a text"
        with pytest.raises(feedsim.FeedsimError, match=says):
            line.but({"carrier.pitch": value})


def test_a_number_is_no_path(line):
    """``open`` takes a whole number as a descriptor: somebody's open file, then closed."""
    with pytest.raises(TypeError):
        feedsim.trial_fit(line, 3)
    with pytest.raises(TypeError):
        feedsim.load(3)
    with pytest.raises(feedsim.FeedsimError, match="found 3; needs the path"):
        feedsim.learn(line, 3)


def test_the_columns_of_a_run_are_those_of_its_file():
    two = feedsim.run(feedsim.load(SCENARIOS / "two_feeders.toml", SHORT))
    file = io.BytesIO()
    carriers_csv(two.ran.records, counted_carriers(two.ran.records))(file)
    rows = list(csv.DictReader(io.StringIO(file.getvalue().decode())))
    columns = two.carriers
    assert list(columns) == list(rows[0])
    assert {len(column) for column in columns.values()} == {len(rows)} == {2 * 60}
    assert [row["outcome"] for row in rows] == columns["outcome"].tolist()
    for name in ("carrier", "feeder", "placement_error_mm", "engage_time_s"):
        told = np.array([float(row[name] or "nan") for row in rows])
        np.testing.assert_array_equal(told, columns[name])


def test_a_run_says_and_saves_what_the_command_does(ran, tmp_path):
    assert str(ran).startswith("Membership card on A5 letter\n60 m/min, 60 carriers, seed 1")
    assert "<pre>Membership card" in ran._repr_html_()
    saved = ran.save(tmp_path / "out", units="inch")
    names = ["results.json", "carriers.csv"]
    names += [f"{what}.{kind}" for what in ("overview", "timing") for kind in ("png", "svg")]
    assert [path.name for path in saved] == names
    assert json.loads(saved[0].read_text()) == json.loads(json.dumps(ran.plain()))


def test_a_run_explains_its_carriers(ran):
    told = ran.explain(30)
    (story,) = told.stories()
    place = list(ran.carriers["carrier"]).index(30)
    parts = sum(part.error_mm for part in story.parts)
    assert parts == pytest.approx(ran.carriers["placement_error_mm"][place], abs=1e-9)
    assert "carrier 30 at card feeder" in str(told)


def test_a_sweep_has_a_row_for_each_point(line):
    swept = feedsim.sweep(line, "40:80:20 m/min")
    table = swept.tables()["sweep"]
    assert [round(0.06 * v) for v in table["line_speed_mm_s"]] == [40, 60, 80]
    single = feedsim.run(line.but({"line.speed": "80 m/min"}))
    error = single.feeders[0].placement_error
    assert table["placement_error_mean_mm"][2] == error.mean_mm
    assert list(swept.figures()) == ["sweep", "rows"]


def test_the_other_questions_have_answers_too(line):
    for answer, words in (
        (feedsim.check(line), "The line runs at 60 m/min"),
        (feedsim.setup(line), "SET-UP SHEET"),
        (feedsim.compare(line, but=["wide: feeder.0.insert.gap=80 mm"], speeds="60 m/min"), "wide"),
        (feedsim.budget(line, "60 m/min"), "error budget of the placement"),
        (feedsim.trial_plan(line), "Plan of a trial"),
        (feedsim.drive(feedsim.load(SCENARIOS / "drive_sizing.toml"), "30 m/min"), "RMS"),
        (feedsim.rehearse(line, count=3), "carriers 20 to 22"),
        (feedsim.limit(line, within=0.5, at_most=5000), "Simulated"),
    ):
        assert words in answer.text()
        assert json.loads(json.dumps(answer.plain())) is not None
        assert answer.text(units="inch")


def test_an_answer_at_a_prompt_is_one_line(line):
    assert repr(feedsim.check(line)) == "<Check: print() shows it>"
    for name in feedsim.__all__:
        getattr(feedsim, name)  # imports what it comes from
    kinds = Answer.__subclasses__()
    assert len(kinds) >= 14
    told = {kind.__repr__ for kind in kinds}
    assert told == {Answer.__repr__, Run.__repr__}


def test_a_trial_comes_back_as_changes():
    line = feedsim.load(SCENARIOS / "trial_reply_card.toml")
    fitted = feedsim.trial_fit(line, SCENARIOS / "trial_reply_card.csv")
    new = line.but(fitted.changes()).scenario.feeder[0].settings
    assert new.engage_lead == fitted.feeders[0].new.engage_lead_s
    assert new.engage_distance == fitted.feeders[0].new.engage_distance_mm


@pytest.mark.parametrize(
    ("logs", "options", "key"),
    [
        ((), {}, "logs"),
        ((3,), {}, "logs"),
        ((None,), {}, "logs"),
        (("log.csv",), {"trial": 3}, "trial"),
        (("log.csv",), {"rate_hz": "10 kHz"}, "rate_hz"),
        (("log.csv",), {"rate_hz": 0.0}, "rate_hz"),
        (("log.csv",), {"rate_hz": True}, "rate_hz"),
    ],
)
def test_learn_says_what_it_was_not_given(logs: tuple, options: dict, key: str) -> None:
    with pytest.raises(feedsim.FeedsimError) as error:
        feedsim.learn(feedsim.load("scenarios/learn_card.toml"), *logs, **options)
    assert error.value.faults[0].key == key


_GIVEN = {"path": CARD, "logs": SCENARIOS / "learn_card_60.csv", "data": CARD}


def _odd(kind: str) -> list[object]:
    """Things that people pass where something else is wanted; none fits an argument so named."""
    things: dict[str, object] = {
        "text": "scenarios/membership_card.toml",
        "path": CARD,
        "None": None,
        "number": 2.5,
        "dict": {"carrier.pitch": "300 mm"},
        "list": [CARD],
        "texts": ["60 m/min"],
        "bytes": b"60 m/min",
        "array": np.array([60.0]),
        "type": feedsim.Line,
        "yes": True,
    }
    fits = {
        "line": (),
        "lines": (),
        "path": ("text", "path"),
        "logs": ("text", "path"),
        "data": ("text", "path"),
        "trial": ("text", "path", "None"),
        "changes": ("dict", "texts"),
        "but": ("texts",),
        "vary": ("texts",),
        "knobs": ("texts",),
        "unsure": ("texts",),
        "without": ("array",),
        "made": ("None", "type"),
        "progress": ("None", "type"),
        "within": ("number", "text"),
        "confidence": ("number", "text"),
        "spread_within": ("number", "text"),
        "rate_hz": ("number", "None"),
        "spend": ("number", "None"),
        "speeds": ("text", "None"),
        "cluster": ("text", "None"),
        "speed": ("text", "None"),
        "assurance": ("text", "None"),
        "at_most": (),
        "replications": (),
        "what_if": ("yes",),
        "traced": ("yes",),
        "pages": ("yes",),
        "first_miss": ("yes",),
        "first_hazard": ("yes",),
        "keep_outliers": ("yes",),
    }.get(kind, ("None",))
    return [thing for name, thing in things.items() if name not in fits]


@pytest.mark.parametrize(
    "name", [name for name in feedsim.__all__ if name not in ("Fault", "FeedsimError", "Line")]
)
def test_an_argument_of_a_wrong_type_is_refused_in_words(name, line):
    """Before anything is done: a run of minutes that ends in an AttributeError helps nobody."""
    function = getattr(feedsim, name)
    signature = inspect.signature(function)
    needed = {
        key: _GIVEN.get(key, line)
        for key, p in signature.parameters.items()
        if p.default is p.empty
    }
    several = [k for k, p in signature.parameters.items() if p.kind is p.VAR_POSITIONAL]
    for key in signature.parameters:
        for odd in _odd(key):
            given = signature.bind_partial()
            wanted = {**needed, key: odd}
            given.arguments.update({k: (v,) if k in several else v for k, v in wanted.items()})
            with pytest.raises(feedsim.FeedsimError) as caught:
                function(*given.args, **given.kwargs)
            (fault,) = caught.value.faults
            assert isinstance(caught.value, TypeError)
            assert fault.key == key
            assert fault.found == repr(odd)[:60]
            assert fault.allowed.split()[0] in {"a", "the", "True"} or fault.allowed[0] == '"'


def test_lines_in_a_list_are_told_to_come_one_by_one(line):
    with pytest.raises(feedsim.FeedsimError, match=r"an argument of its own: compare\(\*lines\)"):
        feedsim.compare([line, line])
    with pytest.raises(TypeError, match="unexpected keyword argument 'speed'") as caught:
        feedsim.sweep(line, speed="60 m/min")
    assert caught.value.__context__ is None  # one traceback
    with pytest.raises(feedsim.FeedsimError, match="replications: found 0; needs 1 to 10000"):
        feedsim.run(line, replications=0)
    with pytest.raises(feedsim.FeedsimError, match="found 1001; needs at least 1, at most 1000"):
        feedsim.sweep(line, jobs=1001)


def test_a_line_is_made_of_nothing_but_a_scenario(line, ran):
    for odd in (CARD, None, {}, line):
        with pytest.raises(TypeError, match=r"feedsim\.load reads a line from a file"):
            feedsim.Line(odd)
    for wrong in (
        lambda: line.from_dict([1]),
        lambda: line.but(None),
        lambda: line.save(3),
        lambda: ran.text(units="foot"),
        lambda: ran.save(3),
        lambda: ran.explain("30"),
    ):
        with pytest.raises(TypeError, match=r"found .*; needs "):
            wrong()
