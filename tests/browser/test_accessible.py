"""Every page that feedsim writes is held by axe, small, large, zoomed, in light and in dark.

The rules are those of axe-core, a general library that checks pages against the Web Content
Accessibility Guidelines 2.2 (W3C). It is taken from the package axe-playwright-python, of which
nothing else is used.
"""

from __future__ import annotations

import importlib.util
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import feedsim

SCENARIOS = Path(__file__).parents[2] / "scenarios"
ROUGH = ("feeder.0.eye.missed=10 %", "carrier_eye.missed=15 %", "run.carriers=200")
FAST = ('line.speed="140 m/min"',)

Ask = pytest.FixtureRequest


def rehearsal(*setups: Any) -> Callable[[Ask], str]:
    return lambda ask: str(ask.getfixturevalue("page_of")(*setups).as_uri())


def report(**axes: Any) -> Callable[[Ask], str]:
    def make(ask: Ask) -> str:
        line = feedsim.load(SCENARIOS / "membership_card.toml", ["run.carriers=300"])
        return written(ask, feedsim.sweep(line, **axes), "report.html")

    return make


def sheet(name: str) -> Callable[[Ask], str]:
    return lambda ask: written(ask, feedsim.setup(feedsim.load(SCENARIOS / name)), "setup.html")


def written(ask: Ask, answer: Any, name: str) -> str:
    page = ask.getfixturevalue("tmp_path_factory").mktemp("pages") / name
    page.write_bytes(answer.files()[name])
    return str(page.as_uri())


def stopped(ask: Ask) -> str:
    page: Path = ask.getfixturevalue("page_of")("stops", (), chosen=(296, 304))
    return page.as_uri()


PAGES: dict[str, tuple[str, Callable[[Ask], str]]] = {
    "a run": ("answers/rehearse/page/page.html", rehearsal("membership_card", ROUGH)),
    "two setups": ("answers/rehearse/page/page.html", rehearsal("membership_card", (), FAST)),
    "two feeders": ("answers/rehearse/page/page.html", rehearsal("two_feeders", ())),
    "a stop": ("answers/rehearse/page/page.html", stopped),
    "report of speeds": ("answers/sweep/report.html", report(speeds="60,140 m/min")),
    "report of a map": (
        "answers/sweep/report.html",
        report(speeds="60,140 m/min", vary=["feeder.0.insert.gap=60,70 mm"]),
    ),
    "sheet": ("answers/setup/page.html", sheet("membership_card.toml")),
}
"""Name → (template, in ``feedsim``; what returns the address of such a page).

A page that changes as it is used asks for :func:`violations` itself, as the desk's tests do.
"""


SIZES = {
    "phone": (390, 844, 1),
    "tablet": (820, 1180, 1),
    "laptop": (1280, 720, 1),
    "large": (1920, 1080, 1),
    "200 %": (640, 360, 2),
}

RULES = {"target-size": {"enabled": True}}
"""Looked at besides those that axe looks at unasked."""

RUN_AXE = """
const [rules, done] = [arguments[0], arguments[1]];
axe.run(document, { resultTypes: ["violations"], rules }).then(({ violations }) =>
  done(violations.map(({ id, nodes }) =>
    [id, nodes.map((n) => [n.target.join(" "), n.html.slice(0, 120), n.failureSummary])])),
  (error) => done([["axe failed", [[String(error), "", ""]]]]),
);
"""


@pytest.fixture(scope="session")
def axe() -> str:
    found = importlib.util.find_spec("axe_playwright_python")
    if found is None or not found.submodule_search_locations:
        reason = "axe left out; it needs: pip install --no-deps axe-playwright-python"
        if os.environ.get("FEEDSIM_NEEDS_BROWSER"):
            pytest.fail(reason)
        pytest.skip(reason)
    return Path(found.submodule_search_locations[0], "axe.min.js").read_text("utf-8")


def violations(browser: Any, axe: str) -> list[Any]:
    """Return what axe finds wrong in the page as it stands: [rule, [where, what, why]]."""
    if not browser.js("return Boolean(window.axe)"):
        browser.js(axe)
    found: list[Any] = browser.driver.execute_async_script(RUN_AXE, RULES)
    return found


@pytest.mark.parametrize("name", PAGES)
def test_axe_finds_nothing(name: str, browser: Any, axe: str, request: Ask) -> None:
    address = PAGES[name][1](request)
    browser.driver.get(address)
    for size, (width, height, ratio) in SIZES.items():
        for theme in ("light", "dark"):
            browser.size(width, height, dark=theme == "dark", ratio=ratio)
            browser.settle()
            assert violations(browser, axe) == [], (size, theme)


@pytest.mark.parametrize("size", ["phone", "laptop"])
def test_axe_finds_nothing_in_the_list_of_keys_and_the_controls(
    size: str, browser: Any, axe: str, page_of: Callable[..., Path]
) -> None:
    width, height, ratio = SIZES[size]
    browser.size(width, height, ratio=ratio, dark=size == "phone")
    browser.open(page_of("membership_card", ROUGH))
    if browser.shows("#more"):
        browser.click("#more")
        assert violations(browser, axe) == []
    browser.js("document.querySelector('[data-do=keys]').click()")
    browser.settle()
    assert violations(browser, axe) == []


def test_every_template_of_an_answer_is_looked_at() -> None:
    folder = Path(feedsim.__file__).parent
    there = {str(path.relative_to(folder)) for path in folder.glob("answers/**/*.html")}
    assert there <= {template for template, _ in PAGES.values()}


def test_axe_finds_what_is_planted(browser: Any, axe: str, page_of: Callable[..., Path]) -> None:
    """Else the tests above would pass with an axe that looks at nothing."""
    browser.open(page_of("membership_card", ROUGH))
    browser.js(
        """
        document.querySelector("#clock").style.color = "#eee";
        document.querySelector("#time").removeAttribute("aria-label");
        document.querySelector("[data-do=nearer]").style = "min-width: 9px; width: 9px";
        document.querySelector("[data-do=nearer]").style.marginRight = "-9px";
        """
    )
    found = {rule for rule, _ in violations(browser, axe)}
    assert found == {"color-contrast", "label", "target-size"}


CROWDED = """
return [...document.querySelectorAll("button, input, label, summary, a")]
  .filter((e) => !e.closest(".areas")) // points of a picture: the rows of its table do the same
  .filter((e) => e.checkVisibility())
  .map((e) => [e.outerHTML.slice(0, 90), (e.closest("label") ?? e).getBoundingClientRect()])
  .filter(([, box]) => Math.min(box.width, box.height) < 24)
  .map(([what, box]) => [what, box.width, box.height]);
"""


@pytest.mark.parametrize("size", SIZES)
def test_no_target_is_smaller_than_24_px(
    size: str, browser: Any, page_of: Callable[..., Path], request: Ask
) -> None:
    """Success criterion 2.5.8 of the guidelines, without its exceptions."""
    width, height, ratio = SIZES[size]
    browser.size(width, height, ratio=ratio)
    for setups in (("membership_card", ROUGH), ("two_feeders", ())):
        browser.open(page_of(*setups))
        if browser.shows("#more"):
            browser.click("#more")
        assert browser.js(CROWDED) == []
        browser.js("document.getElementById('keys').showModal()")
        assert browser.js(CROWDED) == []
    for name in ("report of speeds", "report of a map", "sheet"):
        browser.driver.get(PAGES[name][1](request))
        assert browser.js(CROWDED) == []


def test_keys_of_one_letter_can_be_switched_off_and_stay_so(
    browser: Any, page_of: Callable[..., Path]
) -> None:
    """Success criterion 2.1.4: whoever dictates to the computer must not set off a jump."""
    browser.open(page_of("membership_card", ROUGH))
    theme = "return document.documentElement.dataset.theme"
    hint = "return document.querySelector('[data-do=theme]').getAttribute('aria-keyshortcuts')"
    before = browser.js(theme)
    browser.keys("b")
    assert browser.js(theme) != before
    assert browser.js(hint) == "b"
    browser.click('[data-do="keys"]')
    browser.click("#letters")
    browser.js("document.getElementById('keys').close()")
    try:
        for _ in range(2):
            before = browser.js(
                "return [document.documentElement.dataset.theme, rehearsal.clock.at]"
            )
            for key in ("b", "m", "M", "?", "i"):
                browser.keys(key)
            after = browser.js(
                "return [document.documentElement.dataset.theme, rehearsal.clock.at]"
            )
            assert after == before
            assert not browser.js("return document.getElementById('keys').open")
            assert browser.js(hint) is None
            browser.keys("\ue014")  # right: no letter, so it still goes to the next event
            assert browser.js("return rehearsal.clock.at") > before[1]
            browser.driver.refresh()  # and it is remembered
            browser.settle()
    finally:
        browser.js("localStorage.clear()")


FOCUS = """
const { outlineStyle, outlineWidth, outlineColor } = getComputedStyle(document.activeElement);
const box = document.activeElement.getBoundingClientRect();
const at = document.elementFromPoint(box.left + box.width / 2, box.top + box.height / 2);
const { id, dataset, tagName } = document.activeElement;
return [id || dataset.do || tagName, outlineStyle, parseFloat(outlineWidth), outlineColor,
  document.activeElement.contains(at) || at?.contains(document.activeElement)];
"""


@pytest.mark.parametrize("size", ["phone", "laptop", "200 %"])
def test_whatever_has_the_focus_can_be_seen(
    size: str, browser: Any, page_of: Callable[..., Path]
) -> None:
    """Success criteria 2.4.7 and 2.4.11: an outline, and nothing over it."""
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.keys import Keys

    width, height, ratio = SIZES[size]
    browser.size(width, height, ratio=ratio)
    browser.open(page_of("membership_card", ROUGH))
    seen = set()
    for _ in range(60):
        ActionChains(browser.driver, duration=0).send_keys(Keys.TAB).perform()
        what, style, thick, _, uncovered = browser.js(FOCUS)
        if what in {"BODY", "HTML"} or (what in seen and what != "BUTTON"):
            break
        seen.add(what)
        assert style != "none", what
        assert thick >= 2.0, what
        assert uncovered, what
    assert {"whole", "play", "time"} <= seen
    assert len(seen) > 10
