"""What is read and printed: report, sheet and page on a phone, in the dark and on paper."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import feedsim

SCENARIOS = Path(__file__).parents[2] / "scenarios"
WIDE = "return [document.documentElement.scrollWidth, document.body.scrollWidth]"
COLOURS = """
const { color, backgroundColor } = getComputedStyle(document.body);
return [color, getComputedStyle(document.documentElement).backgroundColor, backgroundColor];
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A report and a sheet, each as the command writes it, of a scenario in inches and feet."""
    made = tmp_path_factory.mktemp("paper")
    line = feedsim.load(SCENARIOS / "imperial.toml", ["run.carriers=200"])
    report = feedsim.sweep(line, "100,200 ft/min").files()["report.html"]
    (made / "report.html").write_bytes(report)
    (made / "setup.html").write_bytes(feedsim.setup(line).files()["setup.html"])
    return made


def opened(
    browser: Any, page: Path, width: int, *, dark: bool = False, print_: bool = False
) -> None:
    browser.size(width, 844, dark=dark)
    browser.driver.get(page.as_uri())
    if print_:
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        media = {"media": "print", "features": [scheme]}
        browser.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", media)


@pytest.fixture
def paper(browser: Any) -> Any:
    yield browser
    browser.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})


def light(colour: str) -> float:
    """Return how light a colour is, 0 to 255; one that is all transparent shows white paper."""
    parts = [float(p) for p in colour.partition("(")[2].rstrip(")").split(",")]
    return 255.0 if len(parts) == 4 and parts[3] == 0.0 else sum(parts[:3]) / 3.0


@pytest.mark.parametrize("name", ["report.html", "setup.html"])
def test_it_is_one_column_on_a_phone(name: str, paper: Any, folder: Path) -> None:
    """Only a wide table or figure scrolls sideways, within itself."""
    for width in (360, 390):
        opened(paper, folder / name, width)
        assert max(paper.js(WIDE)) <= width
        small = paper.js(
            "return [...document.querySelectorAll('p, li, td, th, pre')]"
            ".filter((e) => parseFloat(getComputedStyle(e).fontSize) < 12).length"
        )
        assert small == 0


@pytest.mark.parametrize("name", ["report.html", "setup.html"])
def test_the_dark_is_dark_and_prints_dark_ink_on_white(name: str, paper: Any, folder: Path) -> None:
    opened(paper, folder / name, 1280, dark=True)
    ink, _, background = map(light, paper.js(COLOURS))
    assert (ink > 200, background < 60) == (True, True)
    opened(paper, folder / name, 1280, dark=True, print_=True)
    ink, root, background = map(light, paper.js(COLOURS))
    assert ink < 60
    assert min(root, background) > 250


def test_the_scenario_in_the_report_is_a_file_to_paste(paper: Any, folder: Path) -> None:
    """As it stands in the browser it is TOML, in the units of the file, and gives the same line."""
    opened(paper, folder / "report.html", 1280)
    text = paper.text("pre")
    assert "ft/min" in text
    line = feedsim.Line.from_dict(tomllib.loads(text))
    file = feedsim.load(SCENARIOS / "imperial.toml", ["run.carriers=200"])
    assert line.scenario == file.scenario


def test_a_number_of_the_sheet_keeps_its_unit(paper: Any, folder: Path) -> None:
    """No cell of the table of settings, and no correction, is on two lines, on a phone neither."""
    lines = """
    const range = document.createRange();
    const cells = document.querySelectorAll(".typein td, .corrections td, .derive td:last-child");
    return [...cells].filter((c) => c.textContent.trim()).map((c) => {
      range.selectNodeContents(c);
      const tops = [...range.getClientRects()].map((box) => Math.round(box.top));
      return [c.textContent, new Set(tops).size];
    });
    """
    for width in (360, 820, 1280):
        opened(paper, folder / "setup.html", width)
        found = paper.js(lines)
        assert len(found) > 20
        assert [text for text, count in found if count != 1] == []


def test_the_page_prints_light_and_in_proportion(paper: Any, page_of: Callable[..., Path]) -> None:
    paper.size(1280, 720, dark=True)
    paper.open(page_of("membership_card", ()))
    assert paper.js("return document.documentElement.dataset.theme") == "dark"
    paper.js("window.theme = () => document.documentElement.dataset.theme; window.seen = []")
    paper.js("addEventListener('beforeprint', () => seen.push(theme()))")
    pdf = paper.driver.execute_cdp_cmd("Page.printToPDF", {"preferCSSPageSize": True})["data"]
    assert len(pdf) > 20_000
    assert paper.js("return seen") == ["light"]  # its own listener came first
    assert paper.js("return theme()") == "dark"  # and dark again on the screen
    opened(paper, page_of("membership_card", ()), 1040, print_=True)
    shapes = paper.js(
        """
        return [...document.querySelectorAll("figure canvas")].map((c) => {
          const box = c.getBoundingClientRect();
          return [box.width / box.height, c.width / c.height, box.left, box.right];
        });
        """
    )
    assert len(shapes) == 3
    for shown, drawn, left, right in shapes:
        assert shown == pytest.approx(drawn, rel=0.02)
        assert left >= 0.0
        assert right <= 1040.0
    assert not paper.shows("footer")


def test_a_point_in_a_picture_leads_to_its_numbers(paper: Any, folder: Path) -> None:
    for width in (1280, 390):
        opened(paper, folder / "report.html", width)
        spot = ".areas a:nth-of-type(2)"
        paper.js("document.querySelector(arguments[0]).scrollIntoView({block: 'center'})", spot)
        paper.point(spot, lambda chain, a: chain.move_to_element(a).click())
        assert paper.driver.current_url.endswith("#point-0-1")
        assert "200 ft/min" in paper.text("tr:target")
