"""The answers of the desk: those of a fresh page and of the command; pinned, told, swept, saved."""

from __future__ import annotations

import os
import random
import shlex
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.browser import test_accessible
from tests.browser.served import SCENARIOS, Server, forget, idle, loaded, opened, until

TURNS = 200
TURN = """
const [turns, done] = arguments;
for (const [path, value] of turns) {
  if (value === "undo") { document.getElementById("undo").click(); continue; }
  const { field } = desk.knobs.made.get(path);
  field.value = value;
  field.dispatchEvent(new Event("change", { bubbles: true }));
}
done();
"""
PAST_THEIR_CARD = """
const parts = document.querySelectorAll("#cards :is(th, td, dt, dd, p, .track, .value)");
return [...parts].filter((e) => {
  const [own, card] = [e, e.closest(".card")].map((one) => one.getBoundingClientRect());
  const isWide = e.scrollWidth > e.clientWidth + 1 && !e.matches(".track");
  return own.width && (own.right > card.right || own.left < card.left || isWide);
}).map((e) => e.textContent);
"""
axe = test_accessible.axe


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    found = tmp_path_factory.mktemp("desk")
    for name in ("membership_card", "stops", "two_feeders"):
        shutil.copy(SCENARIOS / f"{name}.toml", found)
    return found


@pytest.fixture(scope="module")
def server(folder: Path) -> Iterator[Server]:
    found = Server((str(folder / "membership_card.toml"),))
    yield found
    found.end()


@pytest.fixture
def desk(browser: Any, server: Server) -> Any:
    opened(browser, server.address)
    return browser


def turned(desk: Any, *turns: tuple[str, str]) -> None:
    desk.driver.execute_async_script(TURN, turns)


def commanded(desk: Any, where: Path) -> str:
    """Return what the command that the page names prints, without what it wrote."""
    line = desk.js(
        "return desk.planner.single('command', { carriers: 5000 })"
        ".then((line) => line.answer.commands[0].command)"
    )
    arguments = shlex.split(line)[1:]
    ran = subprocess.run(
        [sys.executable, "-m", "feedsim", *arguments],
        cwd=where, check=True, capture_output=True, text=True,
        env={**os.environ, "COLUMNS": "100", "PYTHONPATH": str(SCENARIOS.parent)},
    )  # fmt: skip
    return ran.stdout.partition("\nwrote ")[0].strip()


def test_random_turns_end_as_a_fresh_page_and_as_the_command(desk: Any, tmp_path: Path) -> None:
    choose = random.Random(20261127)  # noqa: S311 - turns, no secrets
    knobs = desk.js(
        "return [...desk.knobs.made.values()].map((k) => k.knob)"
        ".filter((k) => k.rank && k.number).map((k) => [k.path, k.number, k.unit])"
    )
    turns: list[tuple[str, str]] = []
    for _ in range(TURNS):
        path, number, unit = choose.choice(knobs)
        shown = f"{round(number * choose.uniform(0.85, 1.2), 3):g} {unit}".strip()
        turns.append((path, "undo" if choose.random() < 0.1 else shown))
    for start in range(0, TURNS, 10):
        turned(desk, *turns[start : start + 10])
    idle(desk)
    changes = desk.js("return desk.turns.now.changes")
    assert len(changes) >= 10
    texts = [desk.text("#printed-text")]
    closed = [desk.text("#budget")]
    forget(desk)
    turned(desk, *[(path, change["value"]) for path, change in changes.items()])
    idle(desk)
    assert desk.js("return desk.turns.now.changes") == changes
    texts.append(desk.text("#printed-text"))
    closed.append(desk.text("#budget"))
    assert texts[0] == texts[1]
    assert closed[0] == closed[1]
    assert commanded(desk, tmp_path) == texts[0].strip()
    assert desk.console() == []


def test_a_delayed_answer_does_not_take_the_place_of_a_newer_one(desk: Any) -> None:
    desk.js(
        """
        const real = window.fetch;
        window.fetch = async (address, options) => {
          const answer = await real(address, options);
          if (!window.goOn && options?.body?.includes('"run"') && options.body.includes("90 m/min"))
            await new Promise((done) => (window.goOn = done));
          return answer;
        };
        """
    )
    turned(desk, ("line.speed", "90 m/min"))
    until(desk, "return Boolean(window.goOn)")  # the answer has come, and is held back
    turned(desk, ("line.speed", "70 m/min"))
    until(desk, "return desk.shown.newest.forms.head.turn === desk.turns.id")
    desk.js("window.goOn()")
    idle(desk)
    assert desk.text("#printed-text").split("\n")[1].startswith("70 m/min")
    assert desk.js("return desk.shown.newest.run.head.turn === desk.turns.id")


def test_pinned_a_stays_beside_now_with_what_is_decided(desk: Any) -> None:
    desk.click("#pin")
    turned(desk, ("line.speed", "90 m/min"))
    idle(desk)
    text = desk.text("#printed-text")
    assert text.index("60 m/min") < text.index("90 m/min")
    told = desk.text("#differences")
    assert "A against now, on the same carriers" in told
    assert "A is better" in told
    assert "A" in desk.text("#placement .legend")
    assert told.count("90 m/min") == 2  # what now is, and what it runs at; not where A is better
    turned(desk, ("controller.scan", "4 ms"), ("controller.scan", "3 ms"))
    idle(desk)
    said = desk.text("#differences .card-words")
    a = "A: controller.scan as in the file, line.speed as in the file."
    assert said.startswith(f"{a} now: controller.scan 3 ms, line.speed 90 m/min.")
    for width in (320, 390, 700, 1024, 1280, 1440):
        desk.size(width, 720)
        desk.settle()
        assert desk.js(PAST_THEIR_CARD) == [], width
    desk.size(1280, 720)
    desk.keys("p")
    idle(desk)
    assert not desk.shows("#differences")
    assert desk.js(PAST_THEIR_CARD) == []


def test_a_bar_and_a_miss_tell_their_story(desk: Any) -> None:
    from selenium.webdriver.common.keys import Keys

    bar = '.histogram .bin[tabindex="0"]'
    carrier = desk.attribute(bar, "aria-label").rpartition(" ")[2]
    desk.type(bar, Keys.ENTER)
    until(desk, "return document.getElementById('story-text').textContent.length > 20")
    assert f"carrier {carrier}" in desk.text("#story-text").lower()
    assert f"--carrier {carrier}" in desk.text("#story-command")
    desk.click("#story-dialog .close")
    desk.js("document.querySelector('.carriers button').scrollIntoView({ block: 'center' })")
    desk.click(".carriers button")
    until(desk, "return document.getElementById('story-text').textContent.includes('MISSED')")
    desk.click("#story-play")
    until(desk, "return Boolean(document.querySelector('#film iframe:not(.coming)'))")
    until(
        desk,
        "return Boolean(document.querySelector('#film iframe')"
        ".contentWindow.rehearsal?.drawn().length)",
    )
    desk.js(
        "window.frame = document.querySelector('#film iframe');"
        "frame.focus(); frame.contentDocument.getElementById('play').focus()"
    )
    turned(desk, ("line.speed", "61 m/min"))
    until(desk, "return !frame.isConnected")  # another film has come
    assert desk.js(
        "const now = document.activeElement;"
        "return now.matches('#film iframe') && now.contentDocument.activeElement.id === 'play'"
    )


def test_a_sweep_runs_and_a_search_is_broken_off(desk: Any) -> None:
    from selenium.webdriver.common.keys import Keys

    desk.js("document.getElementById('sweep-values-1').value = '60, 80'")
    desk.js("document.getElementById('sweep-carriers').value = '400'")
    desk.js("document.getElementById('sweep').scrollIntoView({ block: 'center' })")
    desk.click("#sweep-begin")
    until(desk, "return Boolean(document.querySelector('#sweep pre'))")
    assert "80 m/min" in desk.text("#sweep pre")
    assert desk.js("return document.getElementById('sweep-values-1').value") == "60, 80 m/min"
    assert "feedsim sweep" in desk.text("#sweep .command")
    assert desk.js("return document.querySelector('#sweep img').naturalWidth") > 100
    # a second knob makes a map: chosen and typed as a user does
    desk.type("#sweep-knob-2", "Controller: scan", Keys.TAB)
    assert desk.js("return document.getElementById('sweep-knob-2').value") == "controller.scan"
    assert desk.shows("#sweep-values-2")
    desk.type("#sweep-values-2", Keys.CONTROL, "a")
    desk.type("#sweep-values-2", "2, 4", Keys.TAB)
    desk.type("#sweep-carriers", Keys.CONTROL, "a")
    desk.type("#sweep-carriers", "200")
    desk.click("#sweep-begin")
    until(desk, "return document.querySelector('#sweep pre')?.textContent.includes('4 ms')")
    command = desk.text("#sweep .command code")
    assert "controller.scan=2, 4 ms" in command
    assert "line.speed=60, 80 m/min" in command
    assert "Sweep over controller.scan and line.speed" in desk.attribute("#sweep img", "alt")
    desk.type("#sweep-knob-2", Keys.HOME, Keys.TAB)
    assert not desk.shows("#sweep-values-2")
    turned(desk, ("line.speed", "70 m/min"))
    assert "of earlier values" in desk.text("#sweep .card-of")
    desk.js("document.getElementById('sweep-values-1').value = 'fast'")
    desk.click("#sweep-begin")
    until(desk, "return document.querySelector('#sweep .said-now').textContent.includes('needs')")
    assert desk.text("#sweep .said-now").startswith("line.speed: found 'fast'; needs values as")
    assert desk.text("#sweep .work-answer") == ""
    desk.js("document.getElementById('limit').scrollIntoView({ block: 'center' })")
    desk.js(
        "document.getElementById('limit-begin').click();"
        "document.getElementById('limit-cancel').click()"
    )
    until(desk, "return document.querySelector('#limit .said-now').textContent === 'cancelled'")
    assert desk.shows("#limit-begin")


def test_saving_asks_twice_before_it_writes_over(desk: Any, folder: Path) -> None:
    from selenium.webdriver.common.keys import Keys

    before = (folder / "membership_card.toml").read_text("utf-8")
    turned(desk, ("line.speed", "75 m/min"))
    idle(desk)
    desk.keys("s")
    until(desk, "return document.getElementById('save-name').value !== ''")
    for expected in ("Saved as", "exists already"):
        desk.type("#save-name", Keys.CONTROL, "a")
        desk.type("#save-name", "faster.toml")
        desk.click("#save-new")
        until(
            desk,
            f"return document.getElementById('take-said').textContent.includes('{expected}')",
        )
    saved = folder / "faster.toml"
    assert 'speed = "75 m/min"' in saved.read_text("utf-8")
    assert saved.read_text("utf-8").startswith(before.split("\n")[0])
    saved.write_text(saved.read_text("utf-8") + "# later\n", "utf-8")
    desk.click("#save-over")
    until(desk, "return document.getElementById('take-said').textContent.includes('already')")
    assert saved.read_text("utf-8").endswith("# later\n")
    desk.click("#save-over")
    until(desk, "return document.getElementById('take-said').textContent.includes('Saved as')")
    assert not saved.read_text("utf-8").endswith("# later\n")
    assert (folder / "membership_card.toml").read_text("utf-8") == before
    desk.click("#take-dialog .close")
    assert desk.text("#about").startswith("faster.toml · 0 knobs turned")


def test_a_server_that_is_gone_is_told_and_nothing_is_lost(browser: Any, folder: Path) -> None:
    file = str(folder / "two_feeders.toml")
    server = Server((file,))
    try:
        opened(browser, server.address)
        turned(browser, ("line.speed", "61 m/min"))
        idle(browser)
        browser.click('#feeders input[value="1"]')
        server.end()
        turned(browser, ("line.speed", "62 m/min"))
        until(browser, "return !document.getElementById('server-notice').hidden")
        assert "does not answer" in browser.text("#server-notice")
        turned(browser, ("line.speed", "63 m/min"))
        try:
            server.start()
        except AssertionError:
            pytest.skip("the port was taken by another")
        until(
            browser,
            "return document.getElementById('server-notice').textContent.includes('restarted')",
        )
        browser.driver.get(server.address)
        loaded(browser)
        assert browser.text("#printed-text").split("\n")[1].startswith("63 m/min")
        browser.click("#undo")
        assert browser.text("#about").split("· ")[1] == "1 knob turned "
    finally:
        server.end()


def test_two_scenarios_open_with_the_first_one_pinned(browser: Any, folder: Path) -> None:
    fast = folder / "fast.toml"
    card = folder / "membership_card.toml"
    fast.write_text(card.read_text("utf-8").replace('"60 m/min"', '"90 m/min"', 1), "utf-8")
    server = Server((str(card), str(fast)))
    try:
        opened(browser, server.address)
        text = browser.text("#printed-text")
        assert text.index("60 m/min") < text.index("90 m/min")
        assert browser.text("#about").startswith("fast.toml")
    finally:
        server.end()


def test_lines_that_cannot_be_compared_are_told_and_now_runs_alone(
    browser: Any, folder: Path
) -> None:
    files = [str(folder / f"{name}.toml") for name in ("membership_card", "two_feeders")]
    server = Server((*files,))
    try:
        opened(browser, server.address)
        told = browser.text("#fault-notice")
        assert "A cannot be compared with what is shown" in told
        assert "A has 1 and now there are 2" in told
        assert browser.text("#printed-text").startswith("Card and leaflet")
        turned(browser, ("line.speed", "45 m/min"))
        idle(browser)
        assert browser.text("#printed-text").split("\n")[1].startswith("45 m/min")
        browser.click("#pin")  # lets A go
        idle(browser)
        until(browser, "return document.getElementById('fault-notice').hidden")
        first = "#knob-feeder-0-insert-gap"
        assert browser.attribute(first, "aria-label") == "Card feeder: inserts gap"
    finally:
        server.end()


def test_what_check_warns_of_is_shown_and_what_no_closed_form_knows(
    browser: Any, folder: Path
) -> None:
    server = Server((str(folder / "stops.toml"),))
    try:
        opened(browser, server.address)
        idle(browser)
        # a line that may stop runs on the slower engine, and begins with fewer
        assert browser.text("#shares .card-of") == "2,000 carriers"
        warned = browser.text("#warnings")
        assert "jam at 60 m/min in closed form; 0.1 % is allowed" in warned
        for place in (warned, browser.text("#placement .card-words")):
            assert "The closed forms leave out [supervision]" in place
        turned(browser, ("feeder.0.insert.double", "0 %"), ("feeder.0.eye.missed", "0 %"))
        idle(browser)
        assert "jam at 60 m/min" not in browser.text("#warnings")
    finally:
        server.end()


def test_axe_finds_nothing_in_the_desk(desk: Any, axe: str) -> None:
    """As every page that feedsim writes; also pinned, with a fault, and with its dialogs open."""
    states = {
        "plain": "",
        "pinned": "document.getElementById('pin').click()",
        "a fault": "const { field } = desk.knobs.made.get('line.speed'); field.value = '80 mm';"
        "field.dispatchEvent(new Event('change', { bubbles: true }))",
        "turns": "document.getElementById('turns-button').click()",
        "take": "document.querySelector('dialog[open]').close();"
        "document.querySelector('[data-do=take]').click()",
        "keys": "document.querySelector('dialog[open]').close();"
        "document.querySelector('[data-do=keys]').click()",
    }
    for state, script in states.items():
        desk.js(script)
        if state == "pinned":
            idle(desk)
        if state == "a fault":
            until(desk, "return !document.getElementById('fault-notice').hidden")
        sizes = dict(test_accessible.SIZES)
        if state not in {"plain", "pinned"}:
            sizes = {"laptop": sizes["laptop"]}
        for size, (width, height, ratio) in sizes.items():
            for dark in (False, True):
                desk.size(width, height, dark=dark, ratio=ratio)
                desk.settle()
                assert test_accessible.violations(desk, axe) == [], (state, size, dark)
                wide = desk.js("return document.documentElement.scrollWidth - innerWidth")
                assert wide <= 0, (state, size)
