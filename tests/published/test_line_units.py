"""Units and sizes of cards: printed values, in the engine and in the scenario files."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import constants

from feedsim.machine import Line
from feedsim.measures import parse
from feedsim.scenario import starter_text
from tests.machines import machine, run

SCENARIOS = Path(__file__).parents[2] / "scenarios"


@pytest.mark.parametrize(
    ("text", "kind", "value", "library"),
    [
        # NIST SP 811, Appendix B: 1 in = 25.4 mm exactly, 1 ft/min = 5.08e-3 m/s; once more
        # from scipy.constants
        ("1 in", "length", 25.4, constants.inch / constants.milli),
        ("1 ft/min", "speed", 5.08, constants.foot / constants.minute / constants.milli),
        ("100 ft/min", "speed", 508.0, 100.0 * constants.foot / constants.minute / constants.milli),
    ],
)
def test_inch_units(text: str, kind: str, value: float, library: float) -> None:
    assert parse(text, kind) == pytest.approx(value, rel=1e-15)
    assert parse(text, kind) == pytest.approx(library, rel=1e-15)


def test_a_millisecond_at_100_feet_a_minute_is_half_a_millimetre() -> None:
    # NIST SP 811, Appendix B: 100 ft/min = 0.508 m/s, so 1 ms of lead is 0.508 mm
    right = machine(line=Line(parse("100 ft/min", "speed")))
    f = right.feeders[0]
    short = replace(f.settings, engage_lead_s=f.settings.engage_lead_s - parse("1 ms", "time"))
    wrong = replace(right, feeders=(replace(f, settings=short),))
    before, after = (
        run(line, carriers=20).feeders[0].placement_error_mm for line in (right, wrong)
    )
    assert after - before == pytest.approx(np.full(20, 0.508), abs=1e-9)


# Standard, and sides in mm. ISO 216 also for A4; the DL envelope is of ISO 269.
FORMATS = {
    "ID-1": ("ISO/IEC 7810", (85.60, 53.98)),
    "A4": ("ISO 216", (210.0, 297.0)),
    "A5": ("ISO 216", (148.0, 210.0)),
    "A6": ("ISO 216", (105.0, 148.0)),
    "DL": ("ISO 269", (110.0, 220.0)),
}
NAMED = re.compile(rf"\b({'|'.join(FORMATS)})\b")
QUOTED = re.compile(rf"{NAMED.pattern}[^()]*\((ISO[^():]*):\s*([\d.]+ ?(?:mm|in))\b")
COMMENTED_LENGTH = re.compile(rf'^length\s*=\s*"([^"]*)"\s*#.*?{NAMED.pattern}', re.MULTILINE)


def is_side(length: str, name: str) -> bool:
    """Tell whether a length is a side of a format; in inches, to half a hundredth."""
    allowed = 0.127 if "in" in length else 0.005
    return any(abs(parse(length, "length") - side) <= allowed for side in FORMATS[name][1])


def lengths(node: object) -> Iterator[str]:
    """Yield every ``length`` in a scenario, at any depth."""
    for key, value in node.items() if isinstance(node, dict) else ():
        if key == "length":
            yield value
        for item in value if isinstance(value, list) else [value]:
            yield from lengths(item)


def slips_of_the_pen(text: str) -> set[str]:
    """Formats of cards that a scenario names, and whose size or standard it does not use.

    A size quoted as "ID-1 (ISO/IEC 7810: 85.60 mm" has to be right; a format named beside a
    length is that length's; and one named anywhere is the length of something on the line.
    """
    prose = " ".join(line.lstrip("# ") for line in text.splitlines() if line.startswith("#"))
    quoted = {
        name
        for name, standard, length in QUOTED.findall(prose)
        if standard != FORMATS[name][0] or not is_side(length, name)
    }
    beside = {name for length, name in COMMENTED_LENGTH.findall(text) if not is_side(length, name)}
    used = set(lengths(tomllib.loads(text)))
    unused = {
        name for name in NAMED.findall(text) if not any(is_side(length, name) for length in used)
    }
    return quoted | beside | unused


def test_scenarios_that_name_a_size_use_it() -> None:
    texts = {path.name: path.read_text("utf-8") for path in sorted(SCENARIOS.glob("**/*.toml"))}
    texts["the starter"] = starter_text()
    assert {name: wrong for name, text in texts.items() if (wrong := slips_of_the_pen(text))} == {}
    assert set(NAMED.findall(texts["the starter"])) == {"A5", "ID-1"}


SMALL = """\
# The letter is an A5 sheet (ISO 216:
# 210 mm), the card ID-1 (ISO/IEC 7810: 85.60 mm).
[carrier]
length = "210 mm"
[[feeder]]
[feeder.insert]
length = "85.6 mm"   # ID-1
"""


@pytest.mark.parametrize(
    ("right", "wrong", "found"),
    [
        ('"85.6 mm"', '"86.5 mm"', {"ID-1"}),
        ("85.60 mm)", "86.50 mm)", {"ID-1"}),
        ("ISO/IEC 7810", "ISO/IEC 7816", {"ID-1"}),
        ("# 210 mm", "# 211 mm", {"A5"}),
        ('"210 mm"', '"8.27 in"', set()),
        ('"210 mm"', '"8.2 in"', {"A5"}),
        ("# ID-1", "# DL", {"DL"}),
    ],
)
def test_a_wrong_size_is_found(right: str, wrong: str, found: set[str]) -> None:
    assert slips_of_the_pen(SMALL) == set()
    assert right in SMALL
    assert slips_of_the_pen(SMALL.replace(right, wrong)) == found
