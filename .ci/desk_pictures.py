"""Takes the pictures of the desk for plots/gallery/desk: turned, and pinned in the dark."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from tests.browser.conftest import Browser, chromium
from tests.browser.served import SCENARIOS, Server, idle, opened, until

TURN = """
const { field } = desk.knobs.made.get(arguments[0]);
field.value = arguments[1];
field.dispatchEvent(new Event("change", { bubbles: true }));
"""
SETTLED = """
const { run } = desk.shown.newest;
return run.head.turn === desk.turns.id && run.head.carriers === desk.state.rounds.at(-1);
"""


def shoot(browser: Browser, path: Path) -> None:
    """Take a picture of what the page shows."""
    browser.settle()
    browser.driver.save_screenshot(str(path))


def main(out: Path) -> None:
    """Take the pictures."""
    out.mkdir(parents=True, exist_ok=True)
    server = Server((str(SCENARIOS / "membership_card.toml"),))
    try:
        with chromium() as browser:
            browser.size(1280, 720)
            opened(browser, server.address)
            browser.js("desk.state.rounds.push(20_000, 100_000)")  # opened for one alone
            browser.js(TURN, "line.speed", "72 m/min")
            idle(browser)
            until(browser, SETTLED)
            until(browser, "return document.getElementById('engine-notice').hidden")
            shoot(browser, out / "desk.png")
            browser.size(1920, 1080, dark=True)
            browser.click("#pin")
            browser.js(TURN, "controller.motion_cycle", "0.5 ms")
            idle(browser)
            until(browser, SETTLED)
            until(browser, "return Boolean(desk.shown.newest.run.a)")
            shoot(browser, out / "pinned.png")
    finally:
        server.end()


if __name__ == "__main__":
    main(Path(sys.argv[1]))
