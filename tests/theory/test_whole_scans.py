"""Carriers whole scans apart: how many find the feeder busy, by simulation, and the limit of that.

A program takes 20 ms for a scan, some 40 mm of belt travel, where carriers come 260 mm apart with a
standard deviation of 2 mm.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from feedsim.answers.check.study.review import review
from feedsim.answers.limit.study.closed import in_closed_form
from feedsim.records.outcome import Outcome
from feedsim.running.run import criteria_of, machine_of, run_scenario
from feedsim.scenario import Scenario, override, scenario_from_text, starter_text
from feedsim.settings import cells, mechanisms_missed, whole_scans
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.mechanisms_missed import feed_cycle
from feedsim.settings.mechanisms_unseen import searched_on, searches
from feedsim.settings.whole_scans import busy_scans

CARRIERS = 20_000
SCANNED = ("carrier_eye.capture=scanned", "feeder.0.eye.capture=scanned", "controller.scan=20 ms")
ALLOWED = (
    "acceptance.placement_tolerance=90 mm", "acceptance.jam_risk=99 %", "acceptance.missed=0.6 %",
)  # fmt: skip


LATCHED = (
    "feeder.0.eye.capture=latched", "controller.scan=10 ms", "feeder.0.clutch.settle=30 ms",
)  # fmt: skip
LATE = (
    "feeder.0.eye.capture=latched", "controller.motion_cycle=2 ms", "carrier.pitch_sd=3 mm",
    "feeder.0.insert.gap_sd=3 mm",
)  # fmt: skip
"""Points come sooner behind their edges than a scan passes: most openings are late."""
HARDLY_STAGED = (*LATE, "controller.scan=10 ms", "feeder.0.settings.stage_position=18 mm")
MORE_STAGED = (*LATE, "feeder.0.settings.stage_position=27 mm")
UNEVEN = (*LATCHED, "controller.scan=8 ms", "controller.motion_cycle=3 ms")


def at_speed(m_min: float, *changes: str) -> Scenario:
    speed, carriers = f"line.speed={m_min} m/min", f"run.carriers={CARRIERS}"
    return override(scenario_from_text(starter_text()), [*SCANNED, *changes, speed, carriers])


def share(scenario: Scenario) -> float:
    line = machine_of(scenario)
    return feed_cycle(FeederAtSpeed(line, line.feeders[0]), criteria_of(scenario))


def simulated(scenario: Scenario) -> float:
    record = run_scenario(scenario, replications=1).records.feeders[0]
    return float(np.mean(record.outcome == Outcome.NOT_STAGED))


@pytest.mark.usefixtures("quick_engine")
@pytest.mark.parametrize(
    ("m_min", "changes"),
    [
        *((m_min, ()) for m_min in (113.0, 114.0, 132.0, 135.0, 151.0)),
        *((m_min, LATCHED) for m_min in (104.0, 106.0, 110.0)),
        *((m_min, UNEVEN) for m_min in (108.0, 109.0, 113.0)),
        *((m_min, HARDLY_STAGED) for m_min in (210.0, 220.0, 250.0, 260.0)),
        *((m_min, MORE_STAGED) for m_min in (130.0, 160.0, 170.0)),
    ],
)
def test_a_cycle_of_whole_scans_loses_as_many_as_simulation_has(
    m_min: float, changes: tuple[str, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    scenario = at_speed(m_min, *changes)
    found, seen = share(scenario), simulated(scenario)
    # pitches spread phases evenly only where few are lost
    error = math.hypot(4.0 * math.sqrt(found * (1.0 - found) / CARRIERS), 0.05 * found)
    assert abs(found - seen) < error
    # the twin: scans at any phase
    monkeypatch.setattr(mechanisms_missed, "are_whole_scans", lambda _: False)
    assert abs(share(scenario) - seen) > error


@pytest.mark.usefixtures("quick_engine")
@pytest.mark.parametrize("m_min", [120.0, 140.0, 150.0])
def test_between_the_jumps_hardly_any_is_lost(m_min: float) -> None:
    # 2.6 % at 150 m/min with scans at any phase
    assert share(at_speed(m_min)) < 1e-4
    assert simulated(at_speed(m_min)) < 5e-4


@pytest.mark.usefixtures("quick_engine")
@pytest.mark.parametrize("m_min", [114.0, 132.0, 150.0])
def test_motion_ticks_that_do_not_divide_the_scan(m_min: float) -> None:
    scenario = at_speed(m_min, "controller.motion_cycle=3 ms")
    assert share(scenario) == pytest.approx(simulated(scenario), rel=0.35)


def test_the_limit_lies_below_the_first_speed_that_whole_scans_refuse(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Simulated, 112 m/min loses none of 60,000 and 113 m/min 0.76 %; 120 m/min again none."""
    scenario = at_speed(112.0, *ALLOWED)
    found = in_closed_form(scenario)
    (limit,) = (each for each in found.feeders[0].limits if each.mechanism == "feed cycle")
    assert 112.0 < limit.speed_mm_s * 0.06 < 113.0
    assert limit.speed_mm_s == pytest.approx(found.lowest_mm_s)
    # the twin: only where acts jump
    monkeypatch.setattr(cells, "longest_cycles", lambda *_: [])
    monkeypatch.setattr(cells, "may_be_long", lambda *_: False)
    found = in_closed_form(scenario)
    (limit,) = (each for each in found.feeders[0].limits if each.mechanism == "feed cycle")
    assert limit.speed_mm_s * 0.06 > 113.0


def test_a_stretch_below_the_speeds_of_late_openings_is_looked_at() -> None:
    """Simulated, 113 m/min loses 9.6 %, 115.3 m/min 15.6 % and 120 m/min 1 % of 40,000.

    From some 123 m/min on openings are later than a twentieth of a scan.
    """
    changes = (
        *LATCHED[:1], "feeder.0.clutch.settle=20 ms", "feeder.0.nose_limit=119 mm",
        "feeder.0.settings.stage_position=60 mm", *ALLOWED, "acceptance.missed=12 %",
    )  # fmt: skip
    found = in_closed_form(at_speed(113.0, *changes))
    assert 113.0 < found.lowest_mm_s * 0.06 < 115.3


def test_check_tells_of_carriers_lost_to_whole_scans() -> None:
    for m_min, lost in ((113.0, True), (120.0, False)):
        said = review(at_speed(m_min, *ALLOWED)).feeders[0].warnings
        assert any("come during a cycle" in each for each in said) is lost


def test_searches_that_go_on_cost_no_more_looks_at_ticks(monkeypatch: pytest.MonkeyPatch) -> None:
    """Ticks are looked at once for all searches: 120 ms at a speed otherwise, with 16 of them."""
    scenario = at_speed(
        100.0, "controller.scan=2 ms", "controller.motion_cycle=0.888 ms",
        "feeder.0.eye.missed=1 %", "feeder.0.insert.misfeed=2 %",
    )  # fmt: skip
    line = machine_of(scenario)
    looked = 0
    plain = whole_scans._Ticks.lost_before

    def counted(ticks: Any, scans: Any) -> Any:
        nonlocal looked
        looked += 1
        return plain(ticks, scans)

    monkeypatch.setattr(whole_scans._Ticks, "lost_before", counted)
    at = FeederAtSpeed(line, line.feeders[0])
    more = searches(at, searched_on(at))
    assert len(more) > 12
    _, values = busy_scans(at, more)
    assert sum(values.values()) == pytest.approx(1.0, abs=1e-9)
    assert 0 < looked <= 16  # eight phases, two numbers of scans between a closing and an opening


def test_carriers_lost_are_those_of_one_act_after_another() -> None:
    """Section 13, fact 6, worked out act by act."""
    ticks = whole_scans._Ticks(
        scan_s=2.0, cycle_s=0.9, phase_s=0.3, closes=((0.5, 0.25), (1.4, 0.75)),
        opens=((0.1, 0.5), (1.0, 0.5)), takes_s=3.0, share=1.0,
    )  # fmt: skip
    # motion ticks at 0.6, 1.5 … 4.2, 5.1: an edge known at 0 opens at 0.6 or 1.5, one known at 4 at
    # 4.2 or 5.1; ready 3 later, less a cycle and what the next closing takes, in scans of 2
    found = ticks.lost_before(np.array([0.0, 2.0]))
    assert found.tolist() == [[[2, 1], [2, 2]], [[3, 3], [4, 3]]]
