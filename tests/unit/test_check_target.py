"""What check says of a mean error: all of it, and what would take it off."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from feedsim.answers.check.study.review import review
from feedsim.scenario import override, scenario_from_text

TEXT = (Path(__file__).parents[2] / "scenarios" / "membership_card.toml").read_text("utf-8")
COARSE = ("line.encoder.counts_per_rev=2000", "line.speed=55 m/min", "line.encoder.scale_error=1 %")
SCANNED = ("controller.scan=1.7 ms", "controller.motion_cycle=0.9 ms")


def said(*changes: str) -> tuple[str, str]:
    """Return what is said of the feeder, and what is warned of."""
    found = review(override(scenario_from_text(TEXT), list(changes))).feeders[0]
    return "\n".join(found.words), "\n".join(found.warnings)


def settings(**values: str) -> list[str]:
    return [f"feeder.0.settings.{key}={value}" for key, value in values.items()]


@pytest.mark.parametrize("scanned", [True, False])
def test_a_distance_that_is_off_is_not_to_be_made_up_for_by_a_lead(scanned: bool) -> None:
    """By hand: 400 + 20 + 0.2 − 60 − 0.3 = 359.9 mm, where leads are 1.675 ms short on both sides.

    A lead that is off alone is still told as a lead: 10 mm of it at 60 m/min are 10 ms.
    """
    ticks = ["carrier_eye.capture=scanned", "feeder.0.eye.capture=scanned", *SCANNED]
    ticks = ticks if scanned else []
    short = {"engage_lead": "11 ms", "disengage_lead": "11 ms", "disengage_distance": "60 mm"}
    warnings = said(*ticks, *settings(engage_distance="349.9 mm", **short))[1]
    assert "The settings place inserts 10 mm early on average" in warnings
    assert re.search(r"An engage distance of 359\.[89]\d* mm would place them", warnings)
    assert "An engage lead" not in warnings
    lead = {**short, "engage_lead": "21 ms"}
    warnings = said(*ticks, *settings(engage_distance="359.9 mm", **lead))[1]
    assert re.search(r"An engage lead of (11|10\.9\d*|11\.0\d*) ms would place them", warnings)
    assert "An engage distance" not in warnings


def test_typed_in_leads_are_told_with_what_the_scale_error_does() -> None:
    """At the line speed alone both sentences are of the same mean; twice ε adds ε·420.2 mm.

    400 mm to the placement point, 20 mm target and 0.2 mm slip: MODEL.md, section 13, fact 5.
    """
    means = []
    for scale in ("0.5 %", "1 %"):
        more = f"line.encoder.scale_error={scale}", 'sweep.speeds=["55 m/min"]'
        words = said(*COARSE, *more)[0].replace("\n", " ")
        (mean,) = re.findall(r"Expected placement at line speed: (\S+ mm \w+) on average", words)
        assert f"they place inserts on average {mean} at each" in words
        means.append(float(mean.split()[0]))
    assert means[1] - means[0] == pytest.approx(0.005 * 420.2, abs=0.02)


def test_a_scale_error_that_settings_make_up_for_is_no_warning() -> None:
    """In counts of 0.25 mm: 359.9 + 0.125 − 0.01·420.2 = 355.8 mm."""
    warnings = said(*COARSE)[1]
    assert "scale error shifts the placement by 4.2 mm" in warnings
    assert "The settings place" not in warnings
    made_up_for = said(*COARSE, *settings(engage_distance="356 mm"))
    assert "scale error" not in made_up_for[1]
    assert "The settings place" not in made_up_for[1]
