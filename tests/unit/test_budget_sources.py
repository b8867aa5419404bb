"""The sources of an error budget: what they are, and that they add up."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import product

import pytest

from feedsim.machine import Controller, Encoder, Eye, Feeder, Inserts, Machine
from feedsim.running.run import machine_of
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.late_acts import late_engage_mean
from feedsim.settings.predict import expected_offsets, mean_shift, placement_shifts, scale_shift
from feedsim.settings.sources import (
    Source,
    combined_sd,
    lag_shifts,
    placement_sd,
    placement_sources,
    placement_spread,
)
from tests.machines import feeder, machine, settings
from tests.random_machines import random_machine
from tests.workable_scenarios import workable_scenario

V = 1000.0
ROOT3 = math.sqrt(3.0)


def noisy(**changes: object) -> tuple[Machine, Feeder]:
    """Return a line with every source of spread, its eyes latched unless changed."""
    eye = Eye(response_s=0.0005, response_jitter_s=0.0002, edge_sd_mm=0.1)
    base = machine(
        feeder(
            eye=replace(eye, edge_sd_mm=0.3, scanned=bool(changes.pop("insert_scanned", False))),
            inserts=Inserts(85.6, 70.0, slip_mm=5.0, slip_sd_mm=0.2),
            settings=settings(
                speed_ratio=1.25, stage_correction=bool(changes.pop("corrected", False))
            ),
        ),
        carrier_eye=replace(eye, scanned=bool(changes.pop("scanned", False))),
        controller=Controller(scan_s=0.004, motion_cycle_s=0.001),
        encoder=Encoder(0.05),
    )
    base = replace(base, carriers=replace(base.carriers, slip_sd_mm=0.15), **changes)
    return base, base.feeders[0]


def contributions(line: Machine, of: Feeder) -> dict[str, float]:
    return {s.name: s.contribution_mm for s in placement_sources(FeederAtSpeed(line, of, V))}


# by hand, at 1000 mm/s, ratio 1.25; a rectangular one counts a/√3 (JCGM 100:2008, 4.3.7)
LATCHED = {
    "carrier eye edge": 0.1,
    "carrier eye jitter": 0.2 / ROOT3,
    "closing tick": 0.5 / ROOT3,
    "carrier eye count": 0.025 / ROOT3,
    "insert eye edge": 0.3 / 1.25,
    "insert eye jitter": 0.2 / ROOT3,
    "opening tick": 0.5 / ROOT3,
    "insert eye count": 0.025 / ROOT3,
    "carrier slip": 0.15,
    "insert slip": 0.2 / 1.25,
}
SCAN = 2.0 / ROOT3


def test_every_source_by_hand() -> None:
    found = contributions(*noisy())
    assert list(found) == list(LATCHED)  # the order of the model: carrier, insert, slips
    assert found == pytest.approx(LATCHED, rel=1e-9)


def test_scanned_eyes_have_their_scan_and_no_tick_of_their_own() -> None:
    # the scan is four motion cycles: from a scan tick the motion tick is always as far
    found = contributions(*noisy(scanned=True, insert_scanned=True))
    theory = LATCHED | {"carrier eye scan": SCAN, "insert eye scan": SCAN}
    # which step of 1 mm = 20 counts it is depends on the fraction of a count only for a point
    # that is within a count above a step; these are not
    del theory["closing tick"], theory["opening tick"]
    del theory["carrier eye count"], theory["insert eye count"]
    assert found == pytest.approx(theory, rel=1e-9)


def test_uneven_ticks_leave_a_discrete_wait() -> None:
    # scans of 4 ms, cycles of 1.5 ms: steps of 0.5 ms, three of them as likely: √(2/3)·0.5 mm
    line, of = noisy(scanned=True, controller=Controller(scan_s=0.004, motion_cycle_s=0.0015))
    (tick,) = (s for s in placement_sources(FeederAtSpeed(line, of, V)) if s.name == "closing tick")
    assert tick.distribution == "discrete"
    assert tick.half_width == pytest.approx(0.0005)
    assert tick.contribution_mm == pytest.approx(0.5 * math.sqrt(2.0 / 3.0))


def test_stage_correction_takes_the_opening_tick_out() -> None:
    found = contributions(*noisy(corrected=True))
    theory = {name: value for name, value in LATCHED.items() if name != "opening tick"}
    assert found == pytest.approx(theory, rel=1e-9)


def test_steps_that_a_correction_leaves_are_a_source() -> None:
    # latched insert eye, scanned carrier eye: (v·γ)²/12 with γ = 1 ms (feedsim/MODEL.md, 13.4)
    found = contributions(*noisy(corrected=True, scanned=True))
    assert found["steps of correction"] == pytest.approx(0.5 / ROOT3)


def test_what_does_not_spread_is_left_out() -> None:
    line = machine()
    assert placement_sources(FeederAtSpeed(line, line.feeders[0], V)) == ()
    assert combined_sd([]) == 0.0


def test_times_count_with_the_speed_and_lengths_do_not() -> None:
    line, of = noisy()
    slow, fast = (
        {s.name: s for s in placement_sources(FeederAtSpeed(line, of, v))} for v in (500.0, 1500.0)
    )
    for name, source in slow.items():
        grown = fast[name].contribution_mm / source.contribution_mm
        assert grown == pytest.approx(3.0 if source.unit == "s" else 1.0)


def test_the_squares_add_up_to_the_variance_of_the_whole_distribution() -> None:
    for seed in range(150):
        line = random_machine(seed)
        for of in line.feeders:
            v = line.line.speed_mm_s
            whole = placement_spread(FeederAtSpeed(line, of, v), late=False).sd
            assert placement_sd(FeederAtSpeed(line, of, v)) == pytest.approx(whole, rel=1e-5)


def test_the_shifts_add_up_to_the_expected_mean() -> None:
    for seed in range(150):
        line = random_machine(seed)
        for of in line.feeders:
            v = line.line.speed_mm_s
            at = FeederAtSpeed(line, of, v)
            mean = expected_offsets(at).error_mm + scale_shift(at)
            assert mean_shift(placement_shifts(at)) == pytest.approx(mean, abs=1e-6)


def test_the_whole_distribution_has_the_expected_mean_late_openings_and_all() -> None:
    late = 0
    for seed in range(12):
        line = machine_of(workable_scenario(seed))
        for of, times in product(line.feeders, (1.0, 3.0, 6.0)):
            at = FeederAtSpeed(line, of).on_line_at(times * line.line.speed_mm_s)
            mean = expected_offsets(at).error_mm + scale_shift(at)
            if line.controller.late_mark_engages:  # a law of those known in time
                mean -= at.scale * late_engage_mean(at)
            mean += mean_shift(lag_shifts(at))
            assert placement_spread(at).average == pytest.approx(mean, abs=1e-9)
            late += abs(placement_spread(at, late=False).average - mean) > 1.0
    assert late > 5


def test_wrong_settings_and_scale_are_shifts_of_their_own() -> None:
    line = machine(encoder=Encoder(0.0, 0.01))
    given = line.feeders[0].settings
    wrong = replace(
        given,
        engage_distance_mm=given.engage_distance_mm + 1.0,
        engage_lead_s=given.engage_lead_s - 0.002,
        disengage_distance_mm=given.disengage_distance_mm + 0.5,
        disengage_lead_s=given.disengage_lead_s - 0.001,
    )
    of = replace(line.feeders[0], settings=wrong)
    found = {s.name: s.mean_mm for s in placement_shifts(FeederAtSpeed(line, of, V))}
    # by hand: a counted mm is 1.01 mm of belt; a lead of 1 ms short is 1 mm late, or, of the
    # opening, stages 1 mm further, which places early; scale 1 % of 400 mm and 20 mm of target
    assert found == pytest.approx(
        {
            "encoder scale error": 4.2,
            "engage distance not the right one": 1.01,
            "engage lead off the sum of delays": 2.0,
            "disengage distance not the right one": -0.505,
            "disengage lead off the sum of delays": -1.0,
        }
    )


def test_the_count_of_a_point_between_two_steps_is_what_it_adds() -> None:
    line = machine(
        carrier_eye=Eye(response_s=0.0005, scanned=True),
        controller=Controller(scan_s=0.001, motion_cycle_s=0.001),
        encoder=Encoder(0.1),
    )
    given = line.feeders[0].settings

    def added(travel_mm: float, speed: float) -> float:
        wanted = replace(
            given, engage_distance_mm=travel_mm, engage_lead_s=0.0, disengage_lead_s=0.0
        )
        found = placement_sources(
            FeederAtSpeed(line, replace(line.feeders[0], settings=wanted), speed)
        )
        return sum(source.contribution_mm for source in found if source.name == "carrier eye count")

    # at 1000 mm/s a step of 1 ms is 10 counts of 0.1 mm: 35 counts are reached after 4, always
    assert added(3.5, V) == 0.0
    # at 990 mm/s it is 9.9 counts: after 4 steps, 39.6 counts, point 40 is reached but for those
    # that began with a fraction of a count below 0.4; they act a step of 0.99 mm later
    assert added(4.0, 990.0) == pytest.approx(math.sqrt(0.24) * 0.99)


def test_a_contribution_has_no_sign() -> None:
    late = Source("opening tick", "insert", "motion cycle", "s", "rectangular", 0.1, 0.06, -500.0)
    assert late.contribution_mm == pytest.approx(30.0)
