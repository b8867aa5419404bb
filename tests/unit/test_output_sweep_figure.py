"""The overview of a sweep: what is drawn stands where it should, in the units asked for."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from feedsim.answers.limit.study.closed import FeederLimit, RefusedSpeeds
from feedsim.answers.sweep.answer import sweep_csv
from feedsim.answers.sweep.figure import sweep_figures
from feedsim.answers.sweep.scale import scale_of
from feedsim.answers.sweep.study import SweepPlan, Swept, run_point
from feedsim.answers.sweep.text import subtitle_of, sweep_text
from feedsim.metrics.share import Share
from feedsim.render.canvas import render
from feedsim.running.axes import Axis, parse_axis, parse_speeds, speeds_of
from feedsim.scenario import load_scenario, scenario_to_dict
from feedsim.settings.limits import TOGETHER
from tests.unit.sweep_points import (
    NOTHING,
    SCENARIOS,
    by_hand,
    feeder,
    level,
    limit,
    lines,
    point,
    texts,
)

M_MIN = 1000.0 / 60.0
FT_MIN = 304.8 / 60.0
PLACEMENT, MISSED, JAM_RISK, MARGINS, MISMATCH, DRIVE, LIMITS = range(7)


def swept(name: str, *speeds: float, changes: tuple[str, ...] = (), replications: int = 1) -> Swept:
    scenario = load_scenario(SCENARIOS / f"{name}.toml", overrides=["run.carriers=120", *changes])
    return run(SweepPlan(scenario, (speeds_of([v * M_MIN for v in speeds]),), replications))


def run(sweep: SweepPlan) -> Swept:
    plain = scenario_to_dict(sweep.scenario)
    points = [run_point(plain, changes, sweep.replications) for changes in sweep.points]
    return Swept.of(sweep, points, [NOTHING] * len(sweep.scenario.feeder))


def drawn(points: Any, axis: Axis, *limits: FeederLimit, units: Any = "metric") -> Any:
    """Return the axes of the only figure of points made by hand."""
    (figure,) = sweep_figures(by_hand(points, axis, limits=limits), units=units).values()
    return figure.axes


def by_speed(speeds: Any, *limits: FeederLimit, units: Any = "metric") -> Any:
    return drawn([point(v * M_MIN) for v in speeds], m_min(speeds), *limits, units=units)


def m_min(speeds: Any) -> Axis:
    return speeds_of([v * M_MIN for v in speeds])


@pytest.mark.parametrize(("units", "factor", "unit"), [("metric", 1.0, "mm"), ("inch", 25.4, "in")])
def test_tolerance_and_mean_stand_where_they_should(units: str, factor: float, unit: str) -> None:
    ran = swept("membership_card", 40.0, 60.0, 150.0)
    (figure,) = sweep_figures(ran, units=units).values()
    placement = figure.axes[PLACEMENT]
    ends = sorted(float(line.get_ydata()[0]) for line in lines(placement, "tolerance"))
    assert ends == pytest.approx([-1.5 / factor, 1.5 / factor])
    means = [p.results.feeders[0].placement_error.mean_mm / factor for p in ran.points]
    mean = next(line for line in placement.lines if line.get_marker() == "o")
    assert np.asarray(mean.get_ydata()) == pytest.approx(means)
    titles = " ".join(texts(placement) + texts(figure.axes[MARGINS]))
    assert titles.count(f"({unit})") == 2
    below = {axes.get_xlabel() for axes in figure.axes}
    assert below == {"", "line speed (m/min)" if units == "metric" else "line speed (ft/min)"}


def test_the_outline_of_a_normal_spread_holds_the_share_that_is_accepted() -> None:
    # 99.7 % of a normal distribution lie within 2.9677 sd of its mean (scipy's normal ppf)
    axes = drawn([point(1000.0, feeder(mean=0.1, sd=0.4))] * 2, speeds_of([1000.0, 2000.0]))
    ends = sorted(float(line.get_ydata()[0]) for line in lines(axes[PLACEMENT], "needed spread"))
    assert ends == pytest.approx([0.1 - 2.9677 * 0.4, 0.1 + 2.9677 * 0.4], abs=1e-4)


def test_a_mean_far_off_leaves_the_tolerance_readable_and_is_marked() -> None:
    points = [point(1000.0), point(2000.0, feeder(mean=-200.0))]
    placement = drawn(points, speeds_of([1000.0, 2000.0]))[PLACEMENT]
    assert level(placement, 1.5) - level(placement, -1.5) > 0.1
    (far,) = lines(placement, "far")
    assert list(far.get_xdata()) == [120.0]
    assert far.get_marker() == "v"


def four_verdicts() -> Any:
    verdicts = ((True, True), (True, False), (False, False), (False, True))
    return [
        point(v, accepted=a, decided=d)
        for v, (a, d) in zip((500.0, 1000.0, 1500.0, 2000.0), verdicts, strict=True)
    ]


def test_not_accepted_is_crossed_and_not_decided_is_ringed() -> None:
    axes = drawn(four_verdicts(), speeds_of([500.0, 1000.0, 1500.0, 2000.0]))
    for panel in axes[:LIMITS]:
        (crosses,) = lines(panel, "refused")
        assert list(crosses.get_xdata()) == [90.0, 120.0]
        (rings,) = lines(panel, "undecided")
        assert list(rings.get_xdata()) == [60.0, 90.0]
        assert rings.get_markerfacecolor() == "none"
    below = [text.get_text() for text in axes[0].figure.legends[0].get_texts()]
    assert below[0] == "not accepted"
    assert below[1].startswith("not decided")


def test_the_verdict_is_written_and_that_it_is_the_whole_lines() -> None:
    ran = swept("two_feeders", 30.0, 90.0)
    found = sweep_figures(ran)
    assert list(found) == ["sweep-0", "sweep-1"]
    for figure in found.values():
        below = [text.get_text() for text in figure.legends[0].get_texts()]
        assert "not accepted (line as a whole)" in below
        assert any("120 carriers each" in text.get_text() for text in figure.texts)


def test_acceptance_lines_of_missed_and_jam_risk() -> None:
    axes = by_speed((40.0, 60.0))
    for place, most in ((MISSED, 0.1), (JAM_RISK, 0.001)):
        (line,) = lines(axes[place], "acceptance")
        assert list(line.get_ydata()) == pytest.approx([most, most])


# -- limits in closed form


LIMITS_MM_S = (
    limit("placement error", "within_tolerance", 1000.0),
    limit(TOGETHER, "jam_risk", 1200.0),
    limit("tail held", "jam_risk", 1500.0),
    limit("feed cycle", "missed", 2000.0),
    limit("drive", "jam_risk", 2500.0),
    limit("nose strike", "jam_risk", 9000.0),
)


@pytest.mark.parametrize(("units", "unit"), [("metric", M_MIN), ("inch", FT_MIN)])
def test_the_lowest_limits_run_through_all_panels(units: Any, unit: float) -> None:
    axes = by_speed((40.0, 100.0, 180.0), *LIMITS_MM_S, units=units)
    wanted = {"1": 1000.0, "all": 1200.0, "2": 1500.0, "3": 2000.0}
    for panel in axes[:LIMITS]:
        found = {
            line.get_gid().removeprefix("limit "): float(line.get_xdata()[0])
            for line in panel.lines
            if str(line.get_gid()).startswith("limit ")
        }
        assert found == pytest.approx({name: v / unit for name, v in wanted.items()})
        assert {"1", "all", "2", "3"} <= set(texts(panel))


def test_limits_beyond_the_axis_or_at_a_crawl_are_no_lines() -> None:
    beyond = (
        limit("eyes and singulator", "missed", 0.0),
        limit("tail held", "jam_risk", 3500.0),
    )
    axes = by_speed((40.0, 60.0, 80.0), *beyond)
    for panel in axes[:LIMITS]:
        assert not [line for line in panel.lines if str(line.get_gid()).startswith("limit ")]
    written = texts(axes[LIMITS])
    assert "1  eyes and singulator  not even at a crawl  (missed)" in written
    assert "2  tail held  210 m/min  (jam risk)" in written


def test_limits_are_listed_as_bars_the_binding_one_first() -> None:
    panel = by_speed((40.0, 100.0, 180.0), *LIMITS_MM_S)[LIMITS]
    right = panel.get_xlim()[1]
    bars = {bar.get_gid(): bar.get_x() + bar.get_width() for bar in panel.patches}
    assert bars == pytest.approx(
        {"limit all": 72.0, "limit 1": 60.0, "limit 2": 90.0, "limit 3": 120.0, "limit 4": 150.0,
         "limit 5": right}  # beyond the axis, with an arrow
    )  # fmt: skip
    assert [line.get_marker() for line in panel.lines] == [">"]

    def row(text: Any) -> float:
        return float(text.get_position()[1])

    rows = sorted((text for text in panel.texts if "(" in text.get_text()), key=row)
    first = [text.get_text() for text in rows if text.get_text().startswith(("all", "1"))]
    assert first == [
        "all together  72 m/min  (jam risk)",
        "1  placement error  60 m/min  (tolerance)",
    ]
    assert panel.yaxis_inverted()


def test_tags_of_limits_close_together_do_not_touch() -> None:
    close = [limit(f"no {k}", "missed", 1000.0 + k) for k in range(3)]
    panel = by_speed((40.0, 100.0), *close)[PLACEMENT]
    places = sorted(text.xy[0] for text in panel.texts if text.get_text() in {"1", "2", "3"})
    # tags are 13/72 inch apart in panels of 5 inch
    assert np.diff(places) == pytest.approx([13.0 / 360.0] * 2)


def test_no_limits_where_the_axis_is_not_the_line_speed() -> None:
    axis = parse_axis("controller.scan=1:3:1 ms")
    points = [point(1000.0, varied={axis.key: value}) for value in axis.values]
    axes = drawn(points, axis, *LIMITS_MM_S)
    assert len(axes) == LIMITS
    assert not [x for a in axes for x in a.lines if str(x.get_gid()).startswith("limit ")]


# -- the x axis


@pytest.mark.parametrize(
    ("text", "units", "label", "at"),
    [
        ("controller.scan=1,2.5 ms", "metric", "controller.scan (ms)", [1.0, 2.5]),
        ("feeder.0.refill=0.5,2 s", "metric", "feeder.0.refill (s)", [0.5, 2.0]),
        ("feeder.0.insert.gap=25.4,50.8 mm", "inch", "feeder.0.insert.gap (in)", [1.0, 2.0]),
        ("line.speed=30.48,60.96 m/min", "inch", "line speed (ft/min)", [100.0, 200.0]),
        ("a.share=1,2 %", "inch", "a.share (%)", [1.0, 2.0]),
        ("seed=1,2", "metric", "seed", [1.0, 2.0]),
    ],
)
def test_the_axis_has_the_unit_of_its_key(text: str, units: Any, label: str, at: Any) -> None:
    scale = scale_of(parse_axis(text), units)
    assert scale.label == label
    assert scale.at == pytest.approx(at)


def test_words_are_ticks_with_nothing_between_them() -> None:
    axis = parse_axis("carrier_eye.capture=latched,scanned,guessed")
    points = [point(1000.0, varied={axis.key: value}) for value in axis.values]
    axes = drawn(points, axis)
    placement = axes[PLACEMENT]
    assert [label.get_text() for label in axes[JAM_RISK].get_xticklabels()] == list(axis.values)
    assert list(placement.get_xticks()) == [0.0, 1.0, 2.0]
    assert {line.get_linestyle() for line in lines(axes[MARGINS], "tail_held")} == {"None"}
    assert not placement.collections or all(
        len(path.vertices) < 4 for c in placement.collections for path in c.get_paths()
    )  # error bars, no area from word to word
    assert axes[JAM_RISK].get_xlabel() == "carrier_eye.capture"


def test_a_value_without_end_has_a_place_and_a_name() -> None:
    axis = parse_axis("feeder.0.servo.loop_gain=50 1/s,100 1/s,inf 1/s")
    scale = scale_of(axis, "metric")
    assert (scale.texts, list(scale.at)) == (("50", "100", "∞"), [0.0, 1.0, 2.0])
    assert scale.words


@pytest.mark.parametrize(
    ("speeds", "logarithmic"),
    [
        ("20:160:20", False),
        ("5,6,8,12,20,45,46,100,200", True),
        ("1,2,5,10,20,50,100", True),
        ("10,20,21,22,200,201,210", False),
        ("60", False),
        ("60,61", False),
    ],
)
def test_bars_touch_no_neighbour_however_speeds_are_spaced(speeds: str, logarithmic: bool) -> None:
    axis = parse_speeds(f"{speeds} m/min")
    scale = scale_of(axis, "metric")
    assert scale.logarithmic == logarithmic
    left, right = scale.bars
    assert np.all(left < scale.at)
    assert np.all(scale.at < right)
    assert np.all(right[:-1] < left[1:])
    low, high = scale.view
    assert low < left[0]
    assert right[-1] < high
    points = [point(v, feeder(missed={"not_staged": 1})) for v in axis.numbers]
    bars = [patch for patch in drawn(points, axis)[MISSED].patches if patch.get_height() > 0.0]
    assert [bar.get_x() for bar in bars] == pytest.approx(list(left))
    assert [bar.get_x() + bar.get_width() for bar in bars] == pytest.approx(list(right))


# -- shares


def test_a_tall_bar_leaves_the_acceptance_figure_readable() -> None:
    few, many = feeder(missed={"not_staged": 1}), feeder(missed={"not_staged": 450, "merged": 50})
    missed = drawn([point(1000.0, few), point(2000.0, many)], speeds_of([1000.0, 2000.0]))[MISSED]
    assert 0.15 < level(missed, 0.1) < 0.4
    assert level(missed, 50.0) < 1.0
    # twice the figure is the end of the even part, so 0.05 % stands half as high as 0.1 %
    assert level(missed, 0.05) == pytest.approx(0.5 * level(missed, 0.1))
    assert any("logarithmic" in text for text in texts(missed))


def test_small_shares_have_an_even_axis() -> None:
    some = feeder(n=10_000, missed={"not_staged": 20})
    missed = drawn([point(v, some) for v in (1000.0, 2000.0)], speeds_of([1000.0, 2000.0]))[MISSED]
    assert missed.get_yscale() == "linear"
    assert level(missed, 0.2) == pytest.approx(2.0 * level(missed, 0.1))


@pytest.mark.parametrize("counts", [(3, 1), (300, 100)])
def test_a_bar_is_divided_in_proportion_and_ends_at_the_total(counts: tuple[int, int]) -> None:
    both = feeder(missed={"not_staged": counts[0], "merged": counts[1]})
    missed = drawn([point(v, both) for v in (1000.0, 2000.0)], speeds_of([1000.0, 2000.0]))[MISSED]
    first = sorted((p.get_y(), p.get_y() + p.get_height()) for p in missed.patches
                   if p.get_height() > 0.0 and p.get_x() < 65.0)  # fmt: skip
    (low, middle), (again, top) = first
    assert low == 0.0
    assert again == pytest.approx(middle)
    assert top == pytest.approx(0.1 * sum(counts))
    assert level(missed, middle) == pytest.approx(0.75 * level(missed, top))


def test_where_none_was_seen_the_bound_is_drawn() -> None:
    points = [point(1000.0), point(2000.0, feeder(missed={"merged": 2}, hazards={"double": 3}))]
    axes = drawn(points, speeds_of([1000.0, 2000.0]))
    for panel, bound in ((axes[MISSED], 0.3), (axes[JAM_RISK], 0.003)):  # 3/1000
        (marks,) = lines(panel, "bound")
        assert list(marks.get_xdata()) == [60.0]
        assert list(marks.get_ydata()) == pytest.approx([bound])
        assert marks.get_markerfacecolor() == "white"


def test_a_hazard_that_was_seen_is_filled_and_its_tail_is_open() -> None:
    points = [
        point(1000.0, feeder(tails={"tail_held": 2e-4})),
        point(2000.0, feeder(hazards={"tail_held": 20}, tails={"tail_held": 0.03})),
    ]
    jam = drawn(points, speeds_of([1000.0, 2000.0]))[JAM_RISK]
    (line,) = lines(jam, "tail_held")
    assert list(line.get_ydata()) == pytest.approx([2e-4, 0.02])
    marks = [x for x in jam.lines if x.get_marker() == "s" and x.get_gid() is None]
    faces = {float(x.get_xdata()[0]): x.get_markerfacecolor() for x in marks if len(x.get_xdata())}
    assert faces[60.0] == "white"
    assert faces[120.0] != "white"
    assert jam.get_yscale() == "log"
    low, high = jam.get_ylim()
    assert 1e-6 <= low < 2e-4
    assert high > 1.0


# -- margins


def test_margins_of_like_size_share_an_even_axis_with_its_zero() -> None:
    margins = by_speed((40.0, 60.0))[MARGINS]
    assert margins.get_yscale() == "linear"
    assert 0.0 < level(margins, 0.0) < 0.3
    assert level(margins, 35.6) < 1.0


def test_a_small_margin_is_readable_beside_a_large_one() -> None:
    # a nose 2 ± 1 mm from its limit, a card 300 mm from the edge
    tight = feeder(margins={"nose_strike": (2.0, 0.5), "off_carrier": (300.0, 1.0)})
    points = [point(v, tight) for v in (1000.0, 2000.0)]
    margins = drawn(points, speeds_of([1000.0, 2000.0]))[MARGINS]
    assert level(margins, 2.0) - level(margins, 0.0) > 0.1
    assert level(margins, 302.0) < 1.0


def test_other_margins_have_axes_of_their_own() -> None:
    axes = by_speed((40.0, 60.0), units="inch")
    (container,) = axes[MISMATCH].containers
    assert list(container.lines[0].get_ydata()) == [5.0, 5.0]
    (container,) = axes[DRIVE].containers
    # 100 m/s² are 3937 in/s²
    assert list(container.lines[0].get_ydata()) == pytest.approx([3937.01, 3937.01], abs=0.01)
    assert "(in/s²)" in texts(axes[DRIVE])[-1]
    for panel in (axes[MISMATCH], axes[DRIVE]):
        assert 0.0 < level(panel, 0.0) < 1.0


# -- many, one, none


def test_many_points_become_lines_and_a_strip() -> None:
    speeds = [float(v) for v in range(20, 120)]
    points = [point(v * M_MIN, feeder(missed={"merged": 3}, hazards={"tail_held": 4}),
                    accepted=v < 70.0, decided=v < 60.0 or v >= 80.0) for v in speeds]  # fmt: skip
    axes = drawn(points, m_min(speeds))
    for panel in axes[:LIMITS]:
        assert not lines(panel, "undecided")
        assert not [line for line in panel.lines if line.get_marker() == "x"]
        strips = {line.get_gid(): list(line.get_xdata()) for line in panel.lines if line.get_gid()}
        # speeds step by 1, so a stretch reaches half a step beyond its first and last point
        assert strips["accepted, undecided"] == pytest.approx([59.5, 69.5])
        assert strips["refused, undecided"] == pytest.approx([69.5, 79.5])
        assert strips["refused"] == pytest.approx([79.5, 119.5])
    assert not [patch for patch in axes[MISSED].patches if patch.get_height() > 0.0]
    assert not axes[MARGINS].containers
    (line,) = lines(axes[MARGINS], "tail_held")
    assert len(line.get_xdata()) == 100
    assert len(line.get_markevery()) <= 20
    marked = [x for x in axes[JAM_RISK].lines if x.get_marker() == "s" and len(x.get_xdata())]
    assert sum(len(x.get_xdata()) for x in marked) <= 20


def test_a_lone_point_among_many_is_still_seen() -> None:
    speeds = [float(v) for v in range(20, 120)]
    lone = feeder(hazards={"double": 4}, missed={"merged": 2})
    points = [point(v * M_MIN, lone if v == 77.0 else feeder()) for v in speeds]
    axes = drawn(points, m_min(speeds))
    marks = [x for x in axes[JAM_RISK].lines if x.get_marker() == "P" and len(x.get_xdata())]
    assert [list(x.get_xdata()) for x in marks] == [[77.0]]
    assert [len(c.lines[0].get_xdata()) for c in axes[MISSED].containers] == [1]


def test_one_speed_alone_is_drawn() -> None:
    ran = swept("membership_card", 60.0)
    (figure,) = sweep_figures(ran).values()
    assert render(figure, "png").startswith(b"\x89PNG")
    low, high = figure.axes[PLACEMENT].get_xlim()
    assert 40.0 < low < 60.0 < high < 80.0
    # marks of several margins at one speed stand side by side
    at = {float(c.lines[0].get_xdata()[0]) for c in figure.axes[MARGINS].containers}
    assert len(at) == 3


def test_where_nothing_was_placed_the_panels_say_so() -> None:
    nothing = feeder(mean=None, sd=None, within=None, missed={"no_insert": 1000},
                     margins=dict.fromkeys(("nose_strike", "tail_held", "off_carrier",
                                            "speed_mismatch", "drive_overload"), (None, None)))  # type: ignore[arg-type]  # fmt: skip
    nothing = replace(nothing, jam_risk=Share(0, None, None, None, None, None))
    axes = drawn([point(v, nothing) for v in (1000.0, 2000.0)], speeds_of([1000.0, 2000.0]))
    for place, said in ((PLACEMENT, "no insert placed"), (MARGINS, "no feed cycle"),
                        (JAM_RISK, "no feed cycle"), (MISMATCH, "no landing")):  # fmt: skip
        assert said in texts(axes[place])


@pytest.mark.parametrize(
    ("name", "changes", "replications"),
    [
        ("two_feeders", (), 1),
        ("membership_card", (), 3),
        ("membership_card", ("feeder.0.insert.misfeed=100 %",), 1),
        ("membership_card", ("acceptance.missed=0 %", "acceptance.jam_risk=0 %"), 1),
        ("membership_card", ('title="$x_$ 漢字"', "acceptance.within_tolerance=100 %"), 1),
    ],
)
def test_odd_sweeps_are_drawn_the_same_each_time(
    name: str, changes: tuple[str, ...], replications: int
) -> None:
    ran = swept(name, 30.0, 90.0, changes=changes, replications=replications)
    found = sweep_figures(ran)
    assert len(found) == len(ran.scenario.feeder)
    again = sweep_figures(ran)
    for key, figure in found.items():
        assert render(figure, "svg") == render(again[key], "svg")


def test_two_axes_are_no_overview() -> None:
    axes = [parse_axis("controller.scan=1,2 ms"), speeds_of([1000.0])]
    with pytest.raises(ValueError, match="unpack"):
        sweep_figures(by_hand([point(1000.0, varied={axes[0].key: "1 ms"})] * 2, *axes))


# -- table and text


def test_the_table_has_a_row_per_speed_and_feeder() -> None:
    ran = swept("two_feeders", 30.0, 50.0, replications=2)
    rows = sweep_csv(ran).decode().splitlines()
    assert len(rows) == 1 + 2 * 2
    head = rows[0].split(",")
    first = dict(zip(head, rows[1].split(","), strict=True))
    assert float(first["placement_error_mean_mm"]) == pytest.approx(
        ran.points[0].results.feeders[0].placement_error.mean_mm, rel=1e-15
    )
    assert [row.split(",")[1:4] for row in rows[1:]] == [["0", "2", "240"], ["1", "2", "240"]] * 2
    assert head[:4] == ["line_speed_mm_s", "feeder", "replications", "carriers"]


def test_a_varied_key_has_a_column_with_its_unit_and_its_own_place_in_the_text() -> None:
    scenario = load_scenario(SCENARIOS / "membership_card.toml", overrides=["run.carriers=60"])
    gap = parse_axis("feeder.0.insert.gap=60,70 mm")
    sweep = SweepPlan(scenario, (gap, speeds_of([1000.0, 3500.0])), 1)
    sweep.check()
    ran = run(sweep)
    assert [(p.varied, p.results.line_speed_mm_s) for p in ran.points] == [
        ({"feeder.0.insert.gap": gap}, speed)
        for gap in ("60 mm", "70 mm")
        for speed in (1000.0, 3500.0)
    ]
    rows = [row.split(",")[:2] for row in sweep_csv(ran).decode().split()]
    assert rows[0] == ["line_speed_mm_s", "feeder.0.insert.gap_mm"]
    assert rows[1:] == [["1000.0", "60.0"], ["3500.0", "60.0"],
                        ["1000.0", "70.0"], ["3500.0", "70.0"]]  # fmt: skip
    assert [row.varied for row in ran.highest_accepted] == [
        {"feeder.0.insert.gap": "60 mm"},
        {"feeder.0.insert.gap": "70 mm"},
    ]
    text = sweep_text(ran)
    assert "insert.gap" in text
    assert "feeder.0.insert.gap at" in text


def test_the_text_tells_the_verdict() -> None:
    ran = swept("membership_card", 150.0, 180.0)
    text = sweep_text(ran)
    assert "NOT ACCEPTED" in text
    assert "Not accepted even at the lowest speed" in text


def test_what_the_closed_forms_refuse_below_faster_speeds_is_hatched_in_each_panel() -> None:
    rows = ((10.0, 11.0), (20.0, 42.0), (70.0, 80.0), (55.0, None))
    refused = tuple(
        RefusedSpeeds(a * M_MIN, b and b * M_MIN, a * M_MIN, "within_tolerance", 0.01)
        for a, b in rows
    )
    speeds = (40.0, 50.0, 60.0)
    made = by_hand([point(v * M_MIN) for v in speeds], m_min(speeds))
    (figure,) = sweep_figures(replace(made, closed_form_refused=refused)).values()
    for axes in figure.axes[:LIMITS]:
        spans = [x for x in axes.patches if x.get_gid() == "refused in closed form"]
        # one lies below the axis, one above it, one has no end; one is cut off at its left end
        (span,) = spans  # a polygon or a rectangle, by the version of matplotlib
        ends = span.get_path().transformed(span.get_patch_transform()).get_extents()
        assert (ends.x0, ends.x1) == pytest.approx((axes.get_xlim()[0], 42.0))
        assert span.get_hatch()
    assert "refused in closed form" in [t.get_text() for t in figure.legends[0].get_texts()]


def narrowly_refused() -> Swept:
    rows = ((45.0, 45.01), (46.0, 46.02), (55.0, 55.01))
    refused = tuple(
        RefusedSpeeds(a * M_MIN, b * M_MIN, a * M_MIN, "within_tolerance", 0.01) for a, b in rows
    )
    speeds = (40.0, 50.0, 60.0, 70.0)
    verdicts = (True, True, False, True)
    points = [point(v * M_MIN, accepted=a) for v, a in zip(speeds, verdicts, strict=True)]
    return replace(by_hand(points, m_min(speeds)), closed_form_refused=refused)


def test_stretches_too_narrow_to_hatch_are_lines_and_named_as_such() -> None:
    (figure,) = sweep_figures(narrowly_refused()).values()
    for axes in figure.axes[:LIMITS]:
        assert not [x for x in axes.patches if x.get_gid() == "refused in closed form"]
        lines = [x for x in axes.lines if x.get_gid() == "refused, narrow"]
        assert [x.get_xdata()[0] for x in lines] == pytest.approx([45.005, 46.01, 55.005])
    labels = [t.get_text() for t in figure.legends[0].get_texts()]
    assert "narrow stretches refused in closed form" in labels
    assert "refused in closed form" not in labels


def test_a_subtitle_that_names_islands_and_stretches_is_whole_and_on_the_page() -> None:
    made = narrowly_refused()
    (figure,) = sweep_figures(made).values()
    told = " ".join(text.get_text() for text in figure.texts)
    assert subtitle_of(made, "metric") in told
    assert "not a speed to set" in told
    assert "2 stretches of speeds between the simulated ones are refused" in told
    figure.canvas.draw()
    boxes = [text.get_window_extent() for text in figure.texts]
    width, height = figure.bbox.width, figure.bbox.height
    assert all(b.x0 > 0.0 and b.x1 < width and b.y1 < height for b in boxes)
    rows = sorted(boxes, key=lambda b: b.y0)
    assert all(a.y1 <= b.y0 for a, b in pairwise(rows))
