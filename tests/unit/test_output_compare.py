"""A comparison in words, as a table and as rows: what is told is what was decided."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from feedsim.answers.compare.answer import compare_csv
from feedsim.answers.compare.study.results import Comparisons, run_compare
from feedsim.answers.compare.study.setups import Comparison, setups_of
from feedsim.answers.compare.text import compare_text
from feedsim.answers.compare.words import OneDifference, points_number, sentences, state_of, where
from feedsim.metrics.intervals import Interval
from feedsim.metrics.paired import LengthDifference, ShareDifference
from feedsim.metrics.paired_feeders import FeederDifference
from feedsim.running.axes import speeds_of
from feedsim.running.executor import Local
from feedsim.scenario import load_scenario

SCENARIOS = Path(__file__).parents[2] / "scenarios"
M_MIN = 1000.0 / 60.0
SPEEDS = [12.0 * M_MIN, 18.0 * M_MIN, 24.0 * M_MIN]


def length(low: float, high: float, better: Any = None, **changes: Any) -> LengthDifference:
    ends = Interval(low, high)
    d = LengthDifference(100, 0.8, 0.1, 0.5 * (low + high), ends, None, exact=False, better=better)
    return replace(d, **changes)


def share(low: float, high: float, better: Any = None, **changes: Any) -> ShareDifference:
    ends, size = Interval(low, high), 0.5 * (low + high)
    d = ShareDifference(1000, 0.9, 0.95, 10, 60, size, ends, None, design_effect=1.0, better=better)
    return replace(d, **changes)


UNSEEN = share(-0.0028, 0.0028, only_first=0, only_other=0)
SAME = length(0.0, 0.0, exact=True)
FEEDER = FeederDifference("card feeder", "card feeder", SAME, SAME, UNSEEN, UNSEEN, UNSEEN)


def told(name: str, *points: OneDifference, usual: float = SPEEDS[1], **options: Any) -> list[str]:
    key = {
        "Mean error": "placement_mean",
        "Spread": "placement_sd",
        "In tolerance": "within_tolerance",
        "Missed": "missed",
    }[name]
    found = sentences(
        [replace(FEEDER, **{key: point}) for point in points],
        SPEEDS[: len(points)],
        letters=("A", "B"),
        usual_mm_s=usual,
        **options,
    )
    return dict(found)[name]


@pytest.mark.parametrize(
    ("difference", "state"),
    [
        (length(-0.5, -0.3, "other"), "other"),
        (length(0.3, 0.5, "first"), "first"),
        (length(0.3, 0.5), "differ"),
        (length(-0.1, 0.5), "open"),
        (length(0.2, 0.2, exact=True), "differ"),
        (length(0.2, 0.2, "first", exact=True), "first"),
        (SAME, "same"),
        (length(1e-5, 4e-4, "first"), "tiny"),
        (length(-1.0, 1.0, ci95_mm=None), "none"),
        (share(0.03, 0.07, "other"), "other"),
        (share(-0.01, 0.07), "open"),
        (UNSEEN, "unseen"),
        (share(0.0, 0.0, ci95=None), "none"),
    ],
)
def test_states(difference: OneDifference, state: str) -> None:
    assert state_of(difference) == state


def test_decided_at_every_speed_quotes_the_usual_one() -> None:
    points = [length(-0.44 - k, -0.38 - k, "other") for k in range(3)]
    assert told("Spread", *points) == [
        "B spreads less at every speed from 12 to 24 m/min: at 18 m/min -1.410 mm "
        "(95 %: -1.440 to -1.380 mm); A 0.800 mm, B 0.100 mm"
    ]


def test_decided_here_and_there_is_told_speed_by_speed() -> None:
    points = [share(0.03, 0.07, "other"), share(-0.01, 0.03), share(-0.07, -0.03, "first")]
    assert told("In tolerance", *points) == [
        "B has more in tolerance at 12 m/min: +5.0 percentage points (95 %: +3.0 to +7.0); "
        "A 90 %, B 95 %",
        "A has more in tolerance at 24 m/min: -5.0 percentage points (95 %: -7.0 to -3.0); "
        "A 90 %, B 95 %",
        "not decided at 18 m/min: +1.0 percentage points (95 %: -1.0 to +3.0); A 90 %, B 95 %",
    ]


def test_nothing_decided_claims_nothing() -> None:
    (said,) = told("Missed", *[share(-0.02, 0.01)] * 3)
    assert said.startswith("not decided at any speed: at 18 m/min -0.5 percentage points")
    (said,) = told("Missed", *[UNSEEN] * 3)
    assert said == (
        "no difference seen at any speed: at 18 m/min within ±0.28 percentage points (95 %); "
        "both 90 %"
    )
    (said,) = told("Mean error", *[length(-1.0, 1.0, ci95_mm=None)] * 3)
    assert said == "too few carriers to decide at every speed from 12 to 24 m/min"


def test_means_are_told_with_their_signs_and_as_nearer_to_the_target() -> None:
    (said,) = told("Mean error", length(-1.0, -0.8, "other", first_mm=0.8, other_mm=-0.1))
    assert said == (
        "B lies nearer to the target at 12 m/min: -0.900 mm (95 %: -1.000 to -0.800 mm); "
        "A +0.800 mm, B -0.100 mm"
    )
    (said,) = told("Mean error", length(0.9, 1.1, first_mm=-0.5, other_mm=0.5))
    assert said.startswith("not decided which is nearer to the target, though they differ, at 12")


def test_exact_is_said() -> None:
    (said,) = told("Mean error", length(0.2, 0.2, "first", exact=True))
    assert "+0.200 mm, exact on these carriers (every one moved by as much)" in said
    assert told("Spread", SAME, SAME) == [
        "exactly the same on these carriers at every speed from 12 to 18 m/min"
    ]
    assert told("Spread", length(1e-5, 4e-4, "first")) == [
        "the same to a thousandth of a mm at 12 m/min"
    ]


def test_inches() -> None:
    (said,) = told("Spread", length(-2.54, -1.27, "other", first_mm=25.4), units="inch")
    assert said == (
        "B spreads less at 39.37 ft/min: -0.0750 in (95 %: -0.1000 to -0.0500 in); "
        "A 1.0000 in, B 0.0039 in"
    )


@pytest.mark.parametrize(
    ("places", "no", "words"),
    [
        ([0, 1, 2, 3, 4], False, "at every speed from 10 to 50 m/min"),
        ([0, 1, 2, 3, 4], True, "at any speed"),
        ([1, 2, 3], False, "at 20 to 40 m/min"),
        ([0, 1, 4], False, "at 10, 20 and 50 m/min"),
        ([0, 1, 2, 4], False, "at 10 to 30 and 50 m/min"),
        ([3], True, "at 40 m/min"),
    ],
)
def test_where(places: list[int], no: bool, words: str) -> None:
    assert where([v * M_MIN for v in (10, 20, 30, 40, 50)], places, no=no) == words


def test_one_speed_alone_is_named() -> None:
    assert where([1000.0], [0], no=True) == "at 60 m/min"


@pytest.mark.parametrize(
    ("share_", "half", "text"),
    [
        (0.0492, 0.0137, "+4.9"),
        (0.0005, 0.00069, "+0.050"),
        (-0.168, 0.2, "-16.8"),
        (1e-9, 0.01, "0.0"),
    ],
)
def test_points_have_two_digits_of_the_half_width(share_: float, half: float, text: str) -> None:
    assert points_number(share_, half, sign=True) == text


@cache
def compared(
    name: str, *buts: str, speeds: tuple[float, ...] = (40.0, 150.0), replications: int = 1
) -> Comparisons:
    scenario = load_scenario(SCENARIOS / f"{name}.toml", overrides=["run.carriers=120"])
    comparison = Comparison(
        setups_of([(name, scenario)], buts),
        speeds_of([speed * M_MIN for speed in speeds]),
        replications,
    )
    points = run_compare(
        comparison, where=Local(1), on_point=lambda _: None, on_lost=lambda _: None
    )
    return Comparisons.of(comparison, points, [()] * len(comparison.setups))


def test_the_text_has_legend_limits_words_and_table() -> None:
    held = compared(
        "membership_card", "early: feeder.0.settings.engage_lead=8 ms", "title=the same"
    )
    text = compare_text(held)
    lines = text.splitlines()
    assert lines[0] == "Membership card on A5 letter"
    assert lines[1] == "3 setups with common random numbers: seed 1, 120 carriers at each speed"
    assert "  B  early: membership_card but feeder.0.settings.engage_lead=8 ms" in lines
    assert "  C  membership_card but title=the same" in lines
    # 120 carriers cannot show 0.1 % missed: of none in 120 the interval reaches to 3 %
    assert (
        "Accepted at every speed of these up to: A 40 m/min (so far), C 40 m/min (so far)"
    ) in lines
    assert "Not accepted even at 40 m/min: B" in lines
    assert "card feeder: B against A" in lines
    assert "card feeder: C against A" in lines
    # the lead is a time: at 40 m/min a lead of 8 ms and not the right one, 0.5 + 1 (servo: (1 −
    # 0.8)/200 s) + 20/2 + 1/2 ms = 12 ms, engages 4 ms too late, 2.667 mm
    row = next(line for line in lines if line.startswith("   40 m/min"))
    assert 2.6 < float(row.split()[2]) < 2.75
    assert row.split()[4] == "A"
    assert "exactly the same on these carriers at every speed from 40 to 150 m/min" in text
    assert "One interval in 20 misses the true difference by chance" in text
    assert all(len(line) <= 100 for line in lines if not line.startswith("  "))


def test_feeders_have_their_own_words_and_runs_are_told() -> None:
    held = compared("two_feeders", "feeder.1.insert.gap=70 mm", speeds=(40.0,), replications=2)
    text = compare_text(held)
    assert "2 runs of 120 carriers at each speed" in text
    assert "card feeder: B against A" in text
    assert "leaflet feeder: B against A" in text
    assert "One run each" not in text
    assert "One run each" in compare_text(compared("membership_card", "title=x"))


def test_other_names_of_a_feeder_are_shown_both() -> None:
    text = compare_text(compared("membership_card", "feeder.0.name=leaflet", speeds=(40.0,)))
    assert "card feeder (A), leaflet (B): B against A" in text


def test_rows_hold_what_the_json_holds() -> None:
    held = compared(
        "membership_card", "early: feeder.0.settings.engage_lead=8 ms", "title=the same"
    )
    rows = list(csv.DictReader(io.StringIO(compare_csv(held.points).decode())))
    assert [(float(r["line_speed_mm_s"]) / M_MIN, r["feeder"], r["setup"]) for r in rows] == [
        (pytest.approx(v), "0", setup) for v in (40.0, 150.0) for setup in "BC"
    ]
    d = held.points[0].differences[0].feeders[0]
    first = rows[0]
    assert float(first["placement_mean_difference_mm"]) == d.placement_mean.difference_mm
    ends = [first[f"placement_sd_difference_{end}_mm"] for end in ("low", "high")]
    assert [float(end) for end in ends] == list(d.placement_sd.ci95_mm)
    assert float(first["missed_difference_low"]) == d.missed.ci95.low
    assert first["placement_mean_better"] == "A"
    assert rows[1]["placement_mean_better"] == ""
    assert rows[1]["placement_mean_exact"] == "1"
    assert float(first["placement_mean_against_mm"]) == d.placement_mean.first_mm


def test_every_length_in_a_row_says_its_unit() -> None:
    held = compared("two_feeders", "feeder.1.insert.gap=70 mm", speeds=(40.0,), replications=2)
    head = compare_csv(held.points).decode().splitlines()[0].split(",")
    lengths = [name for name in head if name.startswith("placement_")]
    without = ("_n", "_exact", "_better")
    assert lengths
    assert all(name.endswith("_mm") for name in lengths if not name.endswith(without))
