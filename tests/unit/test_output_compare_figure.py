"""The picture of a comparison: what is drawn stands where it should, in the units asked for."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from feedsim.answers.compare.figure import compare_figures
from feedsim.answers.compare.study.results import Comparisons, run_compare
from feedsim.answers.compare.study.setups import MOST_SETUPS, Comparison, setups_of
from feedsim.answers.compare.text import compare_text
from feedsim.answers.compare.view import STYLES
from feedsim.answers.limit.islands import comes_and_goes
from feedsim.answers.limit.study.closed import RefusedSpeeds
from feedsim.render.canvas import render
from feedsim.running.axes import speeds_of
from feedsim.running.executor import Local
from feedsim.scenario import load_scenario
from tests.unit.sweep_points import lines

SCENARIOS = Path(__file__).parents[2] / "scenarios"
M_MIN = 1000.0 / 60.0
EARLY = "early: feeder.0.settings.engage_lead=8 ms"


@cache
def compared(
    name: str,
    *buts: str,
    speeds: tuple[float, ...] = (40.0, 60.0, 150.0),
    overrides: tuple[str, ...] = (),
    replications: int = 1,
) -> Comparisons:
    scenario = load_scenario(SCENARIOS / f"{name}.toml", overrides=["run.carriers=100", *overrides])
    comparison = Comparison(
        setups_of([(name, scenario)], buts),
        speeds_of([speed * M_MIN for speed in speeds]),
        replications,
    )
    points = run_compare(
        comparison, where=Local(1), on_point=lambda _: None, on_lost=lambda _: None
    )
    return Comparisons.of(comparison, points, [()] * len(comparison.setups))


@pytest.mark.parametrize(("units", "factor", "unit"), [("metric", 1.0, "mm"), ("inch", 25.4, "in")])
def test_curves_and_differences_stand_where_they_should(
    units: str, factor: float, unit: str
) -> None:
    held = compared("membership_card", EARLY)
    (figure,) = compare_figures(held, units=units).values()
    above, below = figure.axes[0], figure.axes[1]
    assert f"({unit})" in above.get_title()
    assert f"B − A ({unit})" in below.get_title()
    assert "line speed (" in below.get_xlabel()
    for place, letter in enumerate("AB"):
        means = [
            p.results[place].results.feeders[0].placement_error.mean_mm / factor
            for p in held.points
        ]
        (drawn,) = lines(above, f"setup {letter}")
        assert np.asarray(drawn.get_ydata()) == pytest.approx(means)
    ends = sorted(float(line.get_ydata()[0]) for line in lines(above, "limit"))
    assert ends == pytest.approx([-1.5 / factor, 1.5 / factor])
    found = [p.differences[0].feeders[0].placement_mean for p in held.points]
    bars = below.collections[0].get_segments()
    for bar, d in zip(bars, found, strict=True):
        assert bar[:, 1] == pytest.approx([end / factor for end in d.ci95_mm])
    assert lines(below, "zero")


def test_filled_marks_are_decided_and_open_ones_are_not() -> None:
    held = compared("membership_card", EARLY)
    (figure,) = compare_figures(held).values()
    missed = figure.axes[7]  # below, of the fourth column
    (container,) = missed.containers
    assert container.lines[0].get_markerfacecolor() == "white"
    mean = figure.axes[1]
    (container,) = mean.containers
    assert container.lines[0].get_markerfacecolor() == STYLES[1].colour


def test_acceptance_of_the_shares_is_drawn_or_told() -> None:
    (figure,) = compare_figures(compared("membership_card", EARLY)).values()
    (limit,) = lines(figure.axes[4], "limit")
    assert float(limit.get_ydata()[0]) == pytest.approx(99.7)
    far = compared("membership_card", EARLY, overrides=("acceptance.placement_tolerance=200 mm",))
    (figure,) = compare_figures(far).values()
    assert lines(figure.axes[0], "limit") == []
    assert any("tolerance ±200 mm" in text.get_text() for text in figure.axes[0].texts)


def test_all_that_is_drawn_lies_within_its_axes() -> None:
    for held in (compared("membership_card", EARLY), compared("hand_fed", "title=x")):
        for figure in compare_figures(held).values():
            for axes in figure.axes:
                low, high = axes.get_ylim()
                for line in axes.lines:
                    y = np.asarray(line.get_ydata(), dtype=float)
                    assert np.all((low <= y) & (y <= high) | np.isnan(y)), axes.get_title()


def test_each_setup_has_a_colour_a_marker_and_a_line_of_its_own() -> None:
    assert len(STYLES) >= MOST_SETUPS
    for part in zip(*STYLES, strict=True):
        assert len(set(part)) == len(STYLES)


@pytest.mark.parametrize(
    ("name", "buts", "speeds", "overrides", "replications"),
    [
        ("two_feeders", ("feeder.1.insert.gap=70 mm",), (50.0,), (), 2),
        ("membership_card", ("title=$x$", EARLY, "carrier_eye.missed=50 %"), (60.0, 200.0), (), 1),
        ("membership_card", ("feeder.0.insert.misfeed=100 %",), (60.0, 90.0), (), 1),
        ("membership_card", (EARLY,), (60.0,), ("acceptance.missed=0 %",), 1),
        ("membership_card", (EARLY,), (60.0, 90.0), ("run.carriers=1", "run.warm_up=0"), 1),
        ("membership_card", tuple(f"feeder.0.insert.gap={g} mm" for g in range(60, 67)),
         (60.0, 90.0), ("run.carriers=20",), 1),
    ],
)  # fmt: skip
def test_odd_comparisons_are_drawn_the_same_each_time(
    name: str,
    buts: tuple[str, ...],
    speeds: tuple[float, ...],
    overrides: tuple[str, ...],
    replications: int,
) -> None:
    held = compared(name, *buts, speeds=speeds, overrides=overrides, replications=replications)
    found, again = compare_figures(held), compare_figures(held)
    count = len(held.setups[0].scenario.feeder)
    assert sorted(found) == (
        ["compare"] if count == 1 else [f"compare-{number}" for number in range(count)]
    )
    for key, figure in found.items():
        assert render(figure, "svg") == render(again[key], "svg")
        for setup in held.setups:
            assert any(text.get_text().startswith(setup.setup) for text in figure.texts)


def test_where_acceptance_comes_and_goes_is_told_as_in_the_text() -> None:
    held = compared("membership_card", EARLY)
    highest = held.highest_accepted_speed_mm_s["A"]
    assert highest == pytest.approx(60.0 * M_MIN)
    narrow = RefusedSpeeds(50.0 * M_MIN, 50.1 * M_MIN, 50.0 * M_MIN, "within_tolerance", 0.01)
    refused = {"A": (narrow,), "B": ()}
    (figure,) = compare_figures(replace(held, closed_form_refused=refused)).values()
    written = " ".join(text.get_text() for text in figure.texts)
    results = [point.results[0].results for point in held.points]
    told = comes_and_goes(results, refused["A"], highest=highest, looked_to=None)
    assert "a stretch of speeds between the simulated ones is refused" in told
    assert f"A: {told}" in written
    assert "B: " not in written
    assert told in " ".join(compare_text(replace(held, closed_form_refused=refused)).split())
    figure.canvas.draw()
    boxes = [text.get_window_extent() for text in figure.texts]
    assert all(box.x0 > 0.0 and box.x1 < figure.bbox.width and box.y0 > 0.0 for box in boxes)
    # nothing of it where there is nothing to tell
    (figure,) = compare_figures(held).values()
    assert "refused" not in " ".join(text.get_text() for text in figure.texts)
