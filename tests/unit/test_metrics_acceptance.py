"""Accepted and decided, with limits on either side of hand-made shares."""

from dataclasses import replace

import pytest

from feedsim.metrics.results import summarise
from feedsim.records.outcome import Outcome
from tests.unit.records_builder import (
    CRITERIA,
    feeder,
    machine,
    missed,
    one_feeder,
    placed,
    run,
    summary,
)

GOOD, OUTSIDE, MISS, HAZARD = (
    placed(),
    placed(placement_error_mm=3.0, offset_mm=23.0),
    missed(Outcome.MERGED),
    placed(stage_position_mm=97.0),
)
# Wide limits, one of which a test narrows. 10 of 100: Wilson 0.0552…0.1744 (by the formula of
# Newcombe 1998, method 3: (0.1 + 0.019207 ± 0.061848)/1.038415); evenly spread, since hits in a
# row are worth less.
ANY = replace(CRITERIA, within_tolerance=0.0, missed=1.0, jam_risk=1.0)


def verdict(rows, **limits):
    found = summary(rows, criteria=replace(ANY, **limits))
    return found.accepted, found.decided


def test_every_figure_met():
    found = summary([GOOD] * 10, criteria=CRITERIA)
    assert (found.accepted, found.not_accepted_because) == (True, ())
    # Ten carriers cannot show 99.7 %.
    assert found.decided is False
    # Nor can they show anything else: they do not tell whether neighbours are alike.
    few = summary([HAZARD] * 10, criteria=replace(ANY, jam_risk=0.001))
    assert (few.accepted, few.decided, few.refused) == (False, False, False)
    assert summary([HAZARD] * 20, criteria=replace(ANY, jam_risk=0.001)).refused
    (row,) = [row for row in few.to_decide if row.figure == "jam_risk"]
    assert row.carriers == 20


@pytest.mark.parametrize(
    ("limit", "expected"),
    [
        (0.82, (True, True)),  # the interval of 0.9, 0.8256…0.9448, lies above
        (0.83, (True, False)),
        (0.90, (True, False)),  # exactly met
        (0.901, (False, False)),
        (0.944, (False, False)),
        (0.95, (False, True)),
    ],
)
def test_within_tolerance_must_reach_its_limit(limit, expected):
    assert verdict(([OUTSIDE] + [GOOD] * 9) * 10, within_tolerance=limit) == expected


AT_MOST = [
    (0.05, (False, True)),
    (0.06, (False, False)),
    (0.099, (False, False)),
    (0.10, (True, False)),  # exactly met
    (0.17, (True, False)),
    (0.18, (True, True)),
]


@pytest.mark.parametrize(("limit", "expected"), AT_MOST)
def test_missed_must_not_exceed_its_limit(limit, expected):
    assert verdict(([MISS] + [GOOD] * 9) * 10, missed=limit) == expected


@pytest.mark.parametrize(("limit", "expected"), AT_MOST)
def test_jam_risk_must_not_exceed_its_limit(limit, expected):
    assert verdict(([HAZARD] + [GOOD] * 9) * 10, jam_risk=limit) == expected


def test_a_limit_that_rounding_moved_is_still_met():
    # 0.1 + 0.2 in floats is above 0.3, and 1 − 0.9 below 0.1.
    assert verdict(([MISS] + [GOOD] * 9) * 10, missed=1.0 - 0.9)[0]
    assert verdict([OUTSIDE] * 70 + [GOOD] * 30, within_tolerance=0.1 + 0.2)[0]


def test_nothing_placed_is_not_accepted_under_any_limit():
    found = summary([MISS] * 5, criteria=ANY)
    assert found.accepted is False
    assert found.not_accepted_because == (
        "card feeder: no insert was placed, so there is nothing to accept.",
    )


def test_a_run_that_misses_everything_is_decided_where_the_limit_is_far():
    assert verdict([MISS] * 50, missed=0.001) == (False, True)


def test_reasons_name_feeder_figure_and_limit():
    rows = [OUTSIDE] * 2 + [MISS] * 4 + [HAZARD] * 4 + [GOOD] * 6
    # Within 10 of 12 placed; missed 4 of 16; jam risk 4 of 12 cycles.
    assert summary(rows, criteria=CRITERIA).not_accepted_because == (
        "card feeder: 83.3 % of the placed inserts lie within the placement tolerance, "
        "at least 99.7 % must.",
        "card feeder: 25 % of the carriers were missed (4), at most 0.1 % may be.",
        "card feeder: 33.3 % of the feed cycles had a jam hazard (4), at most 0.1 % may.",
    )


def test_what_more_carriers_may_turn_is_told_apart_where_the_run_is_refused():
    # 100 of 300 out of tolerance, for sure; 1 of 300 missed where 0.1 % may be, anything but sure:
    # Wilson's interval begins at 0.06 %
    rows = [OUTSIDE] * 100 + [MISS] + [GOOD] * 199
    found = summary(rows, criteria=CRITERIA)
    assert found.refused is True
    first, second = found.not_accepted_because
    assert first.startswith("card feeder: ")
    assert second == (
        "card feeder, so far: 0.3 % of the carriers were missed (1), at most 0.1 % may be."
    )
    alone = summary([MISS] + [GOOD] * 199, criteria=CRITERIA)
    assert (alone.refused, alone.accepted) == (False, False)
    assert [reason.partition(":")[0] for reason in alone.not_accepted_because] == ["card feeder"]


def of_feeders(**rows):
    return summarise(
        run(*(feeder(r) for r in rows.values())),
        machine(*(one_feeder() for _ in rows)),
        criteria=CRITERIA,
        names=tuple(rows),
        title="",
        seed=1,
        version="",
    )


def test_each_figure_that_fails_is_said_once():
    found = of_feeders(first=[OUTSIDE, HAZARD], second=[OUTSIDE, MISS], third=[MISS, MISS])
    assert len(found.not_accepted_because) == 6
    assert found.failing == ("within_tolerance", "missed", "jam_risk", "placed")


def test_a_feeder_may_be_named_as_another_figure():
    found = of_feeders(**{"jam hazard": [MISS] + [GOOD] * 9})
    assert "jam hazard" in found.not_accepted_because[0]
    assert found.failing == ("missed",)


@pytest.mark.parametrize("bad", [0, 1])
def test_one_bad_feeder_is_enough(bad):
    rows = [[GOOD] * 100, [GOOD] * 100]
    rows[bad] = [MISS, GOOD] * 50
    found = summarise(
        run(*(feeder(r) for r in rows)),
        machine(one_feeder(), one_feeder()),
        criteria=replace(ANY, missed=0.2),
        names=("first", "second"),
        title="",
        seed=1,
        version="",
    )
    name = ("first", "second")[bad]
    assert found.accepted is False
    assert found.decided is True
    assert found.not_accepted_because == (
        f"{name}: 50 % of the carriers were missed (50), at most 20 % may be.",
    )


def test_one_undecided_feeder_leaves_the_run_undecided():
    found = summarise(
        run(feeder([GOOD] * 100), feeder([MISS] * 20 + [GOOD] * 80)),
        machine(one_feeder(), one_feeder()),
        criteria=replace(ANY, missed=0.2),
        names=("first", "second"),
        title="",
        seed=1,
        version="",
    )
    assert (found.accepted, found.decided) == (True, False)


def test_one_figure_failed_for_sure_refuses_whatever_else_is_undecided():
    # 100 of 100 cycles with a hazard (Wilson from 0.963) against 0.1 %; missed, none of 100
    # (Wilson to 0.037) against 0.1 %, stays undecided.
    found = summary([HAZARD] * 100, criteria=replace(ANY, missed=0.001, jam_risk=0.001))
    assert (found.accepted, found.decided, found.refused) == (False, False, True)
    # 2 of 100 cycles, far apart: wholly above 0.1 % (0.36 % is where two or more have a
    # probability of 5 %), but not above 0.5 %; 1 of 100 (0.051 %) not even above 0.1 %
    two = ([HAZARD] + [GOOD] * 49) * 2
    assert summary(two, criteria=replace(ANY, jam_risk=0.001)).refused
    assert not summary([HAZARD] + [GOOD] * 99, criteria=replace(ANY, jam_risk=0.001)).refused
    unsure = summary(two, criteria=replace(ANY, jam_risk=0.005))
    assert (unsure.accepted, unsure.refused) == (False, False)
    assert not summary([GOOD] * 10, criteria=CRITERIA).refused
    assert summary([MISS] * 10, criteria=ANY).refused
