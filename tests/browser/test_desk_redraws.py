"""A redraw takes nothing away: what has the focus, or is being clicked, stays in hand."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.browser.served import SCENARIOS, Server, idle, opened

KEEP = """
const [done] = arguments;
const { forms, run, speeds } = desk.shown.newest;
desk.planner.single("knobs", {}).then(({ answer }) => {
  (window.kept ??= []).push({ knobs: answer, forms, run, speeds });
  done(window.kept.length);
});
"""
# goes to each control in turn and shows all answers anew, as if they had just come
LOST = """
const [spoil] = arguments;
let number = 1e6;
const show = ({ knobs, ...kept }) => {
  desk.knobs.update(knobs);
  for (const { head, answer } of Object.values(kept))
    desk.shown.answer({ ...head, number: (number += 1) }, answer);
  const focused = document.activeElement;
  if (spoil && focused.matches(spoil)) focused.replaceWith(focused.cloneNode(true));
};
show(window.kept[0]);
for (const group of document.querySelectorAll("details")) group.open = true;
const all = document.querySelectorAll("main :is(button, input, select, summary, [tabindex='0'])");
const sorts = new Map(); // of each sort of control the first, one within and the last
for (const element of [...all].filter((e) => e.checkVisibility())) {
  const { id } = element.closest(".card") ?? {};
  const sort = [id, element.tagName, element.getAttribute("class")].join();
  sorts.set(sort, [...(sorts.get(sort) ?? []), element]);
}
for (const many of sorts.values()) many.splice(1, many.length - 2, many[many.length >> 1]);
const wanted = new Set([...sorts.values()].flat());
const lost = [];
for (const element of wanted) {
  element.focus();
  const isBar = element.matches(".bin"); // bars come and go
  for (const kept of [...window.kept.slice(1), window.kept[0]]) {
    show(kept);
    const now = document.activeElement;
    const isSame = now === element || (isBar && now.matches(".bin"));
    if (element.checkVisibility() ? !isSame : now === document.body)
      lost.push(element.getAttribute("aria-label") ?? element.outerHTML.slice(0, 80));
  }
}
return [wanted.size, [...new Set(lost)]];
"""


@pytest.fixture(scope="module")
def server() -> Iterator[Server]:
    found = Server((str(SCENARIOS / "membership_card.toml"),))
    yield found
    found.end()


@pytest.fixture(scope="module")
def desk(started: Any, server: Server) -> Any:
    """A desk with three answers kept: few bars and no miss, many, and a feeder of another name."""
    started.alone()
    started.size(1280, 720)
    opened(started, server.address)
    started.js("desk.state.rounds.splice(0, 1, 500)")
    for turns in (
        {"line.speed": "55 m/min", "feeder.0.eye.missed": "3 %"},
        {"line.speed": "120 m/min", "feeder.0.eye.missed": "0 %"},
        {"line.speed": "60 m/min", "feeder.0.name": "other"},
    ):
        for path, value in turns.items():
            started.js(
                "const { field } = desk.knobs.made.get(arguments[0]);"
                "field.value = arguments[1];"
                "field.dispatchEvent(new Event('change', { bubbles: true }))",
                path, value,
            )  # fmt: skip
        idle(started)
        started.driver.execute_async_script(KEEP)
    return started


def test_what_has_the_focus_keeps_it_over_every_answer(desk: Any) -> None:
    count, lost = desk.js(LOST, "")
    assert count > 30
    assert lost == []


def test_the_focus_stays_at_the_error_that_a_bar_was_of(desk: Any) -> None:
    middles = []
    desk.js("document.querySelector('.histogram .bin').focus()")
    desk.keys_there("\ue014", "\ue014", "\ue014")  # right
    for place in (0, 1, 0):
        desk.js(
            "const { head, answer } = window.kept[arguments[0]].run;"
            "window.number = (window.number ?? 1e6) + 1;"
            "desk.shown.answer({ ...head, number: window.number }, answer)",
            place,
        )
        label = desk.js("return document.activeElement.getAttribute('aria-label')")
        low, high = map(float, re.findall(r"-?\d+\.\d+", label)[:2])
        middles.append((low + high) / 2)
    assert middles[0] == middles[2]
    assert middles[1] == pytest.approx(middles[0], abs=0.2)  # a bar of the wider spread


def test_a_bar_that_is_redrawn_while_it_is_pressed_still_tells_its_story(desk: Any) -> None:
    def press(chain: Any, bar: Any) -> Any:
        return chain.move_to_element(bar).click_and_hold()

    desk.point(".histogram .bin:nth-of-type(5)", press)
    desk.js(
        "const { head, answer } = window.kept[0].run;"
        "desk.shown.answer({ ...head, number: 1e7 }, answer)"
    )
    desk.release()
    assert desk.js("return document.getElementById('story-dialog').open")
    desk.click("#story-dialog .close")


def test_a_redraw_that_takes_the_focus_away_would_be_found(desk: Any) -> None:
    """Plant the fault: controls that are made anew."""
    _, lost = desk.js(LOST, ".carriers button, .bin, #knob-line-speed")
    assert any("Story of missed carrier" in one for one in lost)
    assert any("story of carrier" in one for one in lost)
    assert any("speed" in one for one in lost)


def test_no_test_holds_an_element_over_a_redraw() -> None:
    """Only `Browser.on` looks elements up, for one deed each."""
    ways = re.compile(r"find_elements?\b|active_element|\.find\(['\"f]")
    found = {
        path.name: ways.findall(path.read_text("utf-8"))
        for path in Path(__file__).parent.glob("*.py")
        if path != Path(__file__)
    }
    assert found.pop("conftest.py") == ["find_element"]
    assert not any(found.values()), found
