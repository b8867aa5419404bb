"""How many carriers would decide, in words."""

import math
from dataclasses import replace

import pytest
from scipy.stats import norm

from feedsim.answers.run.deciding import enough, round_up
from feedsim.answers.sweep.text import _more, sweep_text
from feedsim.answers.sweep.words import worth
from feedsim.metrics.acceptance import ToDecide
from feedsim.running.axes import speeds_of
from tests.unit.sweep_points import by_hand, point


def row(figure, carriers, *, met=True, name="card feeder"):
    return ToDecide(name, figure, met, carriers)


def test_the_figure_that_asks_for_most_counts_where_all_are_met() -> None:
    said = enough([row("missed", 3838), row("within_tolerance", 1277)], accepted=True)
    assert (
        said
        == "about 3900 would (--carriers 3900), if shares stay as they are (missed, in tolerance)"
    )


def test_the_first_figure_to_be_refused_counts_where_one_is_not_met() -> None:
    rows = [row("missed", 90, met=True), row("jam_risk", 5001, met=False)]
    rows.append(row("within_tolerance", 612, met=False))
    said = enough(rows, accepted=False)
    assert said == "about 620 would (--carriers 620), if shares stay as they are (in tolerance)"


def test_a_share_at_its_limit_is_never_decided() -> None:
    said = enough([row("missed", None), row("jam_risk", 500)], accepted=True)
    assert said == "more would not, as far as is known (missed: right at the limit)"
    assert enough([], accepted=True) == ""


def test_a_point_at_its_limit_does_not_speak_for_the_others_of_a_sweep() -> None:
    stuck, open_ones = [row("within_tolerance", None)], [row("missed", 3838)]
    said = "about 3900 would (--carriers 3900), if shares stay as they are (missed)"
    assert _more([open_ones], 1) == said
    assert (
        _more([stuck, open_ones], 1)
        == f"{said}, but not at 1 point with a share right at its limit"
    )
    assert _more([stuck], 1).startswith("more would not, as far as is known")


def test_it_says_how_to_run_a_rare_figure() -> None:
    """None of 5000 seen, one in a million allowed: z²·(1 − L)/L = 3,841,455 show it (scipy)."""
    needed = math.ceil(norm.ppf(0.975) ** 2 * (1.0 - 1e-6) / 1e-6)
    one = enough([row("jam_risk", needed)], accepted=True)
    assert one.startswith("about 3,900,000 would (--carriers 3900000), if shares stay")
    # a sweep runs its replications at each point
    four = enough([row("jam_risk", needed)], accepted=True, replications=4)
    assert four.startswith("about 3,900,000 would (--carriers 980000), if")
    many = enough([row("jam_risk", 1000 * needed)], accepted=True)
    assert many.startswith("about 3,900,000,000 would, more than can well be run (jam risk); what")
    assert "a limit in [acceptance] further from the share seen" in many
    # the last number that is told how to be run, and the first that is not
    for carriers, runs in ((20_000_000, True), (20_000_001, False)):
        assert ("--carriers" in enough([row("missed", carriers)], accepted=True)) == runs


def test_several_feeders_are_named() -> None:
    rows = [row("missed", 10, name="one"), row("missed", 20, name="two")]
    assert enough(rows, accepted=True).endswith("(one: missed; two: missed)")


@pytest.mark.parametrize(("number", "shown"), [(1.0, 1), (99.2, 100), (3838, 3900), (1e6, 1000000)])
def test_an_estimate_has_two_digits(number, shown) -> None:
    assert round_up(number) == shown


def said(*points):
    speeds = speeds_of([p.results.line_speed_mm_s for p in points])
    return " ".join(sweep_text(by_hand(points, speeds)).split())


def test_a_sweep_with_one_miss_among_few_is_not_refused() -> None:
    left = [row("missed", 3838, met=False)]
    text = said(
        point(500.0, accepted=False, decided=False, because={"missed": "x"}, to_decide=left)
    )
    assert "Not accepted even" not in text
    assert "Not decided even at the lowest speed of the sweep: more carriers are needed." in text
    assert "about 3900 would (--carriers 3900), if shares stay as they are (missed)" in text
    # the twin: refused for sure it says so
    text = said(point(500.0, accepted=False, because={"missed": "x"}))
    assert "Not accepted even at the lowest speed of the sweep." in text
    assert "more carriers" not in text


def test_one_carrier_does_not_show_it_and_two_do_not() -> None:
    made = point(500.0, decided=False, to_decide=[row("missed", 3838)])
    for carriers, words in ((1, "1 carrier does not show it"), (2, "2 carriers do not show it")):
        assert words in said(replace(made, results=replace(made.results, carriers=carriers)))


def test_a_speed_that_is_not_decided_is_not_accepted_for_sure() -> None:
    text = said(point(500.0, decided=False, to_decide=[row("jam_risk", 61)]))
    assert "Accepted so far at every speed of the sweep up to 30 m/min." in text
    assert "about 61 would (--carriers 61), if shares stay as they are (jam risk)" in text


def test_of_several_points_not_accepted_the_one_that_needs_most_is_told() -> None:
    points = [
        point(
            speed,
            accepted=False,
            decided=False,
            because={"missed": "x"},
            to_decide=[row("missed", carriers, met=False), row("jam_risk", 9000, met=False)],
        )
        for speed, carriers in ((500.0, 3838), (600.0, 212))
    ]
    assert "about 3900 would (--carriers 3900), if shares stay as they are (missed)" in said(
        *points
    )


def test_the_report_says_how_many_carriers_its_answer_needs() -> None:
    made = point(500.0, decided=False, to_decide=[row("missed", 3838)])
    said_there = worth(by_hand([made], speeds_of([500.0])))
    assert (
        "to be sure: about 3900 would (--carriers 3900), if shares stay as they are (missed)."
        in said_there
    )
