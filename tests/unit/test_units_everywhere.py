"""Whatever a person reads of an answer is in the units asked for, and in no others."""

from __future__ import annotations

import html
import re
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path
from typing import Any
from unittest.mock import patch

import pytest
from matplotlib.text import Text

import feedsim
from feedsim.answers.answer import Answer
from feedsim.answers.rehearse.answer import Page
from feedsim.quantities import System
from feedsim.render import canvas

SCENARIOS = Path(__file__).parents[2] / "scenarios"
ALL = sorted(path.stem for path in SCENARIOS.glob("*.toml"))
INCHES = ("imperial",)  # for what takes long

KNOBS = ["feeder.0.settings.stage_position=2:2.6:0.3 in", "carrier_eye.capture=latched,scanned"]


def tuned(line: feedsim.Line) -> Answer:
    """Tune on the compiled engine: it runs many carriers, however few a run has."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("FEEDSIM_ENGINE", "compiled")
        few = line.but({"tune.knob": [], "tune.unsure": [], "tune.carriers": 200})
        return feedsim.tune(few, knobs=KNOBS, aim="spread")


FEW: dict[str, Any] = {"run.carriers": 40, "run.warm_up": 5}
ASKED: dict[str, tuple[Callable[[feedsim.Line], Answer], tuple[str, ...]]] = {
    "run": (feedsim.run, tuple(ALL)),
    "check": (feedsim.check, tuple(ALL)),
    "explain": (lambda line: feedsim.explain(line, 12), tuple(ALL)),
    "rehearse": (lambda line: feedsim.rehearse(line, start=8, count=6), tuple(ALL)),
    "setup": (feedsim.setup, ("stops", *INCHES)),
    "trial plan": (feedsim.trial_plan, INCHES),
    "sweep": (lambda line: feedsim.sweep(line, "20,40 m/min"), ("two_feeders", *INCHES)),
    "compare": (
        lambda line: feedsim.compare(
            line, but=["latched: carrier_eye.capture=polled"], speeds="20,40 m/min"
        ),
        INCHES,
    ),
    "budget": (lambda line: feedsim.budget(line, "20,40 m/min"), INCHES),
    "limit": (lambda line: feedsim.limit(line, within=0.5, at_most=2000), INCHES),
    "tune": (tuned, INCHES),
    "drive": (lambda line: feedsim.drive(line, "30 m/min"), ("drive_sizing",)),
    "trial fit": (
        lambda line: feedsim.trial_fit(line, SCENARIOS / "trial_reply_card.csv"),
        ("trial_reply_card",),
    ),
    "learn": (
        lambda line: feedsim.learn(line, SCENARIOS / "learn_card_60.csv"),
        ("learn_card",),
    ),
}
CASES = [
    pytest.param(what, name, id=f"{what}-{name}")
    for what, (_, names) in ASKED.items()
    for name in names
]

FOREIGN: dict[System, re.Pattern[str]] = {
    "inch": re.compile(
        r"(?<![\w.])(?:[µmc]?m(?:/min|/m?s²?)?|N·m|kg·cm²|kg)(?![\w/·²=])|\d k?N(?!\w)",
        re.MULTILINE,
    ),
    "metric": re.compile(
        r"(?<![\w.])(?:ft/min|(?:in|ft)/s²?|ft|inch(?:es)?|lbf?(?:·in²?)?|oz|lb/ft³)(?!\w)"
        r"|\d in(?=[,.;:)]|\s*$| (?:early|late|of|to|either|short|past|behind|long|from|±))"
        r"|\(in\)|, in$",
        re.MULTILINE,
    ),
}


@cache
def answer(what: str, name: str) -> Answer:
    ask, _ = ASKED[what]
    return ask(feedsim.load(SCENARIOS / f"{name}.toml", FEW))


def words(told: Answer, units: System) -> Iterator[str]:
    """Yield all that people read of an answer: its text, its figures and its pages."""
    yield told.text(units=units)
    with patch.object(canvas, "render", return_value=b"") as drawn:
        files = told.files(units=units)
    for figure in {call.args[0] for call in drawn.call_args_list}:  # as PNG and as SVG
        yield from (text.get_text() for text in figure.findobj(Text))
    for name, content in files.items():
        if name.endswith(".html"):
            assert isinstance(content, bytes)
            yield visible(content.decode())
    if isinstance(told, Page):
        yield from strings([shown.plain() for shown in told.scenes(units=units)])


def visible(page: str) -> str:
    """Return what a page shows, but for the scenario as data."""
    bare = re.sub(r"<(script|style|pre)\b.*?</\1>", "", page, flags=re.DOTALL)
    return html.unescape(re.sub(r"<[^>]+>", "\n", bare))


def strings(data: Any) -> Iterator[str]:
    """Yield the texts in the data of a page, but those that only its program reads."""
    if isinstance(data, str):
        yield data
    elif isinstance(data, dict):
        for value in data.values():
            yield from strings(value)
    elif isinstance(data, list):
        for value in data:
            yield from strings(value)


def foreign(texts: Iterator[str], units: System, *, title: str = "") -> list[str]:
    """Return the lines with a unit of the other system."""
    lines = [line for text in texts for line in text.replace(title, "").splitlines()]
    return [line for line in lines if FOREIGN[units].search(line)]


def test_figures_pages_and_the_data_of_pages_are_read():
    run, page = answer("run", "bench"), answer("rehearse", "bench")
    assert "placement error (in)" in words(run, "inch")
    assert any("ft/min" in text for text in words(page, "inch"))


@pytest.mark.parametrize("units", ["metric", "inch"])
@pytest.mark.parametrize(("what", "name"), CASES)
def test_no_other_units_are_told(what, name, units):
    title = feedsim.load(SCENARIOS / f"{name}.toml").scenario.title
    assert foreign(words(answer(what, name), units), units, title=title) == []


def test_feeders_in_each_others_way_are_told_in_inches_too():
    line = feedsim.load(SCENARIOS / "bench.toml", FEW).to_dict()
    two = feedsim.Line.from_dict(
        {**line, "feeder": [{**line["feeder"][0], "name": n} for n in "ab"]}
    )
    assert any("one placement point" in text for text in words(feedsim.check(two), "inch"))
    assert foreign(words(feedsim.check(two), "inch"), "inch") == []


@pytest.mark.parametrize(
    ("units", "planted"),
    [
        ("inch", "the tail stands at 93 mm"),
        ("inch", "mean, mm"),
        ("inch", "(m/min)"),
        ("inch", "150 m/s²"),
        ("inch", "0.4 mm/ms"),
        ("metric", "the tail stands at 3.6 in"),
        ("metric", "mean (in)"),
        ("metric", "3.6 in past the eye"),
        ("metric", "200 ft/min"),
        ("metric", "12 lbf·in"),
    ],
)
def test_a_planted_unit_is_found(units, planted):
    assert foreign(iter([f"one line\n{planted}"]), units) == [planted]
    other: System = "metric" if units == "inch" else "inch"
    assert foreign(iter([planted]), other) == []
