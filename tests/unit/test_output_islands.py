"""Speeds accepted above a refused one are named as islands, and what no run looked at is told."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from feedsim.answers.compare.study.results import Comparisons, SetupResults, SetupsTogether
from feedsim.answers.compare.study.setups import Comparison, setups_of
from feedsim.answers.limit.islands import island_words, overlooked_words
from feedsim.answers.limit.study.closed import (
    FeederLimit,
    RefusedSpeeds,
    closed_between,
    closed_forms,
    limits_of,
)
from feedsim.answers.limit.study.islands import Island
from feedsim.answers.limit.text import binding_words, refused_words
from feedsim.metrics.plain import plain
from feedsim.render.wording import speed
from feedsim.running.axes import parse_axis, speeds_of
from feedsim.running.point import Point
from feedsim.scenario import override, scenario_from_text
from feedsim.scenario.starter import starter_text
from feedsim.settings.cells import FASTEST_MM_S
from feedsim.settings.limits import TOGETHER
from tests.unit.sweep_points import by_hand, point

SCENARIOS = Path(__file__).parents[2] / "scenarios"
SPEEDS = [1000.0 * v / 60.0 for v in (33.0, 34.0, 35.0, 36.0, 37.0)]


@pytest.mark.parametrize(
    ("accepted", "said"),
    [
        ([True] * 5, ""),
        ([True, True, False, False, False], ""),
        (
            [True, False, False, True, False],
            "Accepted at 36 m/min, not at 35 m/min: not a speed to set.",
        ),
        (
            [True, False, True, False, True],
            "Accepted at 35 m/min, not at 34 m/min; at 37 m/min, not at 36 m/min: "
            "not speeds to set.",
        ),
    ],
)
def test_islands_are_named(accepted: list[bool], said: str) -> None:
    assert island_words(SPEEDS, accepted) == said


def test_what_binds_is_told_with_its_feeder_where_there_are_several() -> None:
    def placing(feeder: str, speed_mm_s: float) -> FeederLimit:
        return FeederLimit(feeder, "placement error", "within_tolerance", speed_mm_s)

    two = placing("card feeder", 400.0), placing("leaflet feeder", 500.0)
    assert binding_words(two) == (
        "Placement error at card feeder binds first, at 24 m/min; placement error at leaflet "
        "feeder would be next, at 30 m/min."
    )
    alone = binding_words([placing("card feeder", 0.0)])
    assert alone == "Placement error alone is too much even at a crawl."


def test_several_that_are_too_much_together_come_before_what_binds_alone() -> None:
    """A share of 0.02 % at every speed, of 0.02 % allowed: any other share is one too much."""
    together = FeederLimit(
        "card feeder", TOGETHER, "missed", 300.0, "eyes and singulator", mostly_share=0.0002
    )
    tail = FeederLimit("card feeder", "tail held", "jam_risk", 2000.0)
    said = (
        "Too many carriers are missed from 18 m/min on, by several mechanisms together: most "
        "(0.02 %) by eyes and singulator. No mechanism alone is too much "
    )
    assert binding_words([together, tail]) == f"{said}before tail held, at 120 m/min."
    fastest = speed(FASTEST_MM_S, "metric")
    assert binding_words([together]) == f"{said}up to {fastest}."
    assert binding_words([]) == f"Nothing limits it up to {fastest}."
    # as fast as makes no difference: the one that binds alone is what to change
    at_once = replace(tail, figure="missed", speed_mm_s=300.1)
    assert binding_words([together, at_once]) == "Tail held binds first, at 18.01 m/min."


def test_a_share_at_its_limit_at_every_speed_leaves_no_room_for_others() -> None:
    text = (SCENARIOS / "membership_card.toml").read_text(encoding="utf-8")
    changes = [
        "acceptance.missed=0.02 %", "carrier_eye.missed=0.02 %", "feeder.0.insert.misfeed=0 %",
        "feeder.0.eye.missed=0 %", "acceptance.placement_tolerance=10 mm",
        "acceptance.jam_risk=60 %",
    ]  # fmt: skip
    limits = limits_of(override(scenario_from_text(text), changes), 0)
    together = next(limit for limit in limits if limit.mechanism == TOGETHER)
    alone = [limit.speed_mm_s or 0.0 for limit in limits if limit.mechanism != TOGETHER]
    assert (together.figure, together.mostly) == ("missed", "eyes and singulator")
    assert together.mostly_share == pytest.approx(0.0002, rel=1e-9)
    assert (together.speed_mm_s or 0.0) < 0.5 * min(alone)


def test_a_fine_search_that_ended_below_the_limit_is_told_without_blaming_the_ticks() -> None:
    # a share at 90 % of what is allowed at every speed ends it as well, with latched eyes
    refused = (RefusedSpeeds(1300.0, None, 1300.0, "within_tolerance", 0.01),)
    assert refused_words(refused, looked_to=500.0) == (
        "Above 30 m/min the shares come near what is allowed at more speeds than were examined: "
        "where ticks lock or counts are rounded, a narrow stretch below the limit may be refused "
        "as well."
    )
    assert refused_words(refused, looked_to=1400.0) == ""
    assert refused_words(refused, looked_to=None) == ""


UP_AND_DOWN = (True, False, True, True, False)


def points(*accepted: bool) -> list[Point]:
    return [point(speed, accepted=each) for speed, each in zip(SPEEDS, accepted, strict=True)]


def test_a_sweep_holds_its_islands_also_crossed_with_a_key() -> None:
    speeds = speeds_of(SPEEDS)
    alone = by_hand(points(*UP_AND_DOWN), speeds)
    assert plain(alone.islands) == [{"accepted_mm_s": SPEEDS[2], "not_accepted_mm_s": SPEEDS[1]}]
    key = parse_axis("feeder.0.insert.gap=60,70 mm")
    both = points(True, True, True, False, False) + points(*UP_AND_DOWN)
    assert plain(by_hand(both, key, speeds).islands) == [
        {
            "varied": {"feeder.0.insert.gap": "70 mm"},
            "accepted_mm_s": SPEEDS[2],
            "not_accepted_mm_s": SPEEDS[1],
        }
    ]
    assert by_hand(points(*UP_AND_DOWN), key).islands == ()


def test_a_comparison_holds_islands_and_refused_stretches_of_each_setup() -> None:
    # near 78 m/min the starter ends, by its placement error; with stage correction it goes on
    line = override(scenario_from_text(starter_text()), ["run.carriers=10"])
    speeds = speeds_of([1000.0, 1100.0, 1200.0, 1300.0, 1400.0])
    setups = setups_of([("one", line)], ["feeder.0.settings.stage_correction=true"])
    held = [
        SetupsTogether(
            speed,
            (
                SetupResults("A", point(speed, accepted=up_and_down).results),
                SetupResults("B", point(speed).results),
            ),
            (),
        )
        for speed, up_and_down in zip(speeds.numbers, UP_AND_DOWN, strict=True)
    ]
    forms = [closed_between(setup.scenario, 1000.0, 1400.0) for setup in setups]
    found = Comparisons.of(Comparison(setups, speeds, 1), held, forms)
    assert found.islands == {"A": (Island({}, 1200.0, 1100.0),), "B": ()}
    refused = found.closed_form_refused
    first = refused["A"][0]
    whole = closed_forms(setups[0].scenario)[0].refused  # which looks at other speeds
    assert first.from_mm_s == pytest.approx(whole[0].from_mm_s, rel=1e-5)
    assert first.figure == "within_tolerance"
    assert refused["A"][-1].to_mm_s is None
    assert refused["B"] == ()
    assert found.closed_form_complete_to_mm_s == {"A": None, "B": None}
    assert whole[-1].to_mm_s == FASTEST_MM_S


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ([], ""),
        # one that a run looked at; one above the highest; one below the slowest; one without end
        ([(570.0, 590.0)], ""),
        ([(586.0, 586.001)], "at 35.16 m/min with 1.23 % out of tolerance"),
        ([(610.0, 612.0), (500.0, 510.0), (586.0, None)], ""),
        (
            [(556.0, 557.0), (586.0, 590.0)],
            "from 33.36 m/min to 35.4 m/min, the worst at 33.36 m/min with 1.23 % out of "
            "tolerance",
        ),
    ],
)  # fmt: skip
def test_what_is_refused_between_the_runs_is_told(
    rows: list[tuple[float, float | None]], said: str
) -> None:
    refused = [RefusedSpeeds(a, b, a, "within_tolerance", 0.0123) for a, b in rows]
    words = overlooked_words(refused, SPEEDS, highest=SPEEDS[3], looked_to=SPEEDS[3])
    stretch = "a stretch of speeds between the simulated ones is refused"
    if len(rows) == 2:
        stretch = "2 stretches of speeds between the simulated ones are refused"
    assert words == (f"In closed form {stretch}, {said}." if said else "")
    assert overlooked_words(refused, SPEEDS, highest=None, looked_to=500.0) == ""
    # no more is claimed than was looked at
    short = overlooked_words(refused, SPEEDS, highest=SPEEDS[3], looked_to=580.0)
    assert "searched for" in short
    assert "up to 34.8 m/min" in short
    assert short.startswith(words.removesuffix("."))
