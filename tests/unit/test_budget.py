"""A budget held against a run, and what is made of it in words, tables and files."""

from __future__ import annotations

import csv
import io
import math
from typing import Any, cast

import numpy as np
import pytest
from scipy import stats

from feedsim.answers.budget.answer import budget_csv
from feedsim.answers.budget.study.budget import (
    BudgetAgainstRun,
    BudgetPoint,
    Budgets,
    FeederBudget,
    Weighed,
    budgets_at,
    compared,
)
from feedsim.answers.budget.study.caveats import Caveat
from feedsim.answers.budget.study.run import SimulatedError, is_steady, steady
from feedsim.answers.budget.text import budget_text
from feedsim.answers.budget.view import allowed_scale, sd_of
from feedsim.answers.budget.words import cause_shares, closing
from feedsim.metrics.intervals import Interval
from feedsim.metrics.plain import plain
from feedsim.metrics.spread_intervals import sd_interval
from feedsim.probability.distribution import Distribution
from feedsim.render import layout
from feedsim.scenario import Scenario, override, scenario_from_text
from feedsim.settings.predict import Shift
from feedsim.settings.sources import combined_sd

TOML = """
title = "a line"
[line]
speed = "60 m/min"
[carrier]
length = "210 mm"
pitch = "260 mm"
[[feeder]]
name = "card feeder"
eye_to_placement = "400 mm"
insert_eye_to_placement = "120 mm"
[feeder.insert]
length = "85.6 mm"
gap = "70 mm"
[feeder.settings]
target_offset = "20 mm"
stage_position = "60 mm"
"""
DOUBT = Caveat("run_up", "The run-up is too short at 60 m/min.")


def scenario(*changes: str) -> Scenario:
    return override(scenario_from_text(TOML), changes)


def sources(speed: float) -> tuple[Weighed, ...]:
    """Return three sources: 3 mm of length; times of 3 ms and of 1 ms of one cause."""
    edge, closing, opening = 3.0, 0.003 * speed, 0.001 * speed
    whole = edge**2 + closing**2 + opening**2
    tick = ("motion cycle", "s", "rectangular")
    return (
        Weighed("carrier eye edge", "carrier", "carrier eye edge", "mm", "normal", None, 3.0, 1.0,
                edge, edge**2 / whole),
        Weighed("closing tick", "carrier", *tick, 0.005, 0.003, speed, closing, closing**2 / whole),
        Weighed("opening tick", "insert", *tick, 0.002, 0.001, -speed, opening, opening**2 / whole),
    )  # fmt: skip


def answer(of: Scenario, *points: BudgetPoint) -> dict[str, Any]:
    """Return what ``budget.json`` would hold."""
    return cast("dict[str, Any]", plain(Budgets("0", of.title, of, True, 1000, points, None)))


def budget(speed: float = 1000.0, *, doubts: tuple[Caveat, ...] = ()) -> FeederBudget:
    found = sources(speed)
    shifts = (Shift("encoder scale error", 0.5), Shift("late openings", -0.2))
    return FeederBudget("card feeder", found, combined_sd(found), shifts, 0.3, 0.9, doubts)


def run(
    sd: float | None, low: float, high: float, *, late: int = 0, stops: int = 0
) -> SimulatedError:
    return SimulatedError(1000, sd, Interval(low, high), 0.31, Interval(0.25, 0.37), late, stops)


def point(speed: float, *, scale: float = 1.0, doubts: tuple[Caveat, ...] = ()) -> BudgetPoint:
    """Return a budget at a speed against a run that spreads by so much more, to 1 %."""
    one = budget(speed, doubts=doubts)
    sd = scale * one.combined_sd_mm
    return BudgetPoint(speed, (compared(one, run(sd, 0.99 * sd, 1.01 * sd)),))


# -- the comparison ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("low", "high", "agreement"),
    [
        # shares of the budget's own sum, √19 mm; the ratio is the other way round
        (0.98, 1.02, "agrees"),
        (1.01, 1.05, "open"),
        (0.90, 1.01, "open"),
        (1.04, 1.10, "differs"),
        (0.90, 0.96, "differs"),
        # the ratio's end that is nearer to 1 has to be 3 % off: 1/1.03 = 0.9709, 1/0.97 = 1.0309
        (0.80, 0.9708, "differs"),
        (0.80, 0.9710, "open"),
        (1.0310, 1.2, "differs"),
        (1.0308, 1.2, "open"),
    ],
)
def test_agreement_goes_by_the_interval_of_the_ratio(
    low: float, high: float, agreement: str
) -> None:
    whole = math.sqrt(19.0)
    found = compared(budget(), run(whole * (low + high) / 2.0, whole * low, whole * high))
    assert found.agreement == agreement
    assert found.ratio == pytest.approx(2.0 / (low + high))
    assert found.ratio_ci95 == pytest.approx((1.0 / high, 1.0 / low))


def test_a_run_that_does_not_spread_has_no_ratio() -> None:
    for sd, ends in ((0.0, (0.0, 0.0)), (None, (0.0, 0.0))):
        found = compared(budget(), run(sd, *ends))
        assert (found.ratio, found.ratio_ci95, found.agreement) == (None, None, None)


def test_inserts_that_were_engaged_late_are_a_doubt() -> None:
    assert compared(budget(), run(4.0, 3.9, 4.1)).doubts == ()
    (doubt,) = compared(budget(), run(4.0, 3.9, 4.1, late=7)).doubts
    assert doubt.kind == "late_engages"
    assert "7 of the 1000" in doubt.words


def test_stops_of_the_line_are_a_doubt() -> None:
    (doubt,) = compared(budget(), run(4.0, 3.9, 4.1, stops=3)).doubts
    assert doubt.kind == "stops"
    assert "stopped 3 times" in doubt.words


def test_interval_of_a_spread_by_hand() -> None:
    # Six times 0, 4, 2 and 6: squares 9, 1, 1, 9 about the mean 3 (their mean 5, ±4), s² is 120/23.
    # Each value, below 40 a batch of its own, adds its square over 5: ±0.8, so that the mean of
    # these has a variance of 0.64·(24/23)/24. Neighbours of the squares come in pairs, opposite in
    # turn with those beside: 11 of 23 products are negative, r = 1/24, not alike. Student's
    # quantile for 23 is 2.0687: 2/(0.64/23·(2.0687/1.9600)²) = 64.5 degrees of freedom.
    values = np.array([0.0, 4.0, 2.0, 6.0] * 6)
    freedom = 2.0 / (0.64 / 23.0 * (2.0687 / 1.95996) ** 2)
    low, high = sd_interval(values) or (math.nan, math.nan)
    for end, chance in ((low, 0.975), (high, 0.025)):
        exact = math.sqrt(120.0 / 23.0 * freedom / stats.chi2.ppf(chance, freedom))
        assert end == pytest.approx(exact, rel=1e-3)
    assert sd_interval(values[:19]) is None
    assert sd_interval(np.full(50, 1.5)) == (0.0, 0.0)
    assert sd_interval(np.array([1.0, 1.0 + 1e-10] * 10), resolution=1e-9) == (0.0, 0.0)


def test_the_steady_line_has_no_profile() -> None:
    ramped = scenario('line.profile=[["0 s", "0 m/min"], ["5 s", "60 m/min"]]')
    assert ramped.line.profile
    there = steady(ramped, 500.0)
    assert there.line.profile == ()
    assert there.line.speed == 500.0
    assert there.carrier == ramped.carrier
    assert is_steady(there)
    assert not is_steady(ramped)


def test_how_much_more_an_error_may_spread() -> None:
    # normal, sd 0.5, on target: 99.7 % lie within ±2.9677 sd (two-sided normal quantile, any
    # table), so that sd may be 1.5/2.9677 = 0.50544; the mean is left out
    for mean in (0.0, 0.3):
        found = allowed_scale(Distribution(mean, 0.5), 1.5, within=0.997)
        assert found == pytest.approx(0.50544 / 0.5, rel=1e-4)
    # uniform ±1: 90 % lie within ±0.9, so ±(1.8/0.9) = ±2 leaves 90 % within ±1.8
    assert allowed_scale(Distribution(half_widths=(1.0,)), 1.8, within=0.9) == pytest.approx(
        2.0, rel=1e-3
    )
    assert allowed_scale(Distribution(0.2), 1.5, within=0.997) is None
    assert allowed_scale(Distribution(0.0, 0.5), 1.5, within=1.0) is None


def test_spread_of_a_distribution_by_hand() -> None:
    # 0.3² normal, 0.6²/3 uniform, and 0.25·0.75·0.8² of two values 0.8 apart: 0.09 + 0.12 + 0.12
    error = Distribution(5.0, 0.3, (0.6,), ({0.0: 0.25, 0.8: 0.75},))
    assert sd_of(error) == pytest.approx(math.sqrt(0.33))


# -- words -------------------------------------------------------------------------------


def test_shares_of_one_cause_go_together() -> None:
    # at 1000 mm/s: 3² of length, 3² + 1² of the motion cycle: 9/19 and 10/19
    assert cause_shares(budget()) == pytest.approx(
        {"carrier eye edge": 9.0 / 19.0, "motion cycle": 10.0 / 19.0}
    )


def test_the_closing_words_name_both_ends_and_what_halving_does() -> None:
    row = [(v, point(v).feeders[0]) for v in (500.0, 2000.0)]
    text = " ".join(closing(row))
    # 500 mm/s: 9 of 9 + 2.5 = 78 %; halved √(9/4 + 2.5) = 2.179 of √11.5 = 3.391 mm
    assert "Slow, at 30 m/min the carrier eye edge has 78 % of the variance: length" in text
    assert "from 3.391 mm to about 2.179 mm" in text
    # 2000 mm/s: 40 of 49 = 82 %; halved √(9 + 10) = 4.359 of 7 mm; the edge √(40 + 9/4) = 6.5
    assert "Fast, at 120 m/min the motion cycle has 82 % of the variance: time" in text
    assert "from 7.000 mm to about 4.359 mm; the carrier eye edge halved, to 6.500 mm" in text
    assert "either end" not in text


def test_what_leads_at_both_ends_is_said_once() -> None:
    text = " ".join(closing([(v, point(v).feeders[0]) for v in (1500.0, 2000.0)]))
    assert "At either end the motion cycle comes first." in text
    assert text.count("To place better") == 1


def test_one_speed_has_no_ends() -> None:
    text = " ".join(closing([(1000.0, point(1000.0).feeders[0])]))
    assert text.startswith("At 60 m/min the motion cycle has 53 % of the variance")
    assert "Slow" not in text


def test_nothing_spreads() -> None:
    quiet = FeederBudget("card feeder", (), 0.0, (), 0.0, 1.0, ())
    still = compared(quiet, run(0.0, 0.0, 0.0))
    assert list(closing([(1000.0, still)])) == ["Nothing spreads the placement."]
    text = budget_text(scenario(), [BudgetPoint(1000.0, (still,))], in_full_mm_s=1000.0)
    assert "the placement does not spread" in text


def test_too_few_inserts_are_told() -> None:
    for placed, said in ((0, "0 inserts were placed"), (1, "1 insert was placed")):
        few = SimulatedError(placed, None, None, None, None, 0, 0)
        text = " ".join(full(BudgetPoint(1000.0, (compared(budget(), few),))).split())
        assert f"{said} in the simulation: too few" in text


# -- tables ------------------------------------------------------------------------------


def full(*points: BudgetPoint, units: str = "metric") -> str:
    return budget_text(scenario(), points, in_full_mm_s=points[0].line_speed_mm_s, units=units)


def test_the_full_table_has_a_line_for_each_source_the_largest_first() -> None:
    lines = [" ".join(line.split()) for line in full(point(1000.0)).splitlines()]
    named = [line for line in lines if line.startswith(("carrier eye", "closing", "opening"))]
    assert named == [
        "carrier eye edge normal 3 mm +1 mm/mm 3.000 mm 47.4 %",
        "closing tick rectangular, ±5 ms 3 ms +1 mm/ms 3.000 mm 47.4 %",
        "opening tick rectangular, ±2 ms 1 ms -1 mm/ms 1.000 mm 5.3 %",
    ]
    assert "combined 4.359 mm 100 %" in lines
    assert "simulated (1000 inserts) 4.359 mm" in lines
    assert "encoder scale error +0.500 mm" in lines
    assert "together +0.300 mm" in lines
    assert "simulated +0.310 mm (+0.250 to +0.370 at 95 %)" in lines
    assert "they agree within 3 %" in " ".join(lines)


def test_inches() -> None:
    # 3 mm are 0.1181 in; a millisecond at 1000 mm/s is 0.0394 in
    text = full(point(1000.0), units="inch")
    assert "0.1181 in" in text
    assert "+0.0394 in/ms" in text
    assert "mm" not in text


def test_a_difference_is_told_with_its_reason_or_as_unknown() -> None:
    text = " ".join(full(point(1000.0, scale=1.1)).split())
    assert "THEY DIFFER by more than 3 %, for no known reason" in text
    text = full(point(1000.0, scale=1.1, doubts=(DOUBT,)))
    assert "THEY DIFFER by more than 3 %, see below" in " ".join(text.split())
    assert f"! {DOUBT.words}" in text


def test_a_doubt_is_told_also_where_budget_and_run_agree() -> None:
    assert f"! {DOUBT.words}" in full(point(1000.0, doubts=(DOUBT,)))


def test_other_speeds_are_told_in_a_line() -> None:
    text = " ".join(full(point(1000.0), point(1500.0, scale=0.99), point(2000.0)).split())
    assert (
        "At 2 other speeds, 90 m/min to 120 m/min, combined over simulated is 1.000 to 1.010."
        in text
    )


def side_by_side(*points: BudgetPoint) -> list[str]:
    return budget_text(scenario(), points, in_full_mm_s=None).splitlines()


def test_speeds_side_by_side() -> None:
    lines = [line.split() for line in side_by_side(point(500.0), point(2000.0, scale=1.1))]
    assert ["m/min", "30", "120"] in lines
    # shares by hand: 9, 2.25, 0.25 of 11.5, and 9, 36, 4 of 49; the largest anywhere first
    tables = [line for line in lines if line[:1] in (["carrier"], ["closing"], ["opening"])]
    assert tables == [
        ["carrier", "eye", "edge", "78.3", "18.4"],
        ["closing", "tick", "19.6", "73.5"],
        ["opening", "tick", "2.2", "8.2"],
    ]
    assert ["combined", "sd", "3.391", "7.000"] in lines
    assert ["ratio", "1.000", "0.909!"] in lines
    assert "THEY DIFFER by more than 3 % at 120 m/min" in " ".join(" ".join(x) for x in lines)


def test_many_speeds_are_cut_into_blocks_of_the_width(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(layout, "_room", lambda _=None: 100)
    points = [point(100.0 * k) for k in range(1, 26)]
    lines = side_by_side(*points)
    assert max(map(len, lines)) <= 100
    heads = [line.split()[1:] for line in lines if line.split()[:1] == ["m/min"]]
    assert len(heads) == 3
    assert sum(map(len, heads)) == 25


def test_a_doubt_at_many_speeds_is_told_once() -> None:
    points = [point(500.0 * k, doubts=(DOUBT,)) for k in (1, 2, 3)]
    text = " ".join(" ".join(side_by_side(*points)).split())
    assert text.count(DOUBT.words) == 1
    assert "The same at 30 and 60 m/min." in text


def test_a_profile_that_is_left_out_is_told() -> None:
    ramped = scenario('line.profile=[["0 s", "0 m/min"], ["5 s", "60 m/min"]]')
    text = budget_text(ramped, [point(1000.0)], in_full_mm_s=1000.0)
    assert "left out, in the simulation as well" in " ".join(text.split())


# -- files -------------------------------------------------------------------------------


def test_csv_has_a_row_for_each_speed_feeder_and_source() -> None:
    points = [point(500.0), point(2000.0, doubts=(DOUBT,))]
    rows = list(csv.DictReader(io.StringIO(budget_csv(points).decode())))
    assert [(row["line_speed_mm_s"], row["source"]) for row in rows] == [
        (speed, name)
        for speed in ("500.0", "2000.0")
        for name in ("carrier eye edge", "closing tick", "opening tick")
    ]
    length, time = rows[3], rows[4]
    assert length["standard_uncertainty_mm"] == "3.0"
    assert length["standard_uncertainty_s"] == ""
    assert time["standard_uncertainty_s"] == "0.003"
    assert time["half_width_s"] == "0.005"
    assert (time["sensitivity_mm_per_s"], time["sensitivity_mm_per_mm"]) == ("2000.0", "")
    for row in rows[3:]:
        assert float(row["contribution_mm"]) ** 2 / 49.0 == pytest.approx(float(row["share"]))
        assert float(row["combined_sd_mm"]) == pytest.approx(7.0)
        assert row["doubts"] == "run_up"
    assert sum(float(row["share"]) for row in rows[:3]) == pytest.approx(1.0)


def test_csv_of_a_budget_without_sources_still_has_its_row() -> None:
    quiet = FeederBudget("card feeder", (), 0.0, (), 0.0, 1.0, ())
    still = BudgetPoint(1000.0, (compared(quiet, run(0.0, 0.0, 0.0)),))
    (row,) = csv.DictReader(io.StringIO(budget_csv([still]).decode()))
    assert (row["source"], row["combined_sd_mm"], row["ratio"]) == ("", "0.0", "")


def test_json_is_plain_and_says_all() -> None:
    found = answer(scenario(), point(1000.0, doubts=(DOUBT,)))
    (only,) = found["points"]
    (one,) = only["feeders"]
    assert one["doubts"] == ["run_up"]
    assert one["agreement"] == "agrees"
    assert one["sources"][2]["sensitivity_mm_per_unit"] == -1000.0
    assert sum(s["share"] for s in one["sources"]) == pytest.approx(1.0)
    assert sum(s["contribution_mm"] ** 2 for s in one["sources"]) == pytest.approx(
        one["combined_sd_mm"] ** 2
    )
    assert found["what_if"] is None
    assert found["steady"] is True


def test_json_does_not_depend_on_the_units_of_the_words() -> None:
    short = scenario("feeder.0.insert_eye_to_placement=66 mm")
    seen = run(0.4, 0.39, 0.41)
    metric, inch = (
        [compared(one, seen) for one in budgets_at(short, 1000.0, units=units)]
        for units in ("metric", "inch")
    )
    assert metric[0].doubts[0].words != inch[0].doubts[0].words
    one, two = (answer(short, BudgetPoint(1000.0, tuple(found))) for found in (metric, inch))
    assert one == two


def test_every_agreement_is_said_in_words() -> None:
    whole = math.sqrt(19.0)
    said = []
    for low, high in ((0.98, 1.02), (1.01, 1.05), (1.1, 1.2)):
        one: BudgetAgainstRun = compared(budget(), run(whole, whole * low, whole * high))
        said.append(" ".join(full(BudgetPoint(1000.0, (one,))).split()))
    assert "they agree within 3 %" in said[0]
    assert "a difference of more than 3 % is neither shown nor ruled out" in said[1]
    assert "THEY DIFFER" in said[2]
