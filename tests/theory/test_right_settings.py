"""Facts 1 and 4 of the model, section 14: mean and spread with right settings."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import pytest

from feedsim.machine import Clutch, Controller, Encoder, Inserts, Machine
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.predict import known_bias
from feedsim.settings.sources import placement_sd, placement_spread
from feedsim.settings.spreads import stage_spread
from tests.machines import (
    LAGGING,
    NOISY_EYE,
    RIGID,
    machine,
    mean_of,
    run,
    settings,
    spread_carriers,
    spread_feeder,
    variance_of,
)
from tests.theory.known_terms import expected_means

pytestmark = pytest.mark.usefixtures("quick_engine")

CARRIERS = 3000
RAMPS = {
    "step": Clutch(),
    "time": Clutch(ramp_in=0.02, ramp_out=0.015),
    "travel": Clutch(travel_ramp=True, ramp_in=20.0, ramp_out=12.0),
}
TICKS = Controller(scan_s=0.002, motion_cycle_s=0.001)


def build(
    *, ramp: str, scanned: bool, lag: bool, correct: bool, speed: float, count_mm: float = 0.05
) -> Machine:
    eye = replace(NOISY_EYE, scanned=scanned)
    slipping = Inserts(85.6, 70.0, gap_sd_mm=4.0, slip_mm=0.4, slip_sd_mm=0.2)
    return machine(
        spread_feeder(
            clutch=RAMPS[ramp],
            servo=replace(LAGGING if lag else RIGID, command_delay_s=0.0007),
            eye=eye,
            inserts=slipping,
            settings=settings(stage_correction=correct, speed_ratio=1.02),
        ),
        speed_m_min=speed,
        carriers=spread_carriers(slip_mm=0.5, slip_sd_mm=0.1),
        carrier_eye=eye,
        controller=TICKS,
        encoder=Encoder(count_mm),
    )


CASES = [
    pytest.param(
        ramp,
        scanned,
        lag,
        correct,
        id=f"{ramp}-{'scan' if scanned else 'latch'}"
        f"{'-lag' if lag else ''}{'-correct' if correct else ''}",
    )
    for ramp, scanned, lag, correct in product(RAMPS, (False, True), (False, True), (False, True))
]


@pytest.mark.parametrize(("ramp", "scanned", "lag", "correct"), CASES)
@pytest.mark.parametrize("speed", [23.0, 61.0])
def test_mean_error_is_the_known_terms(
    ramp: str, scanned: bool, lag: bool, correct: bool, speed: float
) -> None:
    line = build(ramp=ramp, scanned=scanned, lag=lag, correct=correct, speed=speed)
    rows = run(line, carriers=CARRIERS).feeders[0]
    error, stage = expected_means(line)
    assert abs(mean_of(rows.placement_error_mm).z(error)) < 4.0
    assert abs(mean_of(rows.stage_position_mm[1:]).z(stage)) < 4.0


@pytest.mark.parametrize("scanned", [False, True])
def test_a_planted_fault_of_half_a_cycle_is_found(scanned: bool) -> None:
    line = build(ramp="time", scanned=scanned, lag=True, correct=False, speed=61.0)
    s = line.feeders[0].settings
    wrong = replace(s, engage_lead_s=s.engage_lead_s - 0.0005)
    faulty = replace(line, feeders=(replace(line.feeders[0], settings=wrong),))
    rows = run(faulty, carriers=CARRIERS).feeders[0]
    assert abs(mean_of(rows.placement_error_mm).z(expected_means(line)[0])) > 4.0


@pytest.mark.parametrize(("ramp", "scanned", "lag", "correct"), CASES[::3])
@pytest.mark.parametrize("speed", [23.0, 61.0])
def test_variance_is_the_sum_of_the_sources(
    ramp: str, scanned: bool, lag: bool, correct: bool, speed: float
) -> None:
    # scanned with counts: stepping in whole cycles leaves no term of its own only without
    # counts, so the count is left out there
    line = build(
        ramp=ramp,
        scanned=scanned,
        lag=lag,
        correct=correct,
        speed=speed,
        count_mm=0.0 if scanned else 0.05,
    )
    rows = run(line, carriers=2 * CARRIERS).feeders[0]
    v = line.line.speed_mm_s
    theory = placement_sd(FeederAtSpeed(line, line.feeders[0], v)) ** 2
    assert abs(variance_of(rows.placement_error_mm).z(theory)) < 4.0
    theory = stage_spread(FeederAtSpeed(line, line.feeders[0], v)).sd ** 2
    assert abs(variance_of(rows.stage_position_mm[1:]).z(theory)) < 4.0


def test_variance_by_hand() -> None:
    # edge 0.1 mm twice, jitter ±0.2 ms, tick 1 ms, count 0.05 mm, at 1000 mm/s, latched:
    # 2·(0.01 + 0.2²/3 + 1/12 + 0.05²/12) = 0.213750
    line = machine(
        spread_feeder(eye=NOISY_EYE),
        carriers=spread_carriers(),
        carrier_eye=NOISY_EYE,
        controller=TICKS,
        encoder=Encoder(0.05),
    )
    theory = 2.0 * (0.01 + 0.04 / 3.0 + 1.0 / 12.0 + 0.0025 / 12.0)
    assert placement_sd(FeederAtSpeed(line, line.feeders[0], 1000.0)) ** 2 == pytest.approx(theory)
    rows = run(line, carriers=6000).feeders[0]
    sample = variance_of(rows.placement_error_mm)
    assert abs(sample.z(theory)) < 4.0
    assert abs(sample.z(theory - 2.0 / 12.0)) > 4.0  # without the ticks it would be seen


def test_rounding_moves_the_mean_by_one_count_at_most() -> None:
    for speed in (31.0, 47.0, 77.0):
        line = build(ramp="time", scanned=False, lag=False, correct=False, speed=speed)
        error, _ = expected_means(line)
        assert abs(error) <= 0.05


@pytest.mark.parametrize("count_mm", [0.0, 0.05, 0.4])
@pytest.mark.parametrize("scanned", [False, True])
@pytest.mark.parametrize("speed", [23.0, 61.0, 140.0])
def test_the_known_bias_is_predicted(count_mm: float, scanned: bool, speed: float) -> None:
    line = build(
        ramp="time", scanned=scanned, lag=True, correct=False, speed=speed, count_mm=count_mm
    )
    theory, _ = expected_means(line)
    predicted = known_bias(FeederAtSpeed(line, line.feeders[0], line.line.speed_mm_s))
    assert predicted == pytest.approx(theory, abs=1e-9)


@pytest.mark.parametrize("scale", [0.2, -0.15])
def test_a_scale_error_is_in_the_spread_of_stage_and_placement(scale: float) -> None:
    # The feed follows c = m/(1 + e) (feedsim/MODEL.md, section 6): what is late by a belt travel x
    # stages g*x/(1 + e) further on; a count q is (1 + e)*q of belt; what is off on the insert by
    # a feed travel y (an edge, a slip) is made up in (1 + e)*y/g of belt.
    edge, v, g, q = 0.4, 1000.0, 1.02, 0.5
    eye = replace(NOISY_EYE, edge_sd_mm=edge)
    slipping = Inserts(85.6, 70.0, gap_sd_mm=4.0, slip_mm=2.0, slip_sd_mm=0.4)
    line = machine(
        spread_feeder(eye=eye, inserts=slipping, settings=settings(speed_ratio=g)),
        carriers=spread_carriers(),
        carrier_eye=NOISY_EYE,
        controller=TICKS,
        encoder=Encoder(q, scale),
    )
    more = 1.0 + scale
    belt = (v * 0.0002) ** 2 / 3.0 + (v * 0.001) ** 2 / 12.0 + (more * q) ** 2 / 12.0
    stage = edge**2 + (g / more) ** 2 * belt
    placed = 0.1**2 + 2.0 * belt + (more / g) ** 2 * (edge**2 + 0.4**2)
    here = line.feeders[0]
    assert stage_spread(FeederAtSpeed(line, here, v)).sd ** 2 == pytest.approx(stage, rel=1e-9)
    assert placement_sd(FeederAtSpeed(line, here, v)) ** 2 == pytest.approx(placed, rel=1e-6)
    whole = placement_spread(FeederAtSpeed(line, here, v), late=False)
    assert whole.sd**2 == pytest.approx(placed, rel=1e-6)
    rows = run(line, carriers=6000).feeders[0]
    samples = variance_of(rows.stage_position_mm[1:]), variance_of(rows.placement_error_mm)
    assert [abs(s.z(t)) < 4.0 for s, t in zip(samples, (stage, placed), strict=True)] == [True] * 2
    # the twin: as if the feed ran with the belt
    belt = (v * 0.0002) ** 2 / 3.0 + (v * 0.001) ** 2 / 12.0 + q**2 / 12.0
    without = edge**2 + g**2 * belt, 0.1**2 + 2.0 * belt + (edge**2 + 0.4**2) / g**2
    assert [abs(s.z(t)) > 4.0 for s, t in zip(samples, without, strict=True)] == [True] * 2
