"""Sliders of the pages: what there is to take hold of stands out by 3:1, in light and in dark.

Success criterion 1.4.11 of the Web Content Accessibility Guidelines 2.2 (W3C), which axe does not
look at; luminance and contrast ratio as its glossary defines them.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import feedsim

PAGES = Path(feedsim.__file__).parent
REHEARSAL = PAGES / "answers" / "rehearse" / "page"
DESK = PAGES / "desk" / "page"
PARTS = (
    "webkit-slider-runnable-track",
    "moz-range-track",
    "webkit-slider-thumb",
    "moz-range-thumb",
)


def luminance(colour: str) -> float:
    parts = [int(colour[i : i + 2], 16) / 255.0 for i in (1, 3, 5)]
    red, green, blue = (
        part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts
    )
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def inks(text: str) -> tuple[dict[str, str], dict[str, str]]:
    """Return the colours by name, light and dark, of ``light-dark(a, b)`` or of two rules."""
    pairs = re.findall(r"--([\w-]+): light-dark\((#\w{6}), (#\w{6})\)", text)
    if pairs:
        return {n: light for n, light, _ in pairs}, {n: dark for n, _, dark in pairs}
    rules = re.findall(r":root[^{]*\{([^}]*)\}", text)[:2]
    light, dark = (dict(re.findall(r"--([\w-]+): (#\w{6})", rule)) for rule in rules)
    return light, dark


SLIDERS = {
    "rehearsal": (REHEARSAL / "page.css", REHEARSAL / "page.css", ("paper", "page")),
    "desk": (DESK / "ink.css", DESK / "knobs.css", ("paper", "page", "touched")),
}
"""Where the colours are, where the sliders, and on what these stand."""


def test_black_and_white_differ_most() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    # from memory: the lightest grey that reaches 4.5:1 on white, widely quoted with 4.54
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)


@pytest.mark.parametrize("theme", [0, 1], ids=["light", "dark"])
@pytest.mark.parametrize("name", SLIDERS)
def test_the_track_and_the_thumb_of_a_slider_stand_out(name: str, theme: int) -> None:
    colours, rules, grounds = SLIDERS[name]
    ink = inks(colours.read_text("utf-8"))[theme]
    text = rules.read_text("utf-8")
    for part in PARTS:
        (rule,) = re.findall(rf"::-{part} \{{([^}}]*)\}}", text)
        (drawn,) = re.findall(r"background: var\(--([\w-]+)\)", rule)
        for ground in grounds:
            assert contrast(ink[drawn], ink[ground]) >= 3.0, (part, drawn, ground)
