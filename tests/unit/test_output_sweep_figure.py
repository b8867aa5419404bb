"""The overview of a sweep: what is drawn stands where it should, in the units asked for."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from feedsim.output.canvas import render
from feedsim.output.sweep_figure import sweep_figures
from feedsim.output.sweep_rows import sweep_csv
from feedsim.output.sweep_text import sweep_text
from feedsim.scenario import load_scenario
from feedsim.studies.axes import parse_axis, speeds_of
from feedsim.studies.run import criteria_of
from feedsim.studies.sweep import Sweep, run_sweep

SCENARIOS = Path(__file__).parents[2] / "scenarios"
M_MIN = 1000.0 / 60.0


def swept(name: str, *speeds: float, changes: tuple[str, ...] = (), replications: int = 1) -> Any:
    scenario = load_scenario(SCENARIOS / f"{name}.toml", overrides=["run.carriers=120", *changes])
    sweep = Sweep(scenario, (speeds_of([v * M_MIN for v in speeds]),), replications)
    points = run_sweep(sweep, jobs=1, known={}, on_point=lambda *_: None, on_lost=lambda _: None)
    return sweep, points


def figures(sweep: Sweep, points: Any, units: Any = "metric") -> dict[str, Any]:
    return sweep_figures(
        points, title=sweep.scenario.title, criteria=criteria_of(sweep.scenario), units=units
    )


def lines(axes: Any, gid: str) -> list[Any]:
    return [line for line in axes.lines if line.get_gid() == gid]


@pytest.mark.parametrize(("units", "factor", "unit"), [("metric", 1.0, "mm"), ("inch", 25.4, "in")])
def test_tolerance_and_mean_stand_where_they_should(units: str, factor: float, unit: str) -> None:
    sweep, points = swept("membership_card", 40.0, 60.0, 150.0)
    (figure,) = figures(sweep, points, units).values()
    placement = figure.axes[0]
    ends = sorted(float(line.get_ydata()[0]) for line in lines(placement, "tolerance"))
    assert ends == pytest.approx([-1.5 / factor, 1.5 / factor])
    means = [p["feeders"][0]["placement_error"]["mean_mm"] / factor for p in points]
    drawn = next(line for line in placement.lines if line.get_marker() == "o")
    assert np.asarray(drawn.get_ydata()) == pytest.approx(means)
    assert f"({unit})" in placement.get_ylabel()
    assert "line speed (" in placement.get_xlabel()


def test_speeds_that_are_not_accepted_are_crossed() -> None:
    sweep, points = swept("membership_card", 40.0, 60.0, 150.0, 180.0)
    (figure,) = figures(sweep, points).values()
    for axes in figure.axes:
        (crosses,) = lines(axes, "refused")
        assert list(crosses.get_xdata()) == pytest.approx([150.0, 180.0])
    assert any("up to 60 m/min" in text.get_text() for text in figure.texts)


def test_acceptance_lines_of_missed_and_jam_risk() -> None:
    sweep, points = swept("membership_card", 40.0, 60.0)
    (figure,) = figures(sweep, points).values()
    for place, limit in ((1, 0.1), (2, 0.001)):
        levels = [float(line.get_ydata()[0]) for line in figure.axes[place].lines
                  if line.get_label() == "acceptance"]  # fmt: skip
        assert levels == pytest.approx([limit])


@pytest.mark.parametrize(
    ("name", "changes", "replications"),
    [
        ("two_feeders", (), 1),
        ("membership_card", (), 3),
        ("membership_card", ("feeder.0.insert.misfeed=100 %",), 1),
        ("membership_card", ("acceptance.missed=0 %", "acceptance.jam_risk=0 %"), 1),
    ],
)
def test_odd_sweeps_are_drawn_the_same_each_time(
    name: str, changes: tuple[str, ...], replications: int
) -> None:
    sweep, points = swept(name, 30.0, 90.0, changes=changes, replications=replications)
    found = figures(sweep, points)
    assert len(found) == len(sweep.scenario.feeder)
    again = figures(sweep, points)
    for key, figure in found.items():
        assert render(figure, "svg") == render(again[key], "svg")


def test_one_speed_alone_is_drawn() -> None:
    sweep, points = swept("membership_card", 60.0)
    (figure,) = figures(sweep, points).values()
    assert render(figure, "png").startswith(b"\x89PNG")


def test_the_table_has_a_row_per_speed_and_feeder() -> None:
    sweep, points = swept("two_feeders", 30.0, 50.0, replications=2)
    rows = sweep_csv(points, axes=sweep.axes).decode().splitlines()
    assert len(rows) == 1 + 2 * 2
    head = rows[0].split(",")
    first = dict(zip(head, rows[1].split(","), strict=True))
    assert float(first["placement_error_mean_mm"]) == pytest.approx(
        points[0]["feeders"][0]["placement_error"]["mean_mm"], rel=1e-15
    )
    assert [row.split(",")[1:4] for row in rows[1:]] == [["0", "2", "240"], ["1", "2", "240"]] * 2
    assert head[:4] == ["line_speed_mm_s", "feeder", "replications", "carriers"]


def test_a_varied_key_has_a_column_with_its_unit_and_its_own_place_in_the_text() -> None:
    scenario = load_scenario(SCENARIOS / "membership_card.toml", overrides=["run.carriers=60"])
    gap = parse_axis("feeder.0.insert.gap=60,70 mm")
    sweep = Sweep(scenario, (gap, speeds_of([1000.0, 3500.0])), 1)
    sweep.check()
    points = run_sweep(sweep, jobs=1, known={}, on_point=lambda *_: None, on_lost=lambda _: None)
    assert [(p["varied"], p["line_speed_mm_s"]) for p in points] == [
        ({"feeder.0.insert.gap": gap}, speed)
        for gap in ("60 mm", "70 mm")
        for speed in (1000.0, 3500.0)
    ]
    rows = [row.split(",")[:2] for row in sweep_csv(points, axes=sweep.axes).decode().split()]
    assert rows[0] == ["line_speed_mm_s", "feeder.0.insert.gap_mm"]
    assert rows[1:] == [["1000.0", "60.0"], ["3500.0", "60.0"],
                        ["1000.0", "70.0"], ["3500.0", "70.0"]]  # fmt: skip
    plain = sweep.to_plain(points)
    assert [row["varied"] for row in plain["highest_accepted"]] == [
        {"feeder.0.insert.gap": "60 mm"},
        {"feeder.0.insert.gap": "70 mm"},
    ]
    text = sweep_text(plain)
    assert "insert.gap" in text
    assert "feeder.0.insert.gap at" in text


def test_the_text_tells_the_verdict() -> None:
    sweep, points = swept("membership_card", 150.0, 180.0)
    text = sweep_text(sweep.to_plain(points))
    assert "NOT ACCEPTED" in text
    assert "Not accepted even at the lowest speed" in text
