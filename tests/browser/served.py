"""A desk that is served to a browser: a process of its own, ended by its own id."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

SCENARIOS = Path(__file__).parents[2] / "scenarios"
READY = "return Boolean(window.desk && desk.shown.newest.run && desk.knobs.made.size)"
IDLE = """
const [done] = arguments;
const look = () => {
  const { forms, run, speeds } = desk.shown.newest;
  const there = [forms, run, speeds].every((found) => found?.head.turn === desk.turns.id);
  const isReady = document.getElementById("engine-notice").hidden;
  if (there && desk.planner.isAtRest && isReady) done(true);
  else setTimeout(look, 20);
};
look();
"""


@dataclass
class Server:
    """``feedsim desk`` on some files, and the address that it printed."""

    files: tuple[str, ...]
    port: int = 0
    process: subprocess.Popen[str] = field(init=False)
    address: str = field(init=False)

    def __post_init__(self) -> None:
        self.start()

    def start(self) -> None:
        command = [sys.executable, "-m", "feedsim", "desk", "--no-browser"]
        command += ["--port", str(self.port), *self.files]
        environment = {**os.environ, "PYTHONUNBUFFERED": "1"}
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment)
        assert self.process.stdout is not None
        found = re.search(r"http://127\.0\.0\.1:(\d+)/\S+", self.process.stdout.readline())
        assert found
        self.address, self.port = found[0], int(found[1])

    def end(self) -> None:
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGINT)
            try:
                self.process.wait(timeout=60)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait()
        if self.process.stdout is not None:
            self.process.stdout.close()


def opened(browser: Any, address: str) -> None:
    """Open a desk as if for the first time, and wait until it is at rest."""
    browser.driver.get("about:blank")
    browser.console()
    browser.requests()
    browser.driver.get(address)
    until(browser, "return Boolean(window.desk)")
    forget(browser)


def forget(browser: Any) -> None:
    """Drop what this browser has kept of the page, and load it anew."""
    browser.js("sessionStorage.clear(); localStorage.clear()")
    browser.js("window.desk = null; location.reload()")
    loaded(browser)


def loaded(browser: Any) -> None:
    """Wait until a page that is being loaded is at rest; of rounds only the first is run."""
    until(browser, "return Boolean(window.desk)")
    browser.js("desk.state.rounds.splice(1)")
    until(browser, READY)
    idle(browser)


def idle(browser: Any) -> None:
    """Wait until all is answered of the values that stand, and nothing is redrawn any more."""
    browser.driver.execute_async_script(IDLE)
    browser.settle()


def until(browser: Any, script: str) -> None:
    from selenium.common.exceptions import JavascriptException
    from selenium.webdriver.support.wait import WebDriverWait

    wait = WebDriverWait(browser.driver, 100, 0.05, ignored_exceptions=[JavascriptException])
    wait.until(lambda driver: driver.execute_script(script))
