"""Which carriers a rehearsal page shows, and what differs between two setups."""

from __future__ import annotations

from pathlib import Path

import pytest

from feedsim.answers.rehearse.answer import differences
from feedsim.answers.rehearse.study.choice import ShownCarriers, Wanted, choose
from feedsim.errors import FeedsimError
from feedsim.records.outcome import Outcome
from feedsim.running.run import run_scenario
from feedsim.scenario import Scenario, load_scenario

CARD = Path(__file__).parents[2] / "scenarios" / "membership_card.toml"


def card(*overrides: str) -> Scenario:
    return load_scenario(CARD, overrides=("run.carriers=400", "run.warm_up=20", *overrides))


def missed_rows(scenario: Scenario) -> list[int]:
    """Return the counted carriers that any feeder missed, from the records of the whole run."""
    records = run_scenario(scenario).records
    return sorted(
        k
        for feeder in records.feeders
        for k in range(records.warm_up, len(feeder.outcome))
        if feeder.outcome[k] != Outcome.PLACED
    )


@pytest.mark.parametrize(
    ("wanted", "carriers", "focus"),
    [
        (Wanted(), range(20, 220), None),  # 200 of them, from the first counted one
        (Wanted(count=5), range(20, 25), None),
        (Wanted(first=7, count=3), range(7, 10), None),
        (Wanted(first=400), range(400, 420), None),  # no more than there are
        (Wanted(around=137), range(127, 148), 137),  # 21 of them, ten to either side
        (Wanted(around=4), range(21), 4),
        (Wanted(around=137, count=1), range(137, 138), 137),
    ],
)
def test_carriers_by_number(wanted: Wanted, carriers: range, focus: int | None) -> None:
    assert choose([card()], wanted) == ShownCarriers(carriers, focus)


def test_the_first_miss_is_the_first_of_the_whole_run() -> None:
    scenario = card("feeder.0.eye.missed=2 %")
    first = missed_rows(scenario)[0]
    choice = choose([scenario], Wanted(miss=True, count=3))
    assert choice == ShownCarriers(range(first - 1, first + 2), first, "miss")


def test_of_two_setups_the_first_miss_of_either_counts() -> None:
    one, other = card(), card("feeder.0.eye.missed=2 %")
    assert missed_rows(one) == []
    assert choose([one, other], Wanted(miss=True)).focus == missed_rows(other)[0]


def test_a_miss_far_down_the_run_is_found() -> None:
    """The run is looked through in longer and longer parts: 2,000 carriers, then 8,000, …"""
    scenario = card(
        "run.carriers=9000", "feeder.0.eye.missed=0.02 %", "feeder.0.insert.misfeed=0 %"
    )
    scenario = scenario.model_copy(update={"seed": 8})
    rows = missed_rows(scenario)
    assert rows[0] > 2000  # else this tests nothing: choose another seed
    assert choose([scenario], Wanted(miss=True)).focus == rows[0]


def test_the_first_hazard() -> None:
    """Doubles come at 5 %: the first cycle with one is the first with a hazard."""
    scenario = card(
        "feeder.0.insert.double=5 %", "feeder.0.eye.missed=0 %", "feeder.0.insert.misfeed=0 %"
    )
    rows = run_scenario(scenario).records.feeders[0].double
    first = min(k for k in range(20, 420) if rows[k])
    assert choose([scenario], Wanted(hazard=True)).focus == first


@pytest.mark.parametrize(
    ("wanted", "says"),
    [
        (Wanted(around=420), "around: found 420; needs a carrier from 0 to 419"),
        (Wanted(around=-1), "around: found -1; needs a carrier from 0 to 419"),
        (Wanted(first=999), "start: found 999; needs a carrier from 0 to 419"),
        (Wanted(count=0), "count: found 0; needs 1 carrier or more"),
        (Wanted(around=1, miss=True), "first_miss: does not go with around: choose one way"),
        (Wanted(first=1, hazard=True), "first_hazard: does not go with start: choose one way"),
        (Wanted(miss=True), "first_miss: none of the 400 counted carriers is missed"),
    ],
)
def test_what_cannot_be_chosen(wanted: Wanted, says: str) -> None:
    with pytest.raises(FeedsimError) as error:
        choose([card("feeder.0.eye.missed=0 %", "feeder.0.insert.misfeed=0 %")], wanted)
    assert says in error.value.lines


# -- what differs ----------------------------------------------------------------------------------


def test_keys_that_differ_are_told_with_both_values() -> None:
    other = card('line.speed="80 m/min"', "feeder.0.settings.stage_correction=true", "title=x")
    found = {key: values for key, *values in differences(card(), other)}
    assert found.keys() == {"line.speed", "feeder.0.settings.stage_correction"}
    assert found["feeder.0.settings.stage_correction"] == ["false", "true"]
    assert found["line.speed"][0] == "1000 mm/s"


def test_a_feeder_that_only_one_has_is_told_key_by_key() -> None:
    two = load_scenario(CARD.parent / "two_feeders.toml")
    found = {key: values for key, *values in differences(card(), two)}
    assert found["feeder.1.name"] == ["-", "leaflet feeder"]


def test_alike_are_alike() -> None:
    assert differences(card(), card()) == []
