"""Size and pace of the rehearsal page (2,000 carriers, two feeders); never failed on a clock.

Run with ``pytest -m benchmark -s tests/benchmarks/test_rehearse_page.py``. The pace is by the
page's own measure, in Chromium without a window and without a graphics card.
"""

from __future__ import annotations

import importlib.util
import shutil
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from feedsim.answers.rehearse.page.page import rehearse_page
from feedsim.answers.rehearse.study.choice import ShownCarriers
from feedsim.answers.rehearse.study.scene import scene
from feedsim.scenario import load_scenario

pytestmark = pytest.mark.benchmark

SCENARIO = Path(__file__).parents[2] / "scenarios" / "two_feeders.toml"
CARRIERS = range(20, 2020)
PACES = {"1/10": 3, "real time": 6, "10 times": 9}


def report(text: str) -> None:
    print(f"\n    {text}")  # noqa: T201 - a benchmark is there to be read


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("page") / "rehearse.html"
    start = time.perf_counter()
    text = rehearse_page([scene(load_scenario(SCENARIO), ShownCarriers(CARRIERS), name="")])
    path.write_text(text, "utf-8")
    report(f"made in {time.perf_counter() - start:.1f} s")
    return path


@pytest.fixture(scope="module")
def driver() -> Iterator[Any]:
    if not (shutil.which("chromium") and shutil.which("chromedriver")):
        pytest.skip("needs chromium and chromedriver")
    if not importlib.util.find_spec("selenium"):
        pytest.skip("needs selenium")
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    options.binary_location = shutil.which("chromium") or ""
    for switch in ("--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"):
        options.add_argument(switch)
    driver = webdriver.Chrome(options=options, service=Service(shutil.which("chromedriver")))
    metrics = {"width": 1280, "height": 720, "deviceScaleFactor": 1, "mobile": False}
    driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
    yield driver
    driver.quit()


def test_size_of_two_thousand_carriers(page: Path) -> None:
    size = page.stat().st_size
    report(f"2,000 carriers, two feeders: {size / 1e6:.2f} MB (goal: under 5)")
    assert size < 5_000_000


def test_first_picture_and_pictures_a_second(page: Path, driver: Any) -> None:
    first = []
    for _ in range(5):
        driver.get(page.as_uri())
        time.sleep(1.5)
        first.append(driver.execute_script("return rehearsal.measure.first_picture_ms"))
    report(f"first picture after {sorted(first)[2]:.0f} ms, {max(first):.0f} at worst (goal: 1000)")
    for words, pace in PACES.items():
        driver.execute_script(
            "const { clock } = rehearsal; clock.set(clock.from + 100);"
            "clock.setPace(arguments[0]); clock.play()",
            pace,
        )
        time.sleep(3.0)
        rate = driver.execute_script("return rehearsal.measure.frames_per_s")
        driver.execute_script("rehearsal.clock.pause()")
        report(f"{words}: {rate:.0f} pictures a second (goal: 50 or more)")


def test_one_picture_takes(page: Path, driver: Any) -> None:
    """Without waiting for the screen: the work of one picture, diagram and numbers."""
    driver.get(page.as_uri())
    time.sleep(1.0)
    took = driver.execute_script(
        """
        const { clock, redrawNow } = rehearsal;
        const times = [];
        for (let i = 0; i < 200; i++) {
          clock.set(clock.from + 100 + 0.01 * i);
          const start = performance.now();
          redrawNow();
          times.push(performance.now() - start);
        }
        return times.sort((a, b) => a - b)[100];
        """
    )
    report(f"one picture, diagram and numbers: {took:.1f} ms of script")
