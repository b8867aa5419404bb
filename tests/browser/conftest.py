"""A page in a real browser: Debian's Chromium without a window, driven through its chromedriver.

Without chromium, chromedriver or selenium these tests are left out, and say so; where
FEEDSIM_NEEDS_BROWSER is set they fail instead.
"""

from __future__ import annotations

import importlib.util
import json
import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

MOVED_S = 20
PATIENCE_S = 100  # below what the driver's own connection waits for an answer
READY = "return Boolean(window.rehearsal && rehearsal.drawn().length)"
DRAW_AT = """
const [at, done] = arguments;
rehearsal.clock.set(at);
requestAnimationFrame(() => requestAnimationFrame(() => done(rehearsal.drawn())));
"""
SETTLED = "requestAnimationFrame(() => requestAnimationFrame(() => arguments[0]()))"


def missing() -> str:
    """Return what a browser test needs and is not there; empty where all is."""
    needs = {
        "chromium (Debian: chromium)": shutil.which("chromium"),
        "chromedriver (Debian: chromium-driver)": shutil.which("chromedriver"),
        "selenium (PyPI)": importlib.util.find_spec("selenium"),
    }
    return ", ".join(name for name, there in needs.items() if not there)


@dataclass
class Browser:
    """A browser window with one page in it."""

    driver: Any
    own: str = ""

    def open(self, page: Path, fragment: str = "") -> None:
        """Load a page from disk and wait for its first picture."""
        from selenium.webdriver.support.wait import WebDriverWait

        self.driver.get("about:blank")
        self.console()
        self.requests()
        self.driver.get(page.resolve().as_uri() + fragment)
        WebDriverWait(self.driver, PATIENCE_S).until(lambda _: self.js(READY))
        self.settle()

    def alone(self) -> None:
        """Close what windows a page has opened: behind one of them nothing is drawn any more."""
        own, *others = sorted(self.driver.window_handles, key=lambda one: one != self.own)
        for other in others:
            self.driver.switch_to.window(other)
            self.driver.close()
        self.driver.switch_to.window(own)

    def js(self, script: str, *values: object) -> Any:
        from selenium.webdriver.remote.webelement import WebElement

        found = self.driver.execute_script(script, *values)
        assert not isinstance(found, WebElement), "a redraw may take it away: see `on`"
        return found

    def settle(self) -> None:
        """Wait until what was changed is drawn."""
        self.driver.execute_async_script(SETTLED)

    def drawn_at(self, at: float) -> list[dict[str, Any]]:
        """Set the clock, and return what was drawn then, a picture each."""
        drawn: list[dict[str, Any]] = self.driver.execute_async_script(DRAW_AT, at)
        return drawn

    def on(self, css: str, do: Callable[[Any], Any]) -> Any:
        """Do something to an element; found anew where a redraw took its place or moved it.

        The one way to an element: no test holds one, since the page may redraw at any time.
        """
        from selenium.common.exceptions import (
            ElementClickInterceptedException,
            StaleElementReferenceException,
        )
        from selenium.webdriver.common.by import By
        from selenium.webdriver.support.wait import WebDriverWait

        def done(_: Any) -> tuple[Any]:
            return (do(self.driver.find_element(By.CSS_SELECTOR, css)),)

        moved = [StaleElementReferenceException, ElementClickInterceptedException]
        (found,) = WebDriverWait(self.driver, MOVED_S, 0.05, ignored_exceptions=moved).until(done)
        return found

    def type(self, css: str, *keys: str) -> None:
        """Press keys in an element, one call as one sequence."""
        self.on(css, lambda element: element.send_keys(*keys))

    def attribute(self, css: str, name: str) -> str | None:
        found: str | None = self.js(
            "return document.querySelector(arguments[0]).getAttribute(arguments[1])", css, name
        )
        return found

    def box(self, css: str) -> dict[str, float]:
        """Return where an element is (CSS pixels of the window)."""
        found: dict[str, float] = self.js(
            "return document.querySelector(arguments[0]).getBoundingClientRect().toJSON()", css
        )
        return found

    def shows(self, css: str) -> bool:
        return bool(self.js("return document.querySelector(arguments[0]).checkVisibility()", css))

    def point(self, css: str, act: Callable[[Any, Any], Any]) -> None:
        """Do something with the mouse: `act` gets a chain of actions, and an element."""
        from selenium.webdriver.common.action_chains import ActionChains

        self.on(css, lambda e: act(ActionChains(self.driver, duration=0), e).perform())
        self.settle()

    def keys(self, *keys: str) -> None:
        """Press keys with nothing focused."""
        self.js("document.activeElement?.blur()")
        self.keys_there(*keys)

    def keys_there(self, *keys: str) -> None:
        """Press keys where the focus is."""
        from selenium.webdriver.common.action_chains import ActionChains

        ActionChains(self.driver, duration=0).send_keys(*keys).perform()
        self.settle()

    def release(self) -> None:
        """Let go of the mouse, where it is."""
        from selenium.webdriver.common.action_chains import ActionChains

        ActionChains(self.driver, duration=0).release().perform()
        self.settle()

    def click(self, css: str) -> None:
        self.on(css, lambda element: element.click())
        self.settle()

    def text(self, css: str) -> str:
        return str(self.js("return document.querySelector(arguments[0]).textContent", css))

    def size(self, width: int, height: int, *, dark: bool = False, ratio: int = 1) -> None:
        """Set the size of the page (CSS pixels), its zoom, and whether it is to be dark."""
        metrics = {"width": width, "height": height, "deviceScaleFactor": ratio, "mobile": False}
        self.driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [scheme]})

    def console(self) -> list[str]:
        """Return what the console has said since it was last asked."""
        return [f"{entry['level']}: {entry['message']}" for entry in self.driver.get_log("browser")]

    def requests(self) -> list[str]:
        """Return the addresses asked for since this was last asked."""
        messages = (
            json.loads(entry["message"])["message"] for entry in self.driver.get_log("performance")
        )
        return [
            message["params"]["request"]["url"]
            for message in messages
            if message["method"] == "Network.requestWillBeSent"
        ]


@contextmanager
def chromium() -> Iterator[Browser]:
    """Start a browser, and end it."""
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    options.binary_location = shutil.which("chromium") or ""
    for switch in (
        "--headless=new",
        "--no-sandbox",  # pages of our own only; as root there is none
        "--disable-gpu",
        "--disable-dev-shm-usage",
        "--disable-background-networking",
        "--force-prefers-reduced-motion",
    ):
        options.add_argument(switch)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(shutil.which("chromedriver")))
    driver.set_script_timeout(PATIENCE_S)
    try:
        yield Browser(driver, driver.current_window_handle)
    finally:
        driver.quit()


@pytest.fixture(scope="session")
def started() -> Iterator[Browser]:
    if lacks := missing():
        reason = f"tests in a browser left out; they need {lacks}"
        if os.environ.get("FEEDSIM_NEEDS_BROWSER"):
            pytest.fail(reason)
        pytest.skip(reason)
    with chromium() as browser:
        yield browser


@pytest.fixture
def browser(started: Browser) -> Browser:
    started.alone()
    started.size(1280, 720)
    return started


@pytest.fixture(scope="session")
def page_of(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Path]:
    """Return what makes a page from setups, and keeps it: overrides of a scenario each."""
    made: dict[object, Path] = {}

    def make(file: str, *setups: tuple[str, ...], chosen: tuple[int, int] = (20, 30)) -> Path:
        key = (file, setups, chosen)
        if key not in made:
            made[key] = _write(tmp_path_factory.mktemp("page"), file, setups, chosen)
        return made[key]

    return make


def _write(
    folder: Path, file: str, setups: tuple[tuple[str, ...], ...], chosen: tuple[int, int]
) -> Path:
    from feedsim.answers.rehearse.page.page import rehearse_page
    from feedsim.answers.rehearse.study.choice import ShownCarriers
    from feedsim.answers.rehearse.study.scene import scene
    from feedsim.scenario import load_scenario

    path = Path(__file__).parents[2] / "scenarios" / f"{file}.toml"
    scenes = [
        scene(
            load_scenario(path, overrides=setup), ShownCarriers(range(*chosen)), name=f"setup {n}"
        )
        for n, setup in enumerate(setups or ((),))
    ]
    page = folder / "rehearse.html"
    page.write_text(rehearse_page(scenes), "utf-8")
    return page
