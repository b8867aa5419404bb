"""What a user saves from the desk: files that a browser downloads, commands that are copied."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

import feedsim
from tests.browser.served import SCENARIOS, Server, idle, opened, until

CARD = SCENARIOS / "membership_card.toml"
TURNED = "line.speed=72 m/min"
PATIENCE_S = 100
TURN = """
const { field } = desk.knobs.made.get("line.speed");
field.value = "72 m/min";
field.dispatchEvent(new Event("change", { bubbles: true }));
"""


@pytest.fixture(scope="module")
def server() -> Iterator[Server]:
    found = Server((str(CARD),))
    yield found
    found.end()


@pytest.fixture
def desk(browser: Any, server: Server, tmp_path: Path) -> Any:
    opened(browser, server.address)
    saved = {"behavior": "allow", "downloadPath": str(tmp_path), "eventsEnabled": False}
    browser.driver.execute_cdp_cmd("Browser.setDownloadBehavior", saved)
    browser.js(TURN)
    idle(browser)
    browser.keys("s")
    until(browser, "return document.querySelectorAll('#take-commands .command').length > 2")
    return browser


def downloaded(desk: Any, button: str, folder: Path) -> Path:
    """Take a page along, and wait until the browser has it."""
    desk.click(button)
    until(desk, "return document.getElementById('take-said').textContent.includes('download')")
    name = desk.text("#take-said").partition(":")[0]
    end = time.monotonic() + PATIENCE_S
    while not (folder / name).exists() and time.monotonic() < end:
        time.sleep(0.05)
    return folder / name


def test_the_set_up_sheet_comes_as_a_file_that_says_what_was_turned(
    desk: Any, tmp_path: Path
) -> None:
    page = downloaded(desk, "#take-sheet", tmp_path)
    assert page.name == "membership_card_line.speed-72-m-min_setup.html"
    wanted = feedsim.setup(feedsim.load(CARD, [TURNED])).files()["setup.html"]
    assert page.read_bytes() == wanted
    assert b"Other than in the scenario" in wanted.partition(b"<h2")[0]


def test_the_page_to_mail_comes_as_one_file_that_plays(desk: Any, tmp_path: Path) -> None:
    page = downloaded(desk, "#take-mail", tmp_path)
    assert page.name == "membership_card_line.speed-72-m-min_rehearse.html"
    desk.open(page)  # waits for its first picture
    assert (
        desk.text("header .changed") == "Other than in the scenario's file: line.speed = 72 m/min."
    )
    assert desk.box("header .changed")["bottom"] < 120
    asked = [a for a in desk.requests() if not a.startswith(("data:", "file:", "about:"))]
    assert asked == []
    assert desk.console() == []


def test_a_command_is_copied(desk: Any, server: Server) -> None:
    origin = f"http://127.0.0.1:{server.port}"
    allowed = {"origin": origin, "permissions": ["clipboardReadWrite", "clipboardSanitizedWrite"]}
    desk.driver.execute_cdp_cmd("Browser.grantPermissions", allowed)
    command = desk.text("#take-commands code")
    assert TURNED in command
    desk.click("#take-commands button")
    until(desk, "return document.querySelector('#take-commands button').textContent !== 'Copy'")
    assert desk.text("#take-commands button") == "Copied"
    copied = desk.driver.execute_async_script(
        "const [done] = arguments; navigator.clipboard.readText().then(done, (e) => done(`${e}`))"
    )
    assert copied == command


def test_the_command_goes_with_the_carriers_that_are_shown(desk: Any) -> None:
    assert desk.text("#take-commands code").endswith("--carriers 5000")
    desk.js("document.querySelector('#take-commands button').focus()")
    desk.js("desk.state.rounds.push(7000); desk.planner.again()")
    until(desk, "return desk.shown.newest.run.head.carriers === 7000")
    until(desk, "return document.querySelector('#take-commands code').textContent.endsWith('7000')")
    assert desk.js("return document.activeElement.matches('#take-commands button')")
