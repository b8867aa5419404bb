"""Errors of the interface for Python: arguments by their own names, and what goes elsewhere."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import feedsim

SCENARIOS = Path(__file__).parents[2] / "scenarios"
CARD = SCENARIOS / "membership_card.toml"


@pytest.fixture(scope="module")
def line() -> feedsim.Line:
    return feedsim.load(CARD, {"run.carriers": 60})


@pytest.mark.parametrize(
    ("ask", "key", "says"),
    [
        (lambda line: feedsim.sweep(line, speeds="abc"), "speeds", "found 'abc'"),
        (lambda line: feedsim.budget(line, "abc"), "speeds", "found 'abc'"),
        (lambda line: feedsim.drive(line, "abc"), "speeds", "found 'abc'"),
        (lambda line: feedsim.trial_plan(line, "abc"), "speeds", "found 'abc'"),
        (lambda line: feedsim.sweep(line, vary=["abc"]), "vary", "found 'abc'"),
        (lambda line: feedsim.sweep(line, vary=["line.speed=abc"]), "vary", "found 'abc'"),
        (
            lambda line: feedsim.sweep(line, vary=["feeder.0.insert.gap=1,2 s"]),
            "vary feeder.0.insert.gap=1 s",
            "needs a length",
        ),
        (lambda line: feedsim.sweep(line, jobs=0), "jobs", "at least 1"),
        (lambda line: feedsim.sweep(line, cluster="there"), "cluster", "found 'there'"),
        (
            lambda line: feedsim.sweep(line, "1:100:1 m/min", pages=True),
            "pages",
            "found 100 points",
        ),
        (feedsim.compare, "lines", "or but=['KEY=VALUE'] for a change"),
        (lambda line: feedsim.compare(line, but=["abc: "]), "but", "KEY=VALUE; KEY=VALUE"),
        (
            lambda line: feedsim.compare(line, but=["line.speed=80 m/min"]),
            "but line.speed",
            "give it with line.but, or speeds",
        ),
        (lambda line: feedsim.limit(line, within="60 %"), "within", "found '60 %'; needs a share"),
        (lambda line: feedsim.limit(line, within=0.6), "within", "found 60 %"),
        (lambda line: feedsim.limit(line, at_most=1), "at_most", "(run.carriers)"),
        (lambda line: feedsim.explain(line, 99999), "carrier", "found 99999"),
        (lambda line: feedsim.explain(line, 1, feeder=3), "feeder", "found 3"),
        (feedsim.explain, "", "explain needs one of carrier and first"),
        (lambda line: feedsim.run(line, around=99999), "around", "found 99999"),
        (lambda line: feedsim.rehearse(line, start=99999), "start", "found 99999"),
        (lambda line: feedsim.rehearse(line, count=0), "count", "found 0"),
        (
            lambda line: feedsim.rehearse(line, around=1, first_miss=True),
            "first_miss",
            "does not go with around",
        ),
        (lambda line: feedsim.rehearse(line, line, line), "lines", "shows one scenario or two"),
        (lambda line: feedsim.trial_plan(line, confidence=2.0), "confidence", "found 200 %"),
        (lambda line: feedsim.trial_plan(line, spread_within="1 %"), "spread_within", "'1 %'"),
        (
            lambda _: feedsim.trial_fit(
                feedsim.load(SCENARIOS / "trial_reply_card.toml"),
                SCENARIOS / "trial_reply_card.csv",
                without={99999},
            ),
            "without",
            "nothing was read from row 99999",
        ),
        (feedsim.tune, "tune", "give [[tune.knob]] in the scenario, or knobs"),
        (lambda line: feedsim.tune(line, knobs=["abc"]), "knobs", 'found "abc"'),
        (lambda line: feedsim.tune(line, unsure=["abc"]), "unsure", 'found "abc"'),
        (lambda line: line.save(CARD), str(CARD), "this file exists; force=True overwrites it"),
    ],
)
def test_errors_name_arguments_as_python_does(ask, key, says, line):
    """Not by the options of the command, whose own texts are held by ``tests/cli``."""
    with pytest.raises(feedsim.FeedsimError) as caught:
        ask(line)
    fault = caught.value.faults[0]
    assert fault.key == key
    assert says in fault.message
    assert "--" not in str(caught.value)


def test_a_share_is_a_fraction_or_a_text_with_its_unit(line):
    half, text = (feedsim.limit(line, within=w, at_most=5000) for w in (0.5, "50 %"))
    assert half.plain() == text.plain()
    assert feedsim.trial_plan(line, confidence="90 %", spread_within="50 %").plain() == (
        feedsim.trial_plan(line, confidence=0.9, spread_within=0.5).plain()
    )


def test_a_key_of_the_line_is_no_argument_and_is_told_where_it_goes(line):
    for ask, name, change in (
        (lambda: feedsim.run(line, carriers=0), "carriers", "line.but({'run.carriers': 0})"),
        (lambda: feedsim.sweep(line, seed=3), "seed", "line.but({'seed': 3})"),
        (lambda: feedsim.explain(line, 3, speed="9 m/min"), "speed", "{'line.speed': '9 m/min'}"),
    ):
        with pytest.raises(feedsim.FeedsimError) as caught:
            ask()
        assert isinstance(caught.value, TypeError)
        (fault,) = caught.value.faults
        assert fault.key == name
        assert change in fault.message
    with pytest.raises(TypeError, match="unexpected keyword argument 'sed'"):
        feedsim.run(line, sed=3)


def test_every_argument_that_is_an_option_is_called_as_the_command_has_it():
    """Each name that messages use, against the options that typer knows."""
    import typer

    from feedsim.cli.main import app
    from feedsim.cli.options import as_option
    from feedsim.errors import argument, arguments_named

    root = typer.main.get_command(app)
    commands = [*root.commands.values(), *root.commands["trial"].commands.values()]
    known = {name for command in commands for p in command.params for name in p.opts}
    said = set()
    for path in sorted((SCENARIOS.parent / "feedsim").rglob("*.py")):
        if path.parent.name != "cli":
            text = path.read_text("utf-8")
            said |= set(re.findall(r"\b(?:argument|share_of)\(['\"]([\w.]+)['\"]", text))
    assert len(said) > 20
    with arguments_named(as_option):
        options = {name: argument(name) for name in said}
    assert {o for o in options.values() if o not in known} == {"SCENARIO", "LOG"}
