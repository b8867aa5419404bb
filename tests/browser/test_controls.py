"""Every control does the same by mouse and by key, and it does something."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

ROUGH = (
    "feeder.0.insert.double=10 %",
    "feeder.0.eye.missed=10 %",
    "carrier_eye.missed=15 %",
    'acceptance.placement_tolerance="0.5 mm"',
)
OTHER = ("carrier_eye.missed=5 %", 'line.speed="64 m/min"')
STATE = """
const { clock, view, tape, page } = rehearsal;
return {
  at: clock.at, playing: clock.playing, pace: clock.pace, chosen: page.chosen, feeder: page.feeder,
  left: view.left, span: view.span, follows: view.follows, tape: tape.span,
  theme: document.documentElement.dataset.theme, keys: document.getElementById("keys").open,
};
"""
RESET = """
const { clock, view, tape, page } = rehearsal;
document.getElementById("keys").close();
clock.pause();
clock.set(clock.from + 0.5 * (clock.to - clock.from));
clock.setPace(4);
view.showWhole();
view.zoom(2);
Object.assign(tape, { span: 1 });
page.chosen = 70;
document.documentElement.dataset.theme = "light";
"""
DEEDS = {
    "play": " ",
    "slower": "Down",
    "faster": "Up",
    "event-next": "Right",
    "event-last": "Left",
    "miss-next": "m",
    "miss-last": "M",
    "outside-next": "t",
    "outside-last": "T",
    "hazard-next": "h",
    "hazard-last": "H",
    "difference-next": "d",
    "difference-last": "D",
    "carrier-next": "c",
    "carrier-last": "C",
    "nearest": "n",
    "follow": "f",
    "whole": "l",
    "nearer": "i",
    "farther": "o",
    "pan-left": "j",
    "pan-right": "k",
    "span-shorter": "w",
    "span-longer": "W",
    "theme": "b",
    "keys": "?",
}
ONLY_BY_KEY = {
    "begin": "Home",
    "end": "End",
    "ms-next": "Shift+Right",
    "ms-last": "Shift+Left",
}


@pytest.fixture
def rough(browser: Any, page_of: Callable[..., Path]) -> Any:
    """Two setups with misses, hazards and differences to either side of the middle."""
    browser.open(page_of("membership_card", ROUGH, OTHER, chosen=(40, 100)))
    return browser


def pressed(browser: Any, key: str) -> dict[str, Any]:
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.keys import Keys

    names = {"Down": Keys.ARROW_DOWN, "Up": Keys.ARROW_UP, "Right": Keys.ARROW_RIGHT,
             "Left": Keys.ARROW_LEFT, "Home": Keys.HOME, "End": Keys.END}  # fmt: skip
    browser.js("document.activeElement?.blur()")
    chain = ActionChains(browser.driver, duration=0)
    *shift, last = key.split("+") if len(key) > 1 else [key]
    if shift:
        chain.key_down(Keys.SHIFT)
    chain.send_keys(names.get(last, last))
    if shift:
        chain.key_up(Keys.SHIFT)
    chain.perform()
    return state(browser)


def state(browser: Any) -> dict[str, Any]:
    browser.settle()
    found: dict[str, Any] = browser.js(STATE)
    if found["playing"]:
        found["at"] = None
    return found


def reset(browser: Any) -> dict[str, Any]:
    browser.js(RESET)
    browser.settle()
    return state(browser)


def test_every_button_does_by_click_what_its_key_does(rough: Any) -> None:
    there = set(
        rough.js("return [...document.querySelectorAll('[data-do]')].map((b) => b.dataset.do)")
    )
    assert there == DEEDS.keys() | {"stop-next", "stop-last"}
    for deed, key in DEEDS.items():
        before = reset(rough)
        rough.js("document.activeElement?.blur()")
        rough.click(f'[data-do="{deed}"]')
        by_click = state(rough)
        assert by_click != before, deed
        assert reset(rough) == before
        assert pressed(rough, key) == by_click, deed
    reset(rough)
    assert rough.console() == []


def test_every_button_is_reached_by_tab_and_worked_by_enter_or_space(rough: Any) -> None:
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.keys import Keys

    reset(rough)
    wanted = set(DEEDS)
    met: set[str] = set()
    rough.js("document.activeElement?.blur(); window.scrollTo(0, 0)")
    for _ in range(120):
        ActionChains(rough.driver, duration=0).send_keys(Keys.TAB).perform()
        deed = rough.js("return document.activeElement.dataset.do ?? document.activeElement.id")
        if deed in met & wanted:
            break
        if deed in wanted:
            before = reset(rough)
            key = Keys.ENTER if len(met) % 2 else Keys.SPACE
            ActionChains(rough.driver, duration=0).send_keys(key).perform()
            assert state(rough) != before, deed
            rough.js('document.getElementById("keys").close()')
            rough.js(f"document.querySelector('[data-do=\"{deed}\"]').focus()")
        met.add(deed)
    assert wanted <= met
    assert {"time", "pace"} <= met


def test_keys_without_a_button(rough: Any) -> None:
    before = reset(rough)
    at = before["at"]
    ends = rough.js("return [rehearsal.clock.from, rehearsal.clock.to]")
    expected = {"begin": ends[0], "end": ends[1], "ms-next": at + 0.001, "ms-last": at - 0.001}
    for deed, key in ONLY_BY_KEY.items():
        reset(rough)
        assert pressed(rough, key)["at"] == pytest.approx(expected[deed], abs=1e-12), deed


def test_the_sliders_by_mouse_and_by_key(rough: Any) -> None:
    from selenium.webdriver.common.keys import Keys

    reset(rough)
    begin, end = rough.js("return [rehearsal.clock.from, rehearsal.clock.to]")
    width = rough.box("#time")["width"]
    rough.point(
        "#time", lambda chain, e: chain.move_to_element_with_offset(e, round(width // 4), 0).click()
    )
    at = rough.js("return rehearsal.clock.at")
    # the middle of the handle runs between half its width (8 px) at both ends
    share = (0.75 * width - 8) / (width - 16)
    assert at == pytest.approx(begin + share * (end - begin), abs=2 * (end - begin) / width)
    rough.type("#time", Keys.ARROW_RIGHT)
    assert rough.js("return rehearsal.clock.at") == pytest.approx(at + 0.001, abs=1e-3)
    rough.type("#time", Keys.HOME)
    assert rough.js("return rehearsal.clock.at") == pytest.approx(begin, abs=1e-3)
    assert "carrier" in rough.attribute("#time", "aria-valuetext")
    rough.type("#pace", Keys.HOME)
    rough.settle()
    assert rough.text("#pace-words") == "1/100 of real time"
    rough.type("#pace", Keys.END)
    rough.settle()
    assert rough.text("#pace-words") == "10 × real time"
    rough.point("#pace", lambda chain, e: chain.move_to_element(e).click())
    assert rough.js("return rehearsal.clock.pace") in {4, 5}


def test_which_feeder_by_mouse_and_by_key(browser: Any, page_of: Callable[..., Path]) -> None:
    from selenium.webdriver.common.keys import Keys

    browser.open(page_of("two_feeders", ()))
    browser.click('input[value="1"]')
    assert browser.js("return rehearsal.page.feeder") == 1
    assert "at leaflet feeder" in browser.text("#story-head")
    browser.type('input[value="1"]', Keys.ARROW_LEFT)
    browser.settle()
    assert browser.js("return rehearsal.page.feeder") == 0


def test_the_picture_and_the_diagram_by_mouse(rough: Any) -> None:
    from selenium.webdriver.common.actions.wheel_input import ScrollOrigin

    before = reset(rough)
    picture, strip = "#picture-0", "#strip-0"
    width = rough.box(picture)["width"]

    def dragged(css: str, by: int) -> None:
        half = by // 2
        rough.point(
            css,
            lambda chain, e: chain.move_to_element(e).click_and_hold()
            .move_by_offset(half, 0).move_by_offset(half, 0).release(),
        )  # fmt: skip

    # drag the picture 100 px to the right: the line goes with the hand
    dragged(picture, 100)
    scale = before["span"] / width
    assert state(rough)["left"] == pytest.approx(before["left"] - 100 * scale, abs=1.5 * scale)
    # turn the wheel: nearer, and what is under the pointer stays there
    reset(rough)
    rough.point(
        picture,
        lambda chain, e: chain.scroll_from_origin(ScrollOrigin.from_element(e), 0, -100),
    )
    after = state(rough)
    assert after["span"] < before["span"]
    middle = [s["left"] + s["span"] / 2 for s in (before, after)]
    assert middle[0] == pytest.approx(middle[1], abs=2 * scale)
    # click a carrier
    reset(rough)
    drawn = rough.js("return rehearsal.drawn()[0]")
    card = min(
        drawn["carriers"],
        key=lambda c: abs(c["x_mm"] - 100.0 - before["left"] - before["span"] / 2),
    )
    x = (card["x_mm"] - 100.0 - drawn["left_mm"]) * drawn["scale"] - width / 2
    rough.point(picture, lambda chain, e: chain.move_to_element_with_offset(e, round(x), 0).click())
    assert rough.text("#story-head") == f"Carrier {card['number']}"
    # drag the diagram 60 px to the left: the time goes on
    reset(rough)
    dragged(strip, -60)
    seconds = 1.0 / (rough.box(strip)["width"] - 104)
    assert state(rough)["at"] - before["at"] == pytest.approx(60 * seconds, abs=1.5 * seconds)
    # click it right of the cursor: goes there
    reset(rough)
    rough.point(strip, lambda chain, e: chain.move_to_element_with_offset(e, 152, 0).click())
    assert state(rough)["at"] - before["at"] == pytest.approx(100 * seconds, abs=2 * seconds)


@pytest.mark.parametrize(("place", "pace"), [(0, 0.01), (3, 0.1), (6, 1.0), (9, 10.0)])
def test_it_plays_at_its_pace(place: int, pace: float, rough: Any) -> None:
    """From frame to frame, by the times of the frames themselves; a long one counts 0.1 s."""
    reset(rough)
    rough.js("rehearsal.clock.setPace(arguments[0]); rehearsal.clock.play()", place)
    frames = rough.driver.execute_async_script(
        """
        const done = arguments[0];
        const seen = [];
        const look = (now) => {
          seen.push([now, rehearsal.clock.at]);
          if (seen.length < 12) requestAnimationFrame(look);
          else done(seen);
        };
        requestAnimationFrame(look);
        """
    )
    end = rough.js("return rehearsal.clock.to")  # which slow frames may come to
    for (t0, at0), (t1, at1) in pairwise(frames):
        gone = min((t1 - t0) / 1000.0, 0.1) * pace
        assert at1 == pytest.approx(min(at0 + gone, end), abs=1e-9)


def test_it_stops_at_the_end_and_begins_anew(rough: Any) -> None:
    reset(rough)
    end = rough.driver.execute_async_script(
        """
        const done = arguments[0];
        const { clock } = rehearsal;
        clock.setPace(9);
        clock.set(clock.to - 0.05);
        clock.play();
        const look = () => (clock.playing ? requestAnimationFrame(look) : done(clock.at));
        requestAnimationFrame(look);
        """
    )
    assert end == rough.js("return rehearsal.clock.to")
    rough.js("rehearsal.clock.setPace(0)")  # or it may be at the end again as we look
    rough.click('[data-do="play"]')
    assert rough.js("return rehearsal.clock.at") < end


def test_the_view_goes_with_the_belt(rough: Any) -> None:
    reset(rough)
    rough.click("#follow")
    assert rough.attribute("#follow", "aria-pressed") == "true"
    at = rough.js("return rehearsal.clock.at")
    places = []
    for i in range(4):
        (drawn, _) = rough.drawn_at(at + 0.05 * i)
        (card,) = [c for c in drawn["carriers"] if c["number"] == 70]
        places.append((card["x_mm"] - drawn["left_mm"]) * drawn["scale"])
    assert places == pytest.approx([places[0]] * 4, abs=1e-6)
    # once that carrier has gone, the view takes the next one that comes
    (drawn, _) = rough.drawn_at(at + 3.0)
    chosen = rough.js("return rehearsal.page.chosen")
    assert chosen > 70
    assert any(c["number"] == chosen for c in drawn["carriers"])
