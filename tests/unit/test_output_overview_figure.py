"""The overview of a run: what is drawn stands where it should, in the units asked for."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from feedsim.answers.run.overview import panels, shown
from feedsim.answers.run.overview.figure import overview_figures
from feedsim.answers.run.overview.shown import thinned
from feedsim.metrics.results import summarise
from feedsim.records.outcome import Outcome
from feedsim.records.stop import Adjustment, Rule, Stop
from feedsim.render.canvas import render
from tests.unit import records_builder as by_hand
from tests.unit.records_builder import CRITERIA

INCH = 25.4


def figures(*feeders, units="metric", warm_up=0, title="Sample card"):
    """Return the overviews of a run of feeders, each a list of rows."""
    records = by_hand.run(*map(by_hand.feeder, feeders), warm_up=warm_up)
    return figures_of(records, units=units, title=title)


def figures_of(records, *, units="metric", title="Sample card"):
    line = by_hand.machine(*[by_hand.one_feeder() for _ in records.feeders])
    results = summarise(
        records,
        line,
        criteria=CRITERIA,
        names=[f"feeder {i}" for i in range(len(records.feeders))],
        title=title,
        seed=1,
        version="0",
    )
    return overview_figures(results, records, line, criteria=CRITERIA, units=units)


def errors(*values):
    return [by_hand.placed(placement_error_mm=value) for value in values]


def spread(n, mean=0.0, sd=0.4):
    """Return rows with the even quantiles of a normal distribution."""
    from statistics import NormalDist

    return errors(*[NormalDist(mean, sd).inv_cdf((i + 0.5) / n) for i in range(n)])


def artist(axes, gid):
    (found,) = [line for line in axes.lines if line.get_gid() == gid]
    return found


def texts(figure):
    from matplotlib.text import Text

    return [text.get_text() for text in figure.findobj(Text)]


@pytest.mark.parametrize(("units", "limit"), [("metric", 1.5), ("inch", 1.5 / INCH)])
def test_limits_and_target_stand_where_they_should(units, limit):
    for figure in figures(spread(200), spread(200), units=units).values():
        upper, _, _, lower, _ = figure.axes
        for gid, value in (("lower", -limit), ("upper", limit)):
            assert artist(upper, f"tolerance-{gid}").get_xdata() == pytest.approx([value] * 2)
            assert artist(lower, f"tolerance-{gid}").get_ydata() == pytest.approx([value] * 2)
        assert list(artist(upper, "target").get_xdata()) == [0.0, 0.0]
        assert list(artist(lower, "target").get_ydata()) == [0.0, 0.0]


@pytest.mark.parametrize(("units", "label"), [("metric", "mm"), ("inch", "in")])
def test_labels_carry_units(units, label):
    (figure,) = figures(spread(200), units=units).values()
    upper, _, _, lower, lanes = figure.axes
    assert upper.get_xlabel() == f"placement error ({label})"
    assert upper.get_ylabel().endswith(f" {label}")
    assert lower.get_ylabel() == f"placement error ({label})"
    assert lanes.get_xlabel() == "carrier number"


def test_heading_says_title_speed_number_mean_and_sd():
    (figure,) = figures(errors(0.25, 0.75), title="Cards at $5 to $6\n").values()
    said = texts(figure)
    assert "Cards at $5 to $6" in said
    assert "feeder 0 at 60 m/min, 2 carriers" in said
    # sd of two values 0.5 apart: 0.5/sqrt(2) = 0.35355
    assert "n = 2, mean +0.500 mm, sd 0.354 mm, 100 % in tolerance, 99.7 % wanted" in said
    (inch,) = figures(errors(0.25, 0.75), units="inch").values()
    # 1000 mm/s = 60000/304.8 ft/min = 196.85; 0.5/25.4 = 0.019685; 0.35355/25.4 = 0.013919
    assert "feeder 0 at 196.9 ft/min, 2 carriers" in texts(inch)
    assert "n = 2, mean +0.0197 in, sd 0.0139 in, 100 % in tolerance, 99.7 % wanted" in texts(inch)


def bars(axes):
    """Return (counts, edges) of the bars inside, and outside, the tolerance."""
    from matplotlib.patches import StepPatch

    found = {}
    for patch in axes.patches:
        if isinstance(patch, StepPatch):
            values, edges, base = patch.get_data()
            counts = np.nan_to_num(values) - np.where(np.isnan(values), 0.0, base)
            found["outside" if patch.get_hatch() else "inside"] = (counts, edges)
    return found


@pytest.mark.parametrize("units", ["metric", "inch"])
def test_bars_count_every_error_on_its_side_of_the_tolerance(units):
    factor = 1.0 if units == "metric" else 1.0 / INCH
    rows = [*spread(300), *errors(1.5, -1.5, 1.5000001, -1.6)]
    (figure,) = figures(rows, units=units).values()
    found = bars(figure.axes[0])
    inside, edges = found["inside"]
    outside, _ = found["outside"]
    assert (inside.sum(), outside.sum()) == (302, 2)  # a value at the limit is inside
    beyond = (edges[:-1] >= 1.5 * factor - 1e-12) | (edges[1:] <= -1.5 * factor + 1e-12)
    assert outside[~beyond].sum() == 0
    assert inside[beyond].sum() == 0
    for limit in (-1.5 * factor, 1.5 * factor):
        assert np.abs(edges - limit).min() < 1e-12
    assert np.diff(edges) == pytest.approx(edges[1] - edges[0])


@pytest.mark.parametrize("sd", [0.4, 2.0, 6.0, 20.0])
def test_no_bar_reaches_over_the_tolerance_however_wide_the_errors(sd):
    (figure,) = figures(spread(40, sd=sd)).values()
    for where, (counts, edges) in bars(figure.axes[0]).items():
        middles = 0.5 * np.abs(edges[1:] + edges[:-1])[counts > 0]
        assert ((middles < 1.5) == (where == "inside")).all()
        assert np.abs(np.abs(edges) - 1.5).min() < 1e-12


def test_the_normal_curve_has_the_area_of_the_bars_and_its_peak_at_the_mean():
    (figure,) = figures(spread(1000, mean=0.3, sd=0.2)).values()
    curve = artist(figure.axes[0], "normal")
    x, y = curve.get_xdata(), curve.get_ydata()
    _, edges = bars(figure.axes[0])["inside"]
    area = float(np.sum(0.5 * (y[1:] + y[:-1]) * np.diff(x)))
    assert area == pytest.approx(1000 * (edges[1] - edges[0]), rel=1e-4)
    assert x[np.argmax(y)] == pytest.approx(0.3, abs=0.01)


def dots(axes):
    return {
        line.get_gid(): (list(line.get_xdata()), list(line.get_ydata()))
        for line in axes.lines
        if line.get_gid() in {"inside", "outside", "above", "below"}
    }


def test_dots_stand_at_their_carriers():
    rows = [
        *errors(9.0, 0.25, 1.75),
        by_hand.missed(Outcome.NOT_STAGED),
        *errors(-0.5),
        by_hand.missed(Outcome.MERGED),
    ]
    (figure,) = figures(rows, warm_up=1).values()
    lower, lanes = figure.axes[3:]
    assert dots(lower) == {
        "inside": ([1, 4], [0.25, -0.5]),
        "outside": ([2], [1.75]),
    }
    assert list(artist(lanes, "missed").get_xdata()) == [3, 5]
    assert lower.get_xlim()[0] < 1
    assert lower.get_xlim()[1] > 5


def test_errors_far_off_stand_at_the_edge_as_arrows_and_are_counted():
    rows = [*spread(400), *errors(80.0, 120.0, -50.0)]
    (figure,) = figures(rows).values()
    upper, _, _, lower, _ = figure.axes
    found, (low, high) = dots(lower), lower.get_ylim()
    assert high < 5.0
    assert found["above"] == ([400, 401], [high, high])
    assert found["below"] == ([402], [low])
    said = texts(figure)
    assert "2 more, \u2192\nto +120.000 mm" in said
    assert "\u2190 1 more,\nto \u221250.000 mm" in said
    assert upper.get_xlim() == (low, high)


def test_too_many_dots_are_thinned_but_none_outside_the_tolerance(monkeypatch):
    monkeypatch.setattr(shown, "MOST_DOTS", 100)
    monkeypatch.setattr(panels, "MOST_DOTS", 100)
    rows = errors(*[math.sin(i) for i in range(2000)])
    for i in range(0, 2000, 7):
        rows[i] = by_hand.placed(placement_error_mm=1.6)
    (figure,) = figures(rows).values()
    found = dots(figure.axes[3])
    assert found["outside"][0] == list(range(0, 2000, 7))
    kept = found["inside"][0]
    assert 50 <= len(kept) <= 100
    told = f"{len(kept)} of 1714 dots inside the tolerance are drawn, at an even step"
    assert told in texts(figure)


def test_thinning_keeps_the_shape_of_the_density(monkeypatch):
    monkeypatch.setattr(shown, "MOST_DOTS", 4000)
    values = np.random.Generator(np.random.PCG64(1)).standard_normal(100_000)
    kept = thinned(np.ones(len(values), dtype=bool))
    assert 3900 <= len(kept) <= 4000
    assert np.all(np.diff(kept) > 0)
    # the sample is one of a normal: a thinning that prefers extremes would widen it
    assert stats.kstest(values[kept], "norm").pvalue > 1e-4
    assert thinned(np.ones(40, dtype=bool)).tolist() == list(range(40))


@pytest.mark.parametrize(
    "rows",
    [
        errors(0.2),
        errors(*[0.0] * 50),
        errors(*[40.0] * 50),
        errors(*range(-100, 100)),
        [by_hand.missed(Outcome.NOT_SEEN)] * 3,
        [*errors(0.1), by_hand.missed(Outcome.LATE_MARK)],
    ],
    ids=["one carrier", "all the same", "all far off", "wide", "none placed", "one of two"],
)
@pytest.mark.parametrize("units", ["metric", "inch"])
def test_odd_runs_are_drawn(rows, units):
    (figure,) = figures(rows, units=units).values()
    placed = sum(row["outcome"] == Outcome.PLACED for row in rows)
    found = bars(figure.axes[0])
    assert sum(counts.sum() for counts, _ in found.values()) == placed
    assert ("no insert placed" in texts(figure)) == (placed == 0)
    assert render(figure, "png").startswith(b"\x89PNG")


def test_each_feeder_has_its_own():
    assert list(figures(spread(9))) == ["overview"]
    assert list(figures(*[spread(9)] * 4)) == [f"overview-{i}" for i in range(4)]


def test_the_verdict_and_its_reasons_come_first():
    (figure,) = figures(errors(*[9.0] * 300)).values()
    (head,) = [text for text in figure.texts if text.get_gid() == "verdict"]
    (reasons,) = [text for text in figure.texts if text.get_gid() == "reasons"]
    assert head.get_text() == "NOT ACCEPTED, for sure at 95 %"
    assert "feeder 0: 0 % of the placed inserts lie within the placement tolerance" in (
        reasons.get_text()
    )


def test_a_line_whose_every_cycle_strikes_does_not_look_perfect():
    """The nose stands 3 mm past its limit in each cycle, though every insert lies on target."""
    limit = by_hand.one_feeder().nose_limit_mm
    rows = [by_hand.placed(stage_position_mm=limit + 3.0) for _ in range(60)]
    (figure,) = figures(rows, warm_up=10).values()
    _, margins, _, _, lanes = figure.axes
    assert "NOT ACCEPTED, for sure at 95 %" in texts(figure)
    assert "50 of 50, to \u22123.000 mm" in texts(figure)
    assert np.max(artist(margins, "margin nose_strike").get_xdata()) < 0.0
    assert list(artist(lanes, "hazard").get_xdata()) == list(range(10, 60))
    assert lanes.get_yticklabels()[1].get_text() == "hazard 50"


def test_misses_come_by_cause_the_largest_first():
    rows = [*spread(90), *[by_hand.missed(Outcome.MERGED)] * 3]
    rows += [by_hand.missed(Outcome.LATE_MARK)] * 7
    (figure,) = figures(rows).values()
    bars = [(patch.get_gid(), patch.get_width()) for patch in figure.axes[2].patches]
    assert bars == [("missed late_mark", 7), ("missed merged", 3)]


def test_what_an_adjustment_split_is_shown_apart():
    rows = [*errors(*[-0.4] * 30), *errors(*[0.6] * 50)]
    records = replace(by_hand.run(by_hand.feeder(rows)), adjustments=(Adjustment(7.8, 30),))
    (figure,) = figures_of(records).values()
    upper, lanes = figure.axes[0], figure.axes[4]
    assert "normal" not in {line.get_gid() for line in upper.lines}
    counts = {}
    for patch in upper.patches:
        if (patch.get_gid() or "").startswith("regime"):
            values, edges, _ = patch.get_data()
            counts[patch.get_gid()] = values.sum(), edges[np.argmax(values)]
    assert counts["regime 0"][0] == 30
    assert counts["regime 0"][1] <= -0.4
    assert counts["regime 1"][0] == 50
    assert counts["regime 1"][1] > 0.0
    assert list(artist(lanes, "changed").get_xdata()) == [30]
    assert {"before the change", "after it"} <= set(texts(figure))


def test_a_stop_stands_where_the_next_carrier_would_have_come():
    records = by_hand.run(by_hand.feeder(spread(40)))
    between = float(records.carriers.eye_time_s[12:14].mean())
    stop = Stop(Rule.JAM, "double", 0, 12, between, between + 0.1, between + 60.0, ((),), ())
    (figure,) = figures_of(replace(records, stops=(stop,))).values()
    assert list(artist(figure.axes[4], "stopped").get_xdata()) == [13]
    assert "jam: double" in texts(figure)


@pytest.mark.parametrize("kind", ["png", "svg"])
def test_the_same_run_gives_the_same_bytes_whatever_the_user_has_set(kind):
    import matplotlib as mpl

    (figure,) = figures(spread(300)).values()
    with mpl.rc_context({"font.size": 20, "lines.linewidth": 5, "svg.hashsalt": "x"}):
        (again,) = figures(spread(300)).values()
        assert render(again, kind) == render(figure, kind)
        assert mpl.rcParams["font.size"] == 20


def test_a_script_that_the_font_lacks_is_no_reason_to_fail():
    (figure,) = figures(spread(9), title="\u540d\u523a \u0915\u093e\u0930\u094d\u0921").values()
    assert render(figure, "svg").startswith(b"<?xml")


def test_an_svg_names_neither_date_nor_maker():
    (figure,) = figures(spread(9)).values()
    svg = render(figure, "svg")
    assert b"<dc:date>" not in svg
    assert b"Matplotlib" not in svg.split(b"<defs>")[0]
