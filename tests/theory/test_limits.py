"""The closed-form limit of each mechanism against a search by simulation.

Each scenario is built so that one mechanism binds and the others are far: the closed form must
lie in the range that the search leaves, and that range must be narrow.
"""

from __future__ import annotations

from math import sin
from typing import Any

import pytest

from feedsim.answers.limit.study.closed import limits_of, lowest_together
from feedsim.answers.limit.study.search import SpeedSearch, run_batch, search
from feedsim.running.run import criteria_of, machine_of
from feedsim.scenario import at_line_speed, override, scenario_from_text
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.limits import TOGETHER, window
from feedsim.settings.nominal_cycle import no_cycle_because
from feedsim.settings.shares_by_speed import SharesBySpeed
from tests.hunts import automatic
from tests.random_scenarios import random_scenario

pytestmark = pytest.mark.usefixtures("quick_engine")

BASE = """
title = "one limit"
seed = 7
[run]
carriers = 500
master = "virtual"
[line]
speed = "60 m/min"
[carrier]
length = "210 mm"
pitch = "300 mm"
pitch_sd = "2 mm"
[carrier_eye]
response = "0.5 ms"
off_response = "0.5 ms"
[controller]
scan = "0.5 ms"
motion_cycle = "0.2 ms"
[[feeder]]
name = "card feeder"
eye_to_placement = "400 mm"
insert_eye_to_placement = "120 mm"
grip_end = "50 mm"
nose_limit = "110 mm"
[feeder.insert]
length = "85.6 mm"
gap = "70 mm"
gap_sd = "1 mm"
[feeder.eye]
response = "0.5 ms"
off_response = "0.5 ms"
[feeder.clutch]
ramp_in = "20 ms"
ramp_out = "20 ms"
[feeder.servo]
loop_gain = "inf 1/s"
velocity_feedforward = "100 %"
max_acceleration = "1000 m/s^2"
[feeder.settings]
target_offset = "60 mm"
stage_position = "60 mm"
[acceptance]
placement_tolerance = "20 mm"
within_tolerance = "99 %"
missed = "1 %"
jam_risk = "1 %"
"""
PITCHES = (300.0 + 8.0 * sin(0.9 * k) - 6.0 * (k % 40 in (5, 6, 7, 8)) for k in range(200))
RECORD = ("carrier.arrival=recorded",
          f"carrier.record={[f'{pitch:.3f} mm' for pitch in PITCHES]}",
          "acceptance.missed=1.2 %")  # fmt: skip
"""200 recorded pitches, so that a share of them is never just what is accepted."""
ALONE = ("limits.overhang=200 mm", "acceptance.missed=99 %")
"""Who waits too long is off the carrier, or dropped, as soon as waits walk away."""
EYE = ("carrier_eye.response=2 ms", "carrier_eye.response_jitter=2 ms")
SLOW = "feeder.0.clutch.settle=50 ms"
CASES: dict[str, tuple[str, tuple[str, ...]]] = {
    "a cycle that does not fit": ("feed cycle", (SLOW,)),
    "a cycle that does not fit, hand fed": (
        "feed cycle",
        ("carrier.arrival=random", SLOW, "carrier.min_gap=20 mm", "carrier.pitch=400 mm",
         "acceptance.missed=10 %"),
    ),
    "waiting for the feeder": (
        "late service",
        ("controller.not_ready=engage", "acceptance.placement_tolerance=5 mm", SLOW, *ALONE),
    ),
    "waiting for the feeder, with more spread": (
        "late service",
        ("controller.not_ready=engage", "acceptance.placement_tolerance=12 mm", SLOW,
         "feeder.0.insert.gap_sd=5 mm", "carrier.pitch_sd=6 mm", *ALONE),
    ),
    "waiting for the feeder, hand fed": (
        "late service",
        ("controller.not_ready=engage", "carrier.arrival=random", SLOW, "carrier.min_gap=60 mm",
         "acceptance.placement_tolerance=5 mm", "carrier.pitch=400 mm",
         "feeder.0.settings.target_offset=20 mm", *ALONE),
    ),
    "a cycle that does not fit, recorded": ("feed cycle", (*RECORD, SLOW)),
    "waiting for the feeder, recorded": (
        "late service",
        (*RECORD, "controller.not_ready=engage", "acceptance.placement_tolerance=12 mm", SLOW,
         *ALONE, "acceptance.within_tolerance=98.8 %"),
    ),
    "late marks": ("late marks", ("feeder.0.eye_to_placement=40 mm", "controller.scan=10 ms")),
    "late marks that engage": (
        "late engages",
        ("feeder.0.eye_to_placement=40 mm", "controller.scan=10 ms",
         "controller.late_mark=engage", "acceptance.placement_tolerance=3 mm"),
    ),
    "late openings": (
        "late openings",
        ("feeder.0.settings.stage_position=25 mm", "controller.scan=10 ms",
         "acceptance.placement_tolerance=3 mm", "feeder.0.grip_end=20 mm"),
    ),
    "spread": (
        "placement error",
        ("acceptance.placement_tolerance=3 mm", *EYE, "feeder.0.eye.edge_sd=0.3 mm"),
    ),
    "carriers that merge": ("carrier gap at its eye", ("carrier_eye.off_response=40 ms",)),
    "carriers that merge, recorded": (
        "carrier gap at its eye", (*RECORD, "carrier_eye.off_response=40 ms"),
    ),
    "carriers too short for a filter": (
        "carrier too short to see",
        ("carrier.length=120 mm", "feeder.0.settings.target_offset=20 mm",
         "carrier_eye.filter_time=60 ms", "carrier_eye.edge_sd=1 mm"),
    ),
    "insert gaps that a filter bridges": (
        "insert gap at its eye",
        ("feeder.0.insert.gap=30 mm", "feeder.0.eye.filter_time=15 ms",
         "feeder.0.grip_end=40 mm", "acceptance.missed=99 %"),
    ),
    "inserts that merge": (
        "insert gap at its eye",
        ("feeder.0.insert.gap=20 mm", "feeder.0.eye.off_response=10 ms",
         "feeder.0.grip_end=40 mm", "acceptance.missed=99 %"),
    ),
    "noses that strike": (
        "nose strike",
        ("feeder.0.nose_limit=63 mm", "feeder.0.eye.response=2 ms",
         "feeder.0.eye.response_jitter=2 ms"),
    ),
    "tails that are held": ("tail held", ("feeder.0.grip_end=105 mm",)),
    "inserts off their carrier": (
        "off carrier", ("feeder.0.settings.target_offset=3 mm", *EYE),
    ),
    "a short run-up": ("run-up", ("feeder.0.clutch.ramp_in=60 ms",)),
    "landing in the ramp-out": (
        "landing in the ramp-out",
        ("feeder.0.insert_eye_to_placement=160 mm", "feeder.0.insert.gap=20 mm",
         "feeder.0.grip_end=40 mm", "feeder.0.clutch.ramp_out=30 ms"),
    ),
    "a weak drive": ("drive", ("feeder.0.servo.max_acceleration=60 m/s^2",)),
}  # fmt: skip


def run(calls: Any) -> Any:
    return [run_batch(*call) for call in calls]


@pytest.mark.parametrize("case", CASES)
def test_closed_form_and_simulation_agree_where_one_mechanism_binds(case: str) -> None:
    binding, changes = CASES[case]
    scenario = override(scenario_from_text(BASE), changes)
    limits = limits_of(scenario, 0)
    assert limits[0].mechanism == binding
    assert limits[1].mechanism == TOGETHER
    # an insert that merges is a stray, and its search goes on: one cause, counted as missed too
    same = {"insert gap at its eye": "eyes and singulator"}.get(binding)
    others = [limit for limit in limits if limit.mechanism not in (binding, same, TOGETHER)]
    closed = lowest_together([limits])
    assert closed == pytest.approx(limits[0].speed_mm_s, rel=1e-3)
    assert others[0].speed_mm_s > 1.25 * closed
    # not at the closed form's own place, so that it is not led there
    what = SpeedSearch(scenario, start_mm_s=1.09 * closed, within=0.02, most_carriers=200_000)
    found = search(what, run)
    assert found.accepted is not None
    assert found.refused is not None
    low, high = found.accepted.speed_mm_s, found.refused.speed_mm_s
    assert low <= closed <= high
    # a closed form a twelfth off would be found out
    assert high < 13.0 / 12.0 * low


def test_settings_that_are_right_at_one_speed_are_accepted_in_a_window_about_it() -> None:
    # without spread: leads frozen into the engage distance at 1000 mm/s let the placement walk by
    # the engage lead (model.md, 13.2), so that it is in a tolerance of 2 mm within 2 mm/lead
    quiet = ("carrier.pitch_sd=0 mm", "feeder.0.insert.gap_sd=0 mm", "controller.scan=0.1 ms",
             "controller.motion_cycle=0.01 ms", "acceptance.placement_tolerance=2 mm")  # fmt: skip
    scenario = override(scenario_from_text(BASE), quiet)
    own = machine_of(scenario).feeders[0].settings
    frozen = override(
        scenario,
        [f"feeder.0.settings.engage_distance={own.engage_distance_mm - 1000.0 * own.engage_lead_s}"
         " mm", "feeder.0.settings.engage_lead=0 ms"],
    )  # fmt: skip

    def at(speed: float) -> FeederAtSpeed:
        machine = machine_of(at_line_speed(frozen, speed))
        return FeederAtSpeed(machine, machine.feeders[0])

    found = window(at, criteria_of(frozen), 1000.0)
    assert found is not None
    # the tick of 0.01 ms spreads by 0.01 mm and less: 2 mm to 0.03 mm
    for end, sign in zip(found, (-1.0, 1.0), strict=True):
        assert sign * (end - 1000.0) * own.engage_lead_s == pytest.approx(2.0, abs=0.03)
    assert SharesBySpeed(at, criteria_of(frozen)).refused(found[1] * 1.001)
    assert window(at, criteria_of(frozen), found[1] * 1.001) is None


def test_no_limit_is_said_where_no_cycle_can_repeat() -> None:
    # by hand: from 155.6/0.02 mm/s on, an insert pitch takes no longer than the ramp-in of 20 ms
    found = {row.mechanism: row.speed_mm_s for row in limits_of(scenario_from_text(BASE), 0)}
    last = found.pop("ramps longer than the cycle")
    assert last == pytest.approx(155.6 / 0.02, rel=1e-6)
    assert len(found) > 2
    assert all(speed is not None and speed <= last for speed in found.values())


@pytest.mark.parametrize("seed", [103, 106, 109])
def test_no_limit_is_said_just_above_that_either(seed: int) -> None:
    line = automatic(random_scenario(seed, wide=True))
    found = limits_of(line, 0)
    assert found
    for row in found:
        if row.mechanism != "ramps longer than the cycle" and row.speed_mm_s:
            there = machine_of(at_line_speed(line, row.speed_mm_s * (1.0 - 1e-6)))
            at = FeederAtSpeed(there, there.feeders[0])
            assert no_cycle_because(at) == "", row
