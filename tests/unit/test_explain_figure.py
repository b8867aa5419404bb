"""Waterfalls: each bar begins where the last one ended, and all come to what was recorded."""

from __future__ import annotations

import math
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

import feedsim
from feedsim.answers.explain.figure import explain_figures
from feedsim.quantities import System
from feedsim.render.wording import length_number

SCENARIOS = Path(__file__).parents[2] / "scenarios"
PER_UNIT = {"metric": 1.0, "inch": 25.4}  # mm


@pytest.fixture(scope="module")
def told() -> Any:
    """Carrier 42 of the membership card."""
    line = feedsim.load(SCENARIOS / "membership_card.toml").but({"run.carriers": 60})
    return feedsim.explain(line, 42)


def bars(figure: Any) -> list[tuple[str, float, float]]:
    """Return name, begin and end of each bar from the top down, the sum last."""
    (axes,) = figure.axes
    found = []
    for bar in axes.patches:
        name = str(bar.get_gid())
        begin = bar.get_x()
        found.append((name.removeprefix("step "), begin, begin + bar.get_width()))
    return found


@pytest.mark.parametrize("units", ["metric", "inch"])
def test_the_parts_lead_from_the_target_to_the_recorded_error(told: Any, units: System) -> None:
    (figure,) = told.figures(units=units).values()
    *steps, (last, begin, end) = bars(figure)
    (story,) = told.stories()
    assert (last, begin) == ("sum", 0.0)
    assert end * PER_UNIT[units] == pytest.approx(story.placement_error_mm, abs=1e-9)
    assert steps[0][1] == 0.0
    assert all(one[2] == pytest.approx(other[1], abs=1e-12) for one, other in pairwise(steps))
    # nothing that is left out is more than half a micrometre
    left_out = story.placement_error_mm - steps[-1][2] * PER_UNIT[units]
    assert abs(left_out) <= 5e-4
    sizes = {name.split(",")[0]: (b - a) * PER_UNIT[units] for name, a, b in steps}
    for part in story.parts:
        if abs(part.error_mm) > 5e-4 and part.name != "command delay":
            assert sizes[part.name] == pytest.approx(part.error_mm, abs=1e-9)


@pytest.mark.parametrize("units", ["metric", "inch"])
def test_every_number_is_one_of_the_story(told: Any, units: System) -> None:
    (figure,) = told.figures(units=units).values()
    (story,) = told.stories()
    known = [story.placement_error_mm]
    for part in story.parts:
        known += [part.cost_mm, part.allowed_mm, part.error_mm]
    texts = {length_number(value, units, sign=True).replace("-", "\u2212") for value in known}
    said = [t.get_text() for t in figure.axes[0].texts if t.get_gid() == "told"]
    assert len(said) > 20
    assert set(said) <= texts


def test_a_missed_carrier_has_no_waterfall() -> None:
    line = feedsim.load(SCENARIOS / "membership_card.toml")
    told = feedsim.explain(line, first="miss")
    assert told.figures() == {}


def test_very_many_parts_leave_the_smallest_in_one_row(told: Any) -> None:
    from dataclasses import replace

    (story,) = told.stories()
    part = story.parts[0]
    many = tuple(
        replace(part, key=f"p{i}", name=f"part {i}", error_mm=0.01 * (i + 1)) for i in range(40)
    )
    total = math.fsum(p.error_mm for p in many)
    odd = replace(story, parts=many, placement_error_mm=total, sum_of_parts_mm=total)
    stories = replace(told._told("metric"), stories=(odd,))
    (figure,) = explain_figures(stories, tolerance_mm=1.5, units="metric").values()
    *steps, (_, _, end) = bars(figure)
    assert len(steps) <= 26
    assert steps[-1][0] == "18 smaller parts"
    assert steps[-1][2] == pytest.approx(end) == pytest.approx(total)


def test_each_feeder_has_a_page() -> None:
    line = feedsim.load(SCENARIOS / "two_feeders.toml").but({"run.carriers": 60})
    assert list(feedsim.explain(line, 42).figures()) == ["explain-0", "explain-1"]
    assert list(feedsim.explain(line, 42, feeder=1).figures()) == ["explain"]


def test_variances_of_a_budget_add_up_and_its_standard_deviations_do_not() -> None:
    line = feedsim.load(SCENARIOS / "membership_card.toml").but({"run.carriers": 300})
    found = feedsim.budget(line, "60 m/min")
    figure = found.figures()["sources"]
    (budget,) = (feeder.budget for feeder in found.points[0].feeders)
    *steps, (_, _, end) = bars_of_sources(figure)
    assert end == pytest.approx(budget.combined_sd_mm**2)
    assert [b - a for _, a, b in steps] == pytest.approx(
        sorted((s.contribution_mm**2 for s in budget.sources), reverse=True)
    )
    assert steps[-1][2] == pytest.approx(end)
    assert sum(s.contribution_mm for s in budget.sources) > 1.5 * budget.combined_sd_mm
    said = [t.get_text() for t in figure.axes[0].texts if t.get_gid() == "told"]
    known = {f"{100.0 * s.share:.1f} %" for s in budget.sources} | {"100 %"}
    known |= {length_number(s.contribution_mm, "metric") for s in budget.sources}
    known.add(length_number(budget.combined_sd_mm, "metric"))
    assert set(said) <= known


def bars_of_sources(figure: Any) -> list[tuple[str, float, float]]:
    """Return the bars of a figure that has an axis above and a shaded interval as well."""
    axes = figure.axes[0]
    bars = [bar for bar in axes.patches if bar.get_gid()]
    return [(str(bar.get_gid()), bar.get_x(), bar.get_x() + bar.get_width()) for bar in bars]
