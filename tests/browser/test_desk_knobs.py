"""The knobs of the desk: by mouse and by key, wrong values, undo and redo, search, a reload."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from tests.browser.served import SCENARIOS, Server, idle, loaded, opened, until

SLIDER = "#knob-list .knob-slider"
CARD = str(SCENARIOS / "membership_card.toml")


@pytest.fixture(scope="module")
def server() -> Iterator[Server]:
    found = Server((CARD,))
    yield found
    found.end()


@pytest.fixture
def desk(browser: Any, server: Server) -> Any:
    opened(browser, server.address)
    return browser


def value(desk: Any, path: str = "line.speed") -> str:
    return str(desk.js("return desk.knobs.made.get(arguments[0]).field.value", path))


def changes(desk: Any) -> dict[str, str]:
    found = desk.js("return desk.turns.now.changes")
    return {path: change["value"] for path, change in found.items()}


def field(path: str = "line.speed") -> str:
    """Return the CSS selector of a knob's field."""
    return f"#knob-{path.replace('.', '-')}"


def typed(desk: Any, text: str, path: str = "line.speed") -> None:
    from selenium.webdriver.common.keys import Keys

    desk.type(field(path), Keys.CONTROL, "a")
    desk.type(field(path), text, Keys.ENTER)


def test_a_knob_turns_by_key_typing_and_slider_and_goes_back(desk: Any) -> None:
    from selenium.webdriver.common.keys import Keys

    assert value(desk) == "60 m/min"
    for key, expected in (
        (Keys.ARROW_UP, "60.5 m/min"),
        (Keys.ARROW_DOWN, "60 m/min"),
        (Keys.PAGE_UP, "65 m/min"),
        (Keys.PAGE_DOWN, "60 m/min"),
    ):
        desk.type(field(), key)
        assert value(desk) == expected
    assert changes(desk) == {}
    typed(desk, "80 m/min")
    assert changes(desk) == {"line.speed": "80 m/min"}
    idle(desk)
    assert "80 m/min" in desk.text(".verdict-evidence")
    assert "closed form at 80 m/min" in desk.text(".verdict-closed")
    desk.type(SLIDER, Keys.ARROW_RIGHT)
    assert value(desk) == "80.5 m/min"
    desk.point(SLIDER, lambda chain, slider: chain.move_to_element(slider).click())
    low, high = desk.js(
        "const s = document.querySelector('.knob-slider'); return [Number(s.min), Number(s.max)]"
    )
    # the middle of the slider, to the step and pixel
    assert float(value(desk).split()[0]) == pytest.approx((low + high) / 2, abs=2.0)
    idle(desk)
    desk.click(".knob-reset")
    assert changes(desk) == {}
    idle(desk)
    assert "60 m/min" in desk.text(".verdict-evidence")
    assert desk.console() == []


def test_a_slider_dragged_by_the_mouse_is_one_turn(desk: Any) -> None:
    low, high, now = desk.js(
        "const s = document.querySelector(arguments[0]);return [s.min, s.max, s.value].map(Number)",
        SLIDER,
    )
    half = desk.box(SLIDER)["width"] / 2
    thumb = (2 * (now - low) / (high - low) - 1) * (
        half - 7
    )  # whose middle stops short of the ends

    def drag(chain: Any, slider: Any) -> Any:
        chain.move_to_element_with_offset(slider, round(thumb), 0).click_and_hold()
        for _ in range(5):
            chain.move_by_offset(4, 0)
        return chain.release()

    desk.point(SLIDER, drag)
    dragged = float(value(desk).split()[0])
    # a fifth of the way that is left, to some pixels and steps
    assert dragged == pytest.approx(now + 20 * (high - low) / (2 * (half - 7)), abs=4.0)
    assert len(desk.js("return desk.turns.history")) == 2
    desk.click("#undo")
    assert changes(desk) == {}


def test_a_number_without_its_unit_is_taken_in_the_one_that_is_shown(desk: Any) -> None:
    typed(desk, "90")
    assert changes(desk) == {"line.speed": "90 m/min"}
    assert "90 has no unit: taken as 90 m/min" in desk.text("#knob-line-speed-note")
    typed(desk, "95 m/min")
    assert "no unit" not in desk.text("#knob-line-speed-note")
    missed = "feeder.0.eye.missed"  # a share below 1 may be meant as a fraction
    desk.js("document.querySelector(arguments[0]).closest('details').open = true", field(missed))
    typed(desk, "0.5", missed)
    until(desk, "return !document.getElementById('fault-notice').hidden")
    told = desk.text("#knob-feeder-0-eye-missed-fault")
    assert 'write "50 %" if a fraction was meant, or "0.5 %"' in told


def test_a_wrong_value_is_told_at_its_knob_and_the_last_good_answer_stays(desk: Any) -> None:
    printed = desk.text("#printed-text")
    typed(desk, "80 mm")
    until(desk, "return document.querySelector('#placement').dataset.state === 'good'")
    told = desk.text("#knob-line-speed-fault")
    assert "needs a speed, such as" in told
    assert desk.attribute(field(), "aria-invalid") == "true"
    assert "this is a length" in desk.text("#fault-notice")
    assert desk.text("#printed-text") == printed
    assert "last valid values" in desk.text("#placement .card-state")
    assert desk.text("#summary").startswith("Last valid values: ")
    typed(desk, "75 m/min")
    idle(desk)
    assert desk.text("#knob-line-speed-fault") == ""
    assert desk.js("return document.getElementById('fault-notice').hidden")
    assert desk.js("return document.querySelector('#placement').dataset.state") == "now"


def test_on_a_phone_the_whole_verdict_stays_in_sight_and_little_else(desk: Any) -> None:
    desk.size(390, 844)
    desk.settle()
    assert desk.shows("#summary")
    assert desk.text("#summary").startswith(desk.text(".verdict-words"))
    wide, whole, high, bottom = desk.js(
        "const e = document.getElementById('summary');"
        "return [e.clientWidth, e.scrollWidth, e.offsetHeight, e.getBoundingClientRect().bottom]"
    )
    assert whole <= wide
    assert high < 60  # two lines
    assert bottom == pytest.approx(844, abs=1)
    assert desk.js("return document.querySelector('footer').getBoundingClientRect().top") > 844
    assert desk.text("#cautions").startswith("A simulation is no safety function")


def test_undo_and_redo_are_named_by_what_they_change(desk: Any) -> None:
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.keys import Keys

    typed(desk, "80 m/min")
    typed(desk, "4 ms", "controller.scan")
    assert desk.attribute("#undo", "aria-label") == "Undo: Controller scan: 2 ms → 4 ms"
    desk.click("#undo")
    assert changes(desk) == {"line.speed": "80 m/min"}
    assert desk.attribute("#redo", "aria-label") == "Redo: Controller scan: 2 ms → 4 ms"
    assert desk.attribute("#undo", "aria-label") == "Undo: Line speed: 60 m/min → 80 m/min"
    desk.keys("u")
    assert (changes(desk), value(desk)) == ({}, "60 m/min")
    desk.keys("U")
    desk.keys("U")
    assert changes(desk) == {"line.speed": "80 m/min", "controller.scan": "4 ms"}
    chain = ActionChains(desk.driver, duration=0)
    chain.key_down(Keys.CONTROL).send_keys("z").key_up(Keys.CONTROL).perform()
    assert changes(desk) == {"line.speed": "80 m/min"}
    desk.keys("t")
    assert desk.js("return document.getElementById('turn-list').children.length") == 3
    desk.click("#turn-list li:first-child button")
    assert changes(desk) == {}
    desk.keys("?")
    desk.click("#keys-on")
    desk.click("#keys-dialog .close")
    desk.keys("U")
    assert changes(desk) == {}  # single keys are off


def test_each_sort_of_knob_turns(desk: Any) -> None:
    """A choice, a yes or no, a text with markup and quotes, a list, an auto, one that was off."""
    from selenium.webdriver.common.keys import Keys

    desk.js("for (const group of document.querySelectorAll('.group')) group.open = true")
    there = value(desk, "carrier_eye.capture")
    chosen = Keys.ARROW_UP if there == "scanned" else Keys.ARROW_DOWN
    desk.type(field("carrier_eye.capture"), chosen, Keys.TAB)
    desk.type(field("feeder.0.settings.stage_correction"), Keys.SPACE)
    title = '<b>"faster"</b>'
    typed(desk, title, "title")
    typed(desk, "20 ms", "feeder.0.settings.engage_lead")
    typed(desk, "3000 mm", "divert.at")
    idle(desk)
    found = changes(desk)
    assert found.pop("carrier_eye.capture") in {"scanned", "latched"} - {there}
    assert found == {
        "feeder.0.settings.stage_correction": "true",
        "title": title,
        "feeder.0.settings.engage_lead": "20 ms",
        "divert.at": "3000 mm",
    }
    assert desk.text("#title") == title
    lead = "#knob-feeder-0-settings-engage_lead-note"
    assert desk.text(lead) == "in the file: auto"
    desk.js(
        "document.querySelector(arguments[0]).closest('.knob').querySelector('.knob-auto').click()",
        field("feeder.0.settings.engage_lead"),
    )
    assert "feeder.0.settings.engage_lead" not in changes(desk)
    idle(desk)
    stands_for = desk.js(
        "return desk.shown.newest.forms.now.autos['feeder.0.settings.engage_lead'].text"
    )
    assert desk.text(lead) == f"auto: {stands_for}"
    assert stands_for != "20 ms"
    typed(desk, '[["0 s", "60 m/min"], ["5 s", "60 m/min"]]', "line.profile")
    idle(desk)
    assert desk.console() == []


def test_every_control_is_reached_by_tab_and_each_button_has_its_key(desk: Any) -> None:
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.keys import Keys

    typed(desk, "80 m/min")  # so that all buttons have something to do
    typed(desk, "4 ms", "controller.scan")
    desk.click("#undo")
    idle(desk)
    wanted = desk.js(
        """
        const dialogs = [...document.querySelectorAll("dialog")];
        const all = document.querySelectorAll("button, input, select, summary, [tabindex='0']");
        window.wanted = [...all].filter(
          (e) => e.checkVisibility() && !dialogs.some((d) => d.contains(e)) && e.type !== "radio",
        );
        window.met = new Set();
        document.addEventListener("focusin", (event) => window.met.add(event.target));
        document.activeElement?.blur();
        return window.wanted.length;
        """
    )
    assert wanted > 50
    for _ in range(wanted + 60):
        ActionChains(desk.driver, duration=0).send_keys(*[Keys.TAB] * 10).perform()
        left = desk.js(
            "return window.wanted.filter((e) => e.isConnected && !window.met.has(e))"
            ".map((e) => e.id || e.outerHTML.slice(0, 90))"
        )
        if not left:
            break
    assert left == []
    keyed = desk.js(
        "return [...document.querySelectorAll('[data-do]')]"
        ".map((b) => [b.dataset.do, b.getAttribute('aria-keyshortcuts')])"
    )
    assert {do for do, key in keyed if not key} == set()


def test_search_finds_by_name_part_and_what_it_is(desk: Any) -> None:
    shown = (
        "return [...document.querySelectorAll('.knob')].filter((k) => k.checkVisibility()).length"
    )
    assert desk.js(shown) == 12
    desk.keys("/")
    desk.type("#knob-search", "eye jitter")
    assert desk.js(shown) == 2
    desk.js("document.getElementById('knob-search').value = ''")
    desk.type("#knob-search", " ")
    typed(desk, "4 ms", "controller.scan")
    desk.click("#knobs-turned")
    assert desk.js(shown) == 1


def test_a_reload_and_a_second_tab_keep_their_own(desk: Any) -> None:
    typed(desk, "80 m/min")
    idle(desk)
    printed = desk.text("#printed-text")
    desk.js("window.desk = null; location.reload()")
    loaded(desk)
    assert value(desk) == "80 m/min"
    assert desk.text("#printed-text").split("\n")[1].startswith("80 m/min")
    desk.click("#undo")
    assert value(desk) == "60 m/min"
    desk.click("#redo")
    first = desk.driver.current_window_handle
    desk.driver.switch_to.new_window("tab")
    try:
        desk.driver.get(server_root(desk, first))
        loaded(desk)
        assert value(desk) == "60 m/min"
        desk.click("#take-up")  # what this browser turned last is offered, not taken
        assert value(desk) == "80 m/min"
        typed(desk, "100 m/min")
        idle(desk)
    finally:
        desk.driver.close()
        desk.driver.switch_to.window(first)
    assert value(desk) == "80 m/min"
    assert printed.split("\n")[1].startswith("80 m/min")


def server_root(desk: Any, window: str) -> str:
    here = desk.driver.current_window_handle
    desk.driver.switch_to.window(window)
    address = desk.js("return location.origin + '/'")
    desk.driver.switch_to.window(here)
    return str(address)


def test_a_slow_old_answer_never_takes_the_place_of_a_newer_one(desk: Any) -> None:
    """Answers are handed over in the wrong order, by hand: the older one is left out."""
    typed(desk, "80 m/min")
    idle(desk)
    outcome = desk.js(
        """
        const { shown, turns } = desk;
        const { head, answer } = shown.newest.run;
        const old = { ...answer, text: "an older answer" };
        const taken = shown.answer({ ...head, number: head.number - 1, turn: turns.id - 1 }, old);
        return [taken, document.getElementById("printed-text").textContent === answer.text];
        """
    )
    assert outcome == [False, True]


def test_nothing_is_asked_of_another_address(desk: Any, server: Server) -> None:
    typed(desk, "80 m/min")
    idle(desk)
    asked = [a for a in desk.requests() if not a.startswith(("data:", "blob:", "about:"))]
    assert asked
    assert {a.split("/")[2] for a in asked} == {f"127.0.0.1:{server.port}"}


def test_a_dark_desk_prints_its_answer_dark_on_white(desk: Any) -> None:
    """No knobs, no film, no button; bars are printed although browsers leave backgrounds out."""
    colour = "return getComputedStyle(document.querySelector(arguments[0]))[arguments[1]]"

    def light(place: str, of: str) -> float:
        parts = [float(p) for p in desk.js(colour, place, of).partition("(")[2][:-1].split(",")]
        return 255.0 if len(parts) == 4 and parts[3] == 0.0 else sum(parts[:3]) / 3.0

    desk.size(1280, 720, dark=True)
    until(desk, "return document.documentElement.dataset.theme === 'dark'")
    desk.settle()
    assert (light("body", "color") > 200, light(".card", "backgroundColor") < 60) == (True, True)
    try:
        desk.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
        assert light("body", "color") < 60
        for place in ("html", "body", ".card", "#verdict"):
            assert light(place, "backgroundColor") > 250, place
        for place in ("#knobs", "#film", "header .buttons"):
            assert desk.js(colour, place, "display") == "none", place
        assert desk.js(colour, ".track", "printColorAdjust") == "exact"
        assert desk.js(colour, "#answer", "overflow") == "visible"
    finally:
        desk.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
