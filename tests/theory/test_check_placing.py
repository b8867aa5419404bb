"""Where ``check`` says the placed tail is when the clutch opens, against simulated openings."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from feedsim.answers.check.study.review import review
from feedsim.running.run import machine_of
from feedsim.scenario import override, scenario_from_text
from tests.machines import mean_of, run, variance_of

pytestmark = pytest.mark.usefixtures("quick_engine")

CARD = (Path(__file__).parents[2] / "scenarios" / "membership_card.toml").read_text("utf-8")
F = "feeder.0."
TAIL = re.compile(
    r"the tail of the placed insert is only ([\d.]+) mm past the grip end, "
    r"[\d.]+ standard deviations \(([\d.]+) mm\)"
)
UNEVEN = (F + "insert.gap_sd=30 mm", F + "insert.min_gap=60 mm")
LATE = (
    "controller.scan=100 ms",
    "controller.motion_cycle=0.1 ms",
    "carrier.pitch=900 mm",
    "carrier.pitch_sd=120 mm",
    F + "insert.gap=60 mm",
    F + "insert.gap_sd=3 mm",
    F + "settings.stage_position=80 mm",
)


@pytest.mark.parametrize(
    ("changes", "forgotten_sd"),
    [
        (UNEVEN, 30.0),  # a gap that is clipped at 60 mm spreads less than normal(70, 30)
        (LATE, 3.1),  # openings known up to 32 mm too late spread the tail besides the gap
    ],
)
def test_the_tail_is_where_check_says(changes: tuple[str, ...], forgotten_sd: float) -> None:
    scenario = override(scenario_from_text(CARD), changes)
    (found,) = review(scenario).feeders
    (said,) = filter(None, map(TAIL.search, found.warnings))
    line = machine_of(scenario)
    margins = run(line, carriers=20_000).feeders[0].tail_mm - line.feeders[0].grip_end_mm
    mean, variance = mean_of(margins), variance_of(margins)
    here, sd = map(float, said.groups())
    assert abs(mean.z(here)) < 4.0
    assert abs(variance.z(sd * sd)) < 4.0
    # who forgets it is found out by the same run
    assert abs(variance.z(forgotten_sd * forgotten_sd)) > 4.0


EXPECTED = re.compile(r"Expected placement .* standard deviation ([\d.]+) mm, (.*)\.$")


def test_the_spread_that_check_expects_has_late_openings() -> None:
    scenario = override(scenario_from_text(CARD), LATE)
    (found,) = review(scenario).feeders
    (said,) = filter(None, map(EXPECTED.match, found.words))
    line = machine_of(scenario)
    errors = run(line, carriers=20_000).feeders[0].placement_error_mm
    simulated = variance_of(errors[np.isfinite(errors)])
    assert abs(simulated.z(float(said[1]) ** 2)) < 4.0
    assert abs(simulated.z(0.22**2)) > 10.0  # as it would be without them
    assert said[2].endswith("% of its variance from late openings")
