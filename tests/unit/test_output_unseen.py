"""An accepted run says what its carriers cannot have shown, and what a stop would cost."""

from __future__ import annotations

from dataclasses import replace

import pytest

from feedsim.answers.run.summary import unseen
from feedsim.machine import Clearing, StopRules, Supervision
from feedsim.metrics.stops import LineStops
from tests.unit import records_builder as by_hand
from tests.unit.records_builder import placed
from tests.unit.test_output_summary import results

MACHINE = by_hand.machine(by_hand.one_feeder())


# Hanley and Lippman-Hand 1983, JAMA 249:1743 (from memory), 1 - 0.05^(1/n)
@pytest.mark.parametrize(("n", "bound"), [(100, "3 %"), (300, "0.99 %")])
def test_a_run_without_a_loss_says_up_to_which_share_one_cannot_be_ruled_out(
    n: int, bound: str
) -> None:
    (said,) = unseen(results([placed()] * n), MACHINE)
    assert f"No carrier missed and no jam hazard in {n} carriers: up to {bound} cannot" in said


def test_what_was_seen_is_not_said_to_be_unseen() -> None:
    found = results([placed()] * 300)
    risk = replace(found.feeders[0].jam_risk, count=1)
    some = replace(found, feeders=(replace(found.feeders[0], jam_risk=risk),))
    (said,) = unseen(some, MACHINE)
    assert said.startswith("No carrier missed in 300 carriers")
    assert not list(unseen(replace(found, accepted=False), MACHINE))


def test_where_the_line_may_stop_it_says_what_one_stop_costs() -> None:
    # 1 m/s down at 2 m/s^2 takes 0.5 s, up at 0.5 m/s^2 2 s, with 57.5 s to clear 60 s; of 300
    # carriers a share of 0.00993608 cannot be ruled out (as above), one in 100.6
    line = replace(MACHINE.line, speed_mm_s=1000.0, acceleration_mm_s2=500.0)
    rules = StopRules(stop_deceleration_mm_s2=2000.0, clearing=Clearing(57.5))
    machine = replace(MACHINE, line=line, supervision=Supervision(rules=rules))
    each_s = machine.carriers.pitch_mm / 1000.0
    found = replace(results([placed()] * 300), stops=LineStops())
    said = list(unseen(found, machine))[-1]
    assert "No stop either: one in 101 carriers cannot be ruled out" in said
    share = 0.00993608 * 60.0 / (each_s + 0.00993608 * 60.0)
    assert f"about 60 s, the time of {60.0 / each_s:.0f} carriers: at that rate stops would" in said
    assert f"{100.0 * share:.3g} % of the time" in said
    stopped = replace(found, stops=LineStops(count=1))
    assert not any("No stop" in sentence for sentence in unseen(stopped, machine))
