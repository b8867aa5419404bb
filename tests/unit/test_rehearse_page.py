"""The rehearsal page as a file: whole in itself, text that stays text, words for all there is."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from html.parser import HTMLParser
from importlib.resources import files
from pathlib import Path

import pytest

from feedsim.answers.rehearse.answer import differences
from feedsim.answers.rehearse.page.page import EVENTS, SCRIPTS, page_words, rehearse_page
from feedsim.answers.rehearse.study.choice import ShownCarriers
from feedsim.answers.rehearse.study.scene import Scene, scene
from feedsim.running.run import trace
from feedsim.scenario import Scenario, load_scenario

SCENARIOS = Path(__file__).parents[2] / "scenarios"
EVIL = """</script><script>alert(1)</script><!-- <b id='x'>&amp; "co" {{ 7 * 7 }}"""


def card(*overrides: str) -> Scenario:
    return load_scenario(SCENARIOS / "membership_card.toml", overrides=overrides)


def scene_of(scenario: Scenario, *, name: str = "") -> Scene:
    return scene(scenario, ShownCarriers(range(20, 25)), name=name)


class Read(HTMLParser):
    """What a browser would make of the page: elements, their attributes and texts."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str]]] = []
        self.texts: dict[str, str] = {}
        self._open: list[str] = []
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = {name: value or "" for name, value in attrs}
        self.elements.append((tag, found))
        self._open.append(found.get("id") or tag)

    def handle_endtag(self, tag: str) -> None:
        while self._open and self._open.pop() not in {tag, "words", "scenes"}:
            pass

    def handle_data(self, data: str) -> None:
        name = self._open[-1] if self._open else ""
        self.texts[name] = self.texts.get(name, "") + data

    def count(self, tag: str) -> int:
        return sum(1 for name, _ in self.elements if name == tag)


def test_the_page_asks_for_nothing_from_anywhere() -> None:
    page = rehearse_page([scene_of(card())])
    read = Read(page)
    addresses = [
        value
        for _, attributes in read.elements
        for name, value in attributes.items()
        if name in {"src", "href", "srcset", "action", "data", "poster", "formaction"}
    ]
    assert addresses == ["data:,"]  # an empty icon, so that none is asked for
    assert not re.search(r"https?:|url\(|@import|\bfetch\(|XMLHttp|WebSocket|import\(", page)
    (policy,) = [a["content"] for _, a in read.elements if "http-equiv" in a]
    assert policy.startswith("default-src 'none'")


def test_text_of_a_scenario_is_text() -> None:
    scenario = card(f"title='''{EVIL}'''", f"feeder.0.name='''{EVIL[:90]}'''")
    page = rehearse_page([scene_of(scenario)])
    plain = Read(rehearse_page([scene_of(card())]))
    read = Read(page)
    assert [tag for tag, _ in read.elements] == [tag for tag, _ in plain.elements]
    assert "49" not in read.texts["h1"]
    assert read.texts["h1"] == EVIL
    assert json.loads(read.texts["scenes"])[0]["feeders"][0]["name"] == EVIL[:90]
    assert json.loads(read.texts["words"])["feeders"] == [EVIL[:90]]


def test_half_a_letter_in_a_name_can_be_written() -> None:
    broken = replace(scene_of(card()), title="broken \udc80")
    assert rehearse_page([broken]).encode()


def test_every_script_is_packed_and_each_once() -> None:
    there = {
        f.name for f in files("feedsim.answers.rehearse.page").iterdir() if f.name.endswith(".js")
    }
    assert sorted(f"{name}.js" for name in SCRIPTS) == sorted(there)
    page = rehearse_page([scene_of(card())])
    for name in there:
        text = files("feedsim.answers.rehearse.page").joinpath(name).read_text("utf-8").strip()
        assert page.count(text) == 1, name
        assert "</script" not in text


def test_every_control_says_what_it_is() -> None:
    """Each button has words (or a label where it shows a sign), each slider a label."""
    page = rehearse_page([scene_of(card()), scene_of(card('line.speed="80 m/min"'))])
    buttons = re.findall(r"<button([^>]*)>([^<]*)</button>", page)
    assert len(buttons) > 20
    for attributes, text in buttons:
        assert re.search(r"[a-z]{3}", text, re.IGNORECASE) or "aria-label=" in attributes, text
    for tag, attributes in Read(page).elements:
        if tag == "input":
            assert attributes["type"] in {"radio", "checkbox"} or attributes["aria-label"]
        if tag == "canvas":
            assert attributes.get("aria-label") or attributes.get("aria-hidden") == "true"


def test_every_deed_of_a_button_exists_and_has_a_key() -> None:
    two = [scene_of(card()), scene_of(card('line.speed="80 m/min"'))]
    done = {a["data-do"] for _, a in Read(rehearse_page(two)).elements if "data-do" in a}
    controls = files("feedsim.answers.rehearse.page").joinpath("controls.js").read_text("utf-8")
    keys = {deed: key for key, deed in re.findall(r'\["([^"]+)", "([a-z-]+)", "', controls)}
    assert done <= keys.keys()
    assert len(set(keys.values())) == len(keys)


def test_one_page_has_one_line_and_two_setups_two() -> None:
    one = Read(rehearse_page([scene_of(card())]))
    other = card('line.speed="80 m/min"', 'feeder.0.insert.gap="75 mm"')
    two = rehearse_page(
        [scene_of(card(), name="A  slow"), scene_of(other, name="B  fast")],
        differences=differences(card(), other),
    )
    read = Read(two)
    ids = [a.get("id", "") for _, a in one.elements]
    assert ("picture-0" in ids, "picture-1" in ids, "difference-next" in str(one.elements)) == (
        True,
        False,
        False,
    )
    assert {"picture-0", "picture-1", "strip-1"} <= {a.get("id") for _, a in read.elements}
    assert "line.speed: 60 m/min → 80 m/min" in two
    assert "feeder.0.insert.gap: 70 mm → 75 mm" in two
    assert "difference-next" in str(read.elements)


def test_inches() -> None:
    other = card('line.speed="200 ft/min"')
    page = rehearse_page(
        [scene_of(card()), scene_of(other)], differences=differences(card(), other), units="inch"
    )
    words = json.loads(Read(page).texts["words"])
    # 1 in is 25.4 mm, 1 ft is 12 in
    assert 254.0 * words["units"]["length"]["factor"] == pytest.approx(10.0)
    assert 304.8 / 60.0 * words["units"]["speed"]["factor"] == pytest.approx(1.0)
    assert words["units"]["length"]["label"] == "in"
    assert "line.speed: 196.85 ft/min → 200 ft/min" in page  # 60 m/min / 0.3048


def test_seeds_that_differ_are_told() -> None:
    page = rehearse_page([scene_of(card()), scene_of(card("seed=2"))])
    assert "seeds 1 and 2: other random numbers" in page


@pytest.mark.parametrize("name", ["membership_card", "bench", "hand_fed", "two_feeders"])
def test_there_are_words_for_every_event_of_a_run(name: str) -> None:
    rough = (
        "run.carriers=300",
        "carrier_eye.missed=5 %",
        "feeder.0.eye.missed=5 %",
        'controller.search_limit="300 mm"',
        "controller.mark_memory=1",
    )
    scenario = load_scenario(SCENARIOS / f"{name}.toml", overrides=rough)
    words = page_words("metric")["events"]
    assert isinstance(words, dict)
    seen = {
        f"{re.sub(r'^feeder[.][0-9]+', 'feeder', e.part)} {e.event}"
        for e in trace(scenario)[1].events
    }
    assert len(seen) > 8
    assert seen <= words.keys()
    assert len(set(EVENTS.values())) == len(EVENTS)


# -- colours ---------------------------------------------------------------------------------------


def luminance(colour: str) -> float:
    """Relative luminance: Web Content Accessibility Guidelines 2.2, W3C, definitions."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio, same source."""
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_contrast_of_black_and_white() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)  # same source


@pytest.mark.parametrize("theme", [r":root \{", r':root\[data-theme="dark"\] \{'])
def test_text_can_be_read_in_light_and_dark(theme: str) -> None:
    """4.5 : 1 for text (success criterion 1.4.3), 3 : 1 for signs and edges (1.4.11)."""
    css = files("feedsim.answers.rehearse.page").joinpath("page.css").read_text("utf-8")
    block = re.search(theme + r"(.*?)\n\}", css, re.DOTALL)
    assert block is not None
    colours = dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6});", block[1]))
    for name in ("ink", "soft", "insert", "target", "bad", "warn", "good"):
        assert contrast(colours[name], colours["paper"]) >= 4.5, name
    for name in ("soft", "ink"):
        assert contrast(colours[name], colours["page"]) >= 4.5, name
    assert "track { height: 4px; background: var(--soft)" in css  # of the sliders
    for name in ("belt", "carrier-edge", "insert", "focus", "soft"):
        assert contrast(colours[name], colours["paper"]) >= 3.0, name
