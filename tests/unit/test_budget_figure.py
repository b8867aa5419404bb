"""The figure of an error budget."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from matplotlib.colors import to_rgb

from feedsim.answers.budget.figure import _STYLES, budget_figures
from feedsim.answers.budget.study.budget import BudgetPoint, budgets_at, compared
from feedsim.answers.budget.study.run import run_spread
from feedsim.render.canvas import render
from feedsim.scenario import Scenario, load_scenario, override, scenario_to_dict

SCENARIOS = Path(__file__).parents[2] / "scenarios"


def points_of(scenario: Scenario, *speeds: float) -> list[BudgetPoint]:
    plain = scenario_to_dict(scenario)
    return [
        BudgetPoint(
            speed,
            tuple(
                compared(budget, seen)
                for budget, seen in zip(
                    budgets_at(scenario, speed), run_spread(plain, speed), strict=True
                )
            ),
        )
        for speed in speeds
    ]


def card(*changes: str) -> Scenario:
    changes = ("run.carriers=300", *changes)
    return load_scenario(SCENARIOS / "membership_card.toml", overrides=changes)


def artists(figure, gid):
    return [a for a in figure.findobj() if str(a.get_gid() or "").startswith(gid)]


def texts(figure):
    return " | ".join(t.get_text() for t in figure.findobj() if hasattr(t, "get_text"))


def test_shares_fill_the_panel_and_runs_are_where_they_were_seen():
    points = points_of(card(), 500.0, 1500.0)
    (figure,) = budget_figures(card(), points).values()
    bands = artists(figure, "share ")
    assert len(bands) == 8
    # each band begins where the one below ends; from 0 to 100 %
    tops = {}
    for band in bands:
        corners = band.get_paths()[0].vertices
        at_left = corners[np.isclose(corners[:, 0], 30.0), 1]
        tops[band.get_gid()] = (at_left.min(), at_left.max())
    ordered = sorted(tops.values())
    assert ordered[0][0] == pytest.approx(0.0)
    assert ordered[-1][1] == pytest.approx(100.0)
    for lower, upper in pairwise(ordered):
        assert lower[1] == pytest.approx(upper[0])
    # by hand at 500 mm/s (mm²): two ticks 2·0.25²/3, in a sum of that, 2·0.05²/3 of jitter,
    # 3·0.1² and 0.099875² of edges and slips, 2·0.025²/3 of counts
    ticks = 2.0 * 0.25**2 / 3.0
    whole = ticks + 2.0 * 0.05**2 / 3.0 + 0.03 + 0.099875**2 + 2.0 * 0.025**2 / 3.0
    assert tops["share motion cycle"] == pytest.approx((0.0, 100.0 * ticks / whole), rel=1e-3)
    (runs,) = artists(figure, "simulated")
    assert list(runs.get_xdata()) == pytest.approx([30.0, 90.0])
    seen = [point.feeders[0].simulated.sd_mm for point in points]
    assert list(runs.get_ydata()) == pytest.approx(seen)


def test_two_bands_are_told_apart_in_grey_as_well():
    # luminance of ITU-R BT.601; where two greys are near, the hatches differ
    looks = [
        (float(np.dot(to_rgb(colour), (0.299, 0.587, 0.114))), hatch)
        for colour, hatch in _STYLES.values()
    ]
    for number, (grey, hatch) in enumerate(looks):
        for other_grey, other_hatch in looks[number + 1 :]:
            assert abs(grey - other_grey) > 0.15 or hatch != other_hatch
    assert len(set(_STYLES.values())) == len(_STYLES)


def test_a_page_for_each_feeder_with_its_name():
    scenario = load_scenario(SCENARIOS / "two_feeders.toml", overrides=("run.carriers=300",))
    figures = budget_figures(scenario, points_of(scenario, 500.0, 1000.0))
    assert list(figures) == ["budget-0", "budget-1"]
    assert "leaflet feeder" in texts(figures["budget-1"])


def test_a_single_speed_has_curves_around_it():
    (figure,) = budget_figures(card(), points_of(card(), 1000.0)).values()
    (curve,) = artists(figure, "sd")
    assert curve.get_xdata()[[0, -1]] == pytest.approx([30.0, 90.0])


def test_inches():
    (figure,) = budget_figures(card(), points_of(card(), 508.0, 1016.0), units="inch").values()
    words = texts(figure)
    assert "line speed (ft/min)" in words
    assert "standard deviation (in)" in words
    assert "m/min" not in words.replace("ft/min", "")
    (curve,) = artists(figure, "sd")
    assert curve.get_xdata()[[0, -1]] == pytest.approx([100.0, 200.0])


def test_runs_that_differ_or_are_in_doubt_look_different():
    short = card("feeder.0.insert_eye_to_placement=68 mm", "run.carriers=1000")
    (figure,) = budget_figures(short, points_of(short, 200.0, 2000.0)).values()
    runs = artists(figure, "simulated")
    assert {a.get_marker() for a in runs} == {"o", "X"}
    assert "more than 3 % off the budget" in texts(figure)
    assert "may not hold" in texts(figure)


QUIET = (
    "carrier_eye.edge_sd=0 mm", "carrier_eye.response_jitter=0 ms", "carrier.slip_sd=0 mm",
    "feeder.0.eye.edge_sd=0 mm", "feeder.0.eye.response_jitter=0 ms", "run.master=virtual",
    "feeder.0.insert.slip_sd=0 mm", "controller.motion_cycle=0 ms",
)  # fmt: skip


def test_nothing_spreads():
    still = card(*QUIET)
    (figure,) = budget_figures(still, points_of(still, 500.0, 1000.0)).values()
    assert "nothing spreads" in texts(figure)
    assert render(figure, "png")


def test_a_tolerance_far_off_is_told_and_leaves_the_scale_alone():
    loose = card("acceptance.placement_tolerance=50 mm")
    (figure,) = budget_figures(loose, points_of(loose, 500.0, 1000.0)).values()
    assert "off the scale" in texts(figure)
    assert figure.axes[1].get_ylim()[1] < 3.0


def test_the_same_figure_gives_the_same_bytes():
    points = points_of(card(), 500.0, 1000.0)
    one, two = (
        render(next(iter(budget_figures(card(), points).values())), "svg") for _ in range(2)
    )
    assert one == two


def test_a_long_title_and_odd_names_fit_on_a_line():
    named = override(card(), ["title=" + "x$" * 100])
    (figure,) = budget_figures(named, points_of(named, 1000.0)).values()
    assert all("\n" not in t.get_text() for t in figure.texts)
    assert render(figure, "svg")
