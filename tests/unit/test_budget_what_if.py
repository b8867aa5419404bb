"""What each knob half as bad would buy: which are turned, what is asked, what is said."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from feedsim.answers.budget.study.what_if import (
    Binding,
    ChangeEffect,
    WhatIf,
    changes_of,
    feeder_form,
    what_if,
)
from feedsim.answers.budget.what_if_text import what_if_text
from feedsim.answers.limit.study.closed import RefusedSpeeds, limits_of
from feedsim.answers.limit.text import refused_words
from feedsim.metrics.plain import plain
from feedsim.running.run import machine_of
from feedsim.scenario import Scenario, load_scenario, override, scenario_to_dict
from feedsim.settings.cells import FASTEST_MM_S
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.limits import TOGETHER, Closed, Refused, SpeedLimit
from feedsim.settings.sources import placement_sd
from tests.random_scenarios import random_scenario

SCENARIOS = Path(__file__).parents[2] / "scenarios"


def scenario(name: str = "membership_card", *changes: str) -> Scenario:
    return load_scenario(SCENARIOS / f"{name}.toml", overrides=changes)


def turned(of: Scenario) -> dict[str, tuple[str, str]]:
    return {change.key: (change.before, change.after) for change in changes_of(of)}


def test_values_are_halved_and_what_is_better_more_is_doubled() -> None:
    found = turned(scenario())
    assert found["controller.motion_cycle"] == ("0.001 s", "0.0005 s")
    assert found["feeder.0.insert.slip_sd"] == ("0.1 mm", "0.05 mm")
    assert found["carrier_eye.missed"] == ("0.01 %", "0.005 %")
    assert found["line.encoder.counts_per_rev"] == ("10000", "20000")
    assert found["feeder.0.servo.max_acceleration"] == ("150000 mm/s^2", "300000 mm/s^2")
    assert found["feeder.0.settings.stage_correction"] == ("false", "true")


def test_what_is_nothing_or_cannot_be_turned_is_left_out() -> None:
    found = turned(scenario())
    # zero in this scenario, or latched, or without a scale error
    for key in ("feeder.0.clutch.settle", "carrier_eye.capture", "line.encoder.scale_error"):
        assert key not in found
    assert "line.encoder.counts_per_rev" not in turned(scenario("bench"))  # a virtual master
    assert "feeder.0.settings.stage_correction" not in turned(scenario("bench"))  # corrected
    endless = scenario("membership_card", 'feeder.0.servo.max_acceleration="inf m/s^2"')
    assert "feeder.0.servo.max_acceleration" not in turned(endless)


def test_scanned_eyes_may_be_latched_and_travel_ramps_stay_lengths() -> None:
    found = turned(scenario("hand_fed"))
    assert found["carrier_eye.capture"] == ("scanned", "latched")
    assert found["feeder.0.eye.capture"] == ("scanned", "latched")
    assert turned(scenario("imperial"))["feeder.0.clutch.ramp_in"] == ("19.05 mm", "9.525 mm")


def test_every_feeder_has_knobs_of_its_own() -> None:
    keys = turned(scenario("two_feeders"))
    assert {"feeder.0.insert.gap_sd", "feeder.1.insert.gap_sd", "carrier.slip_sd"} <= set(keys)


def test_limits_of_one_feeder_are_those_it_has_among_others() -> None:
    two = scenario("two_feeders")  # whose product names both
    alone = two.model_copy(update={"feeder": (two.feeder[1],), "product": None, "divert": None})
    assert feeder_form(scenario_to_dict(two), 1, False).limits == tuple(
        limits_of(alone, 0, lowest=True)
    )


class Limits:
    """Stands in for the closed form: limits that are written down."""

    def __init__(self, by_key: dict[str, float]) -> None:
        self.by_key, self.asked = by_key, 0

    def __call__(self, calls: Sequence[tuple[Any, ...]]) -> list[Closed]:
        self.asked = sum(not whole for *_, whole in calls)
        return [self.form(*call) for call in calls]

    def form(self, plain: dict[str, Any], number: int, whole: bool) -> Closed:
        start = 990.0 + 500.0 * number
        stretch = Refused(start, start + 5.0, start + 1.0, 0.01, "jam_risk")
        limits, refused = tuple(self.of(plain, number)), (stretch,) if whole else ()
        return Closed(limits, refused, 1600.0 if whole else FASTEST_MM_S)

    def of(self, plain: dict[str, Any], number: int) -> list[SpeedLimit]:
        speed, mechanism = 1000.0 + 500.0 * number, "placement error"
        if plain["controller"]["motion_cycle"] == "0.0005 s":
            speed, mechanism = self.by_key.get("motion_cycle", speed), "tail held"
        if plain["carrier"]["slip_sd"] == "0.05 mm":
            speed = self.by_key.get("slip_sd", speed)
        return [
            SpeedLimit(mechanism, "jam_risk", speed),
            SpeedLimit(TOGETHER, "jam_risk", speed - 10.0),
        ]


def test_what_raises_the_limit_most_comes_first_and_then_what_spreads_least() -> None:
    found = what_if(scenario(), 1000.0, Limits({"motion_cycle": 1200.0, "slip_sd": 1500.0}))
    as_it_is, outcomes = found.as_it_is, found.changes
    assert as_it_is.limit_speed_mm_s == 990.0
    assert as_it_is.binding == Binding(0, "card feeder", "placement error")
    keys = [one.change.key for one in outcomes if one.change]
    assert keys[:3] == [
        "carrier.slip_sd",
        "controller.motion_cycle",
        "feeder.0.settings.stage_correction",
    ]
    assert outcomes[1].limit_speed_mm_s == 1190.0
    assert outcomes[1].binding == Binding(0, "card feeder", "tail held")
    spreads = [sum(one.combined_sd_mm.values()) for one in outcomes[2:]]
    assert spreads == sorted(spreads)


def test_the_spread_is_that_of_the_changed_line() -> None:
    outcomes = what_if(scenario(), 1500.0, Limits({})).changes
    (one,) = (o for o in outcomes if o.change and o.change.key == "controller.motion_cycle")
    line = machine_of(
        scenario("membership_card", "controller.motion_cycle=0.5 ms", "line.speed=90 m/min")
    )
    (sd,) = one.combined_sd_mm.values()
    assert sd == pytest.approx(placement_sd(FeederAtSpeed(line, line.feeders[0], 1500.0)))


def test_a_knob_of_one_feeder_asks_for_that_feeder_alone() -> None:
    of = scenario("two_feeders")
    changes = changes_of(of)
    limits = Limits({})
    what_if(of, 1000.0, limits)
    line_wide = sum(change.feeder is None for change in changes)
    assert limits.asked == 2 * (1 + line_wide) + len(changes) - line_wide


def test_refused_stretches_are_those_of_every_feeder_as_it_is() -> None:
    found = what_if(scenario("two_feeders"), 1000.0, Limits({"motion_cycle": 1200.0}))
    ends = [(stretch.from_mm_s, stretch.to_mm_s) for stretch in found.closed_form_refused]
    assert ends == [(990.0, 995.0), (1490.0, 1495.0)]
    assert found.complete_to_mm_s == 1600.0


def text(of: Scenario, limits: Limits, *, units: str = "metric") -> str:
    return what_if_text(what_if(of, 1000.0, limits), units=units)


def test_the_table_says_what_it_buys_and_what_binds_then() -> None:
    words = text(scenario(), Limits({"motion_cycle": 1210.0}))
    lines = [" ".join(line.split()) for line in words.splitlines()]
    assert "as it is 0.462 59.4 placement error" in lines
    assert "controller.motion_cycle 1 ms -> 0.5 ms 0.298 72.0 +12.6 tail held" in lines
    # no faster, but better placed: a dash for the gain
    assert "carrier.slip_sd 0.1 mm -> 0.05 mm 0.454 59.4 - placement error" in lines
    said = " ".join(lines)
    idle = said.partition("No effect here: ")[2].partition(". ")[0].split(", ")
    assert {"controller.scan", "carrier.pitch_sd", "feeder.0.clutch.ramp_in"} <= set(idle)
    assert "carrier.slip_sd" not in idle
    assert (
        "To run faster, spend on controller.motion_cycle: 0.5 ms allows 72 m/min in place of "
        "59.4 m/min; tail held binds then." in said
    )


def test_nothing_helps() -> None:
    said = " ".join(text(scenario(), Limits({})).split())
    assert "None of them makes the line faster: placement error binds." in said


def test_several_feeders_are_told_apart() -> None:
    words = text(scenario("two_feeders"), Limits({"motion_cycle": 1210.0}))
    lines = [" ".join(line.split()) for line in words.splitlines()]
    # at 60 m/min; the spreads of both, and the feeder that binds
    assert "as it is 0.462 / 0.576 59.4 placement error (feeder.0)" in lines
    assert any(line.startswith("feeder.1.insert.slip_sd 0.2 mm -> 0.1 mm") for line in lines)


def test_inches() -> None:
    said = text(scenario("imperial"), Limits({}), units="inch")
    assert "sd (in)" in said
    assert "limit (ft/min)" in said
    assert "0.004 in -> 0.002 in" in said
    assert " mm" not in said


@pytest.mark.parametrize(
    ("limit", "said"),
    [(None, "Nothing limits the speed in closed form."), (0.0, "no speed")],
)
def test_no_limit_and_no_speed_at_all(limit: float | None, said: str) -> None:
    binding = None if limit is None else Binding(0, "card feeder", "doubles and strays")
    one = ChangeEffect(None, {"card feeder": 0.46}, limit, None, binding)
    assert said in what_if_text(WhatIf(1000.0, one, (), (), None))


def test_json_has_every_change_with_its_key() -> None:
    of = scenario("two_feeders")
    found: Any = plain(what_if(of, 1000.0, Limits({"motion_cycle": 1200.0})))
    assert found["as_it_is"]["binding"] == {
        "feeder": "card feeder", "mechanism": "placement error"
    }  # fmt: skip
    first = found["changes"][0]
    assert first["key"] == "controller.motion_cycle"
    assert (first["before"], first["after"]) == ("0.001 s", "0.0005 s")
    assert first["gain_mm_s"] == 200.0
    assert set(first["combined_sd_mm"]) == {"card feeder", "leaflet feeder"}


@pytest.mark.parametrize("changes", [[], ["feeder.0.grip_end=105 mm"]])
def test_the_lowest_limits_are_the_first_of_all(changes: list[str]) -> None:
    scenario = override(random_scenario(0, wide=False), changes)
    whole = limits_of(scenario, 0)
    lowest = limits_of(scenario, 0, lowest=True)
    assert [limit for limit in whole if limit in lowest] == lowest
    alone = [[x for x in row if x.mechanism != TOGETHER] for row in (whole, lowest)]
    assert alone[0][0] == alone[1][0]
    assert [x for x in whole if x.mechanism == TOGETHER] == [
        x for x in lowest if x.mechanism == TOGETHER
    ]
    assert len(lowest) < len(whole)


def test_stretches_that_are_refused_above_the_limit_are_told_as_elsewhere() -> None:
    one = ChangeEffect(None, {"feeder": 0.4}, 700.0, None, Binding(0, "feeder", "placement error"))
    refused = (
        RefusedSpeeds(700.0, 710.0, 705.0, "within_tolerance", 0.01),
        RefusedSpeeds(900.0, None, 900.0, "within_tolerance", 0.02),
    )
    said = what_if_text(WhatIf(1000.0, one, (), refused, 800.0))
    assert refused_words(refused, looked_to=800.0) in " ".join(said.split())
    assert "As it is, 42 m/min is the limit." in said
    assert "not a speed to set" in " ".join(said.split())
    assert "not a speed to set" not in what_if_text(WhatIf(1000.0, one, (), refused[1:], None))
