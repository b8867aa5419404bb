"""A sweep row by row: histograms that hold every error, and what binds at each point."""

from __future__ import annotations

import math
from dataclasses import replace
from statistics import NormalDist

import numpy as np
import pytest

from feedsim.answers.data import data_of, read_as
from feedsim.answers.sweep.curves import sweep_view
from feedsim.answers.sweep.rows_figure import rows_figures, spare_sds
from feedsim.answers.sweep.study import SweepPlan, Swept, run_point
from feedsim.metrics.error_counts import ErrorCounts, error_counts
from feedsim.quantities import System
from feedsim.running.axes import speeds_of
from feedsim.running.point import Point
from feedsim.running.run import criteria_of, run_scenario
from feedsim.scenario import load_scenario, scenario_to_dict
from tests.unit.sweep_points import NOTHING, SCENARIOS

M_MIN = 1000.0 / 60.0


@pytest.fixture(scope="module")
def card() -> Swept:
    """400 membership cards, at three speeds."""
    scenario = load_scenario(SCENARIOS / "membership_card.toml", overrides=["run.carriers=400"])
    sweep = SweepPlan(scenario, (speeds_of([v * M_MIN for v in (40.0, 80.0, 160.0)]),), 1)
    plain = scenario_to_dict(scenario)
    return Swept.of(sweep, [run_point(plain, changes, 1) for changes in sweep.points], [NOTHING])


def test_counts_are_those_of_the_records() -> None:
    scenario = load_scenario(SCENARIOS / "membership_card.toml", overrides=["run.carriers=400"])
    ran = run_scenario(scenario)
    (found,) = error_counts(ran.records, criteria=criteria_of(scenario))
    rows = ran.records.feeders[0]
    errors = np.array(rows.placement_error_mm[ran.records.warm_up :])
    edges = found.from_mm + found.bin_mm * np.arange(len(found.counts) + 1.0)
    assert found.counts == tuple(np.histogram(errors[~np.isnan(errors)], edges)[0])
    assert found.bin_mm == pytest.approx(1.5 / 16.0)
    assert (found.below, found.above) == (0, 0)


@pytest.mark.parametrize("units", ["metric", "inch"])
def test_each_row_has_every_error_in_one_tolerance(card: Swept, units: System) -> None:
    from matplotlib.patches import StepPatch

    (figure,) = rows_figures(card, units=units).values()
    axes, _ = figure.axes
    per_mm = 1.0 if units == "metric" else 1.0 / 25.4
    lines = sorted(line.get_xdata()[0] for line in axes.lines if line.get_gid() == "tolerance")
    assert lines == pytest.approx([-1.5 * per_mm, 1.5 * per_mm])
    bars = [p for p in axes.patches if isinstance(p, StepPatch) and str(p.get_gid())[:3] == "row"]
    assert len(bars) == 3
    for point, bar in zip(card.points, bars, strict=True):
        error = point.results.feeders[0].placement_error
        (counts,) = point.placement_errors
        assert sum(counts.counts) == error.n
        values, edges, base = bar.get_data()
        heights = (values - base) / (values - base).max() * max(counts.counts)
        assert np.rint(heights) == pytest.approx(counts.counts)
        inside = np.abs(0.5 * (edges[1:] + edges[:-1])) < 1.5 * per_mm
        assert heights[inside].sum() == pytest.approx(error.within_tolerance * error.n)  # type: ignore[operator]


def test_how_many_were_placed_is_said_in_each_row(card: Swept) -> None:
    (figure,) = rows_figures(card).values()
    said = [t.get_text() for t in figure.axes[0].texts if t.get_gid() == "numbers"]
    placed = [point.results.feeders[0].placement_error.n for point in card.points]
    assert [text.split("\n")[0] for text in said] == [f"n = {n}" for n in placed]
    assert all(text.endswith("in tolerance") for text in said)


def test_room_is_none_where_acceptance_is_just_missed_and_the_lowest_is_named(card: Swept) -> None:
    view = sweep_view(card, 0, units="metric")
    spare = spare_sds(view, [point.placement_errors[0] for point in card.points])
    for i, point in enumerate(card.points):
        error = point.results.feeders[0].placement_error
        # as counted: some room if and only if as many as acceptance asks for are within
        assert (spare["placement_error"][i] >= 0.0) == (error.within_tolerance >= 0.997)  # type: ignore[operator]
        tail = point.results.feeders[0].hazards.tail_held
        # a normal curve: the same sign as the normal tail against the accepted 0.1 %
        assert (spare["tail_held"][i] >= 0.0) == (tail.tail_probability <= 0.001)  # type: ignore[operator]
        assert tail.tail_probability == pytest.approx(
            NormalDist().cdf(-(spare["tail_held"][i] + NormalDist().inv_cdf(0.999)))
        )
    (figure,) = rows_figures(card).values()
    named = [t.get_text() for t in figure.axes[1].texts if t.get_gid() == "binds"]
    for i, text in enumerate(named):
        least = min((room[i], name) for name, room in spare.items() if not math.isnan(room[i]))
        assert text.startswith(least[1].replace("_", " "))
    assert named[0].startswith("placement error +")
    assert "\u2212" in named[-1]


def test_what_has_far_too_much_room_is_named_instead_of_drawn_on_another(card: Swept) -> None:
    view = sweep_view(card, 0, units="metric")
    spare = spare_sds(view, [point.placement_errors[0] for point in card.points])
    (figure,) = rows_figures(card).values()
    drawn = {str(line.get_gid()) for line in figure.axes[1].lines} - {"zero"}
    said = " ".join(text.get_text() for text in figure.texts)
    for name, room in spare.items():
        if np.isnan(room).all():
            continue
        far = bool(np.nanmin(room) > 12.0)
        assert far == (name not in drawn), name
        assert far == (name.replace("_", " ") in said.partition("not drawn: ")[2]), name
    assert {"placement_error", "tail_held"} <= drawn < set(spare)


def test_a_reach_lies_within_its_bin() -> None:
    from feedsim.answers.sweep.rows_figure import _reach_mm

    # -0.3, -0.1, 0.1, 0.1, 0.2: four of five within 0.2 at most, in the bins 0.25 wide
    found = ErrorCounts(from_mm=-0.5, bin_mm=0.25, counts=(1, 1, 3), below=0, above=0)
    assert _reach_mm(found, 0.8) == pytest.approx(0.25)
    assert _reach_mm(found, 1.0) == pytest.approx(0.5)
    assert _reach_mm(found, 0.9) == pytest.approx(0.375)
    assert _reach_mm(replace(found, above=5), 0.9) == 64 * 0.25
    assert math.isnan(_reach_mm(ErrorCounts(0.0, 0.25, (), 0, 0), 0.9))


def test_where_nothing_was_placed_the_row_says_so() -> None:
    scenario = load_scenario(
        SCENARIOS / "membership_card.toml",
        overrides=["run.carriers=20", "carrier_eye.response=400 ms", "controller.mark_memory=1"],
    )
    sweep = SweepPlan(scenario, (speeds_of([60.0 * M_MIN]),), 1)
    (point,) = [run_point(scenario_to_dict(scenario), changes, 1) for changes in sweep.points]
    nothing = ErrorCounts(0.0, 1.5 / 16.0, (), 0, 0)
    feeder = point.results.feeders[0]
    error = replace(feeder.placement_error, n=0, mean_mm=None, sd_mm=None, within_tolerance=None)
    results = replace(point.results, feeders=(replace(feeder, placement_error=error),))
    made = replace(point, results=results, placement_errors=(nothing,))
    (figure,) = rows_figures(Swept.of(sweep, [made], [NOTHING])).values()
    assert "none placed" in [t.get_text() for t in figure.axes[0].texts]


def test_points_without_counts_have_no_page(card: Swept) -> None:
    bare = replace(card, points=tuple(replace(p, placement_errors=()) for p in card.points))
    assert rows_figures(bare) == {}


def test_points_are_read_back_with_their_counts(card: Swept) -> None:
    (point, *_) = card.points
    assert point.placement_errors
    assert read_as(Point, data_of(Point, point)) == point
