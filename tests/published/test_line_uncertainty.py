"""The line as an uncertainty budget: rectangular sources, and how they combine (the GUM)."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from GTC import type_b, ureal
from scipy import stats

from feedsim.machine import Controller, Encoder, Eye, Inserts, Machine
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.sources import placement_sd
from tests.machines import (
    machine,
    mean_of,
    run,
    settings,
    share_of,
    spread_carriers,
    spread_feeder,
    variance_of,
)

pytestmark = pytest.mark.usefixtures("either_engine")

N = 10_000


@pytest.mark.parametrize("half_width_s", [0.0005, 0.002])
def test_rectangular_jitter_of_an_eye_spreads_by_its_half_width_by_root_three(
    half_width_s: float,
) -> None:
    # Rectangular distribution a/√3, JCGM 100:2008 (GUM) 4.3.7; the number from GTC
    line = machine(
        speed_m_min=60.0,
        carrier_eye=Eye(response_s=0.002, response_jitter_s=half_width_s),
    )
    a = 1000.0 * half_width_s
    errors = run(line, carriers=N).feeders[0].placement_error_mm
    assert abs(mean_of(errors).z(0.0)) < 4.0
    assert abs(variance_of(errors).z(type_b.uniform(a) ** 2)) < 4.0
    assert abs(variance_of(errors).z(type_b.triangular(a) ** 2)) > 4.0
    assert np.abs(errors).max() <= a + 1e-9
    assert stats.kstest(errors, stats.uniform(-a, 2.0 * a).cdf).pvalue > 1e-4


def four_rectangulars(*, scale: float = 1.0) -> Machine:
    """Jitter and scan wait at each eye, each rectangular with sd 1 mm at 1000 mm/s (× scale).

    Jitter ±√3 ms, and a wait of 0…2·√3 ms for the scan.
    """
    a = scale * 0.001 * math.sqrt(3.0)
    eye = Eye(response_s=0.004, response_jitter_s=a, scanned=True)
    return machine(
        spread_feeder(eye=eye),
        speed_m_min=60.0,
        carriers=spread_carriers(),
        carrier_eye=eye,
        controller=Controller(scan_s=2.0 * a),
    )


def within(line: Machine, limit_mm: float) -> int:
    errors = run(line, carriers=N + 1).feeders[0].placement_error_mm[1:]
    assert len(errors) == N
    return int(np.sum(np.abs(errors) <= limit_mm))


def test_sum_of_four_rectangulars_of_jcgm_101() -> None:
    # JCGM 101:2008, 9.2.3: X1 + X2 + X3 + X4, each rectangular with mean 0 and standard
    # deviation 1: standard uncertainty 2.0, 95 % interval ±3.88 (exactly ±3.879407; ±3.92 for
    # the normal distribution that the GUM takes it for).
    line = four_rectangulars()
    errors = run(line, carriers=N + 1).feeders[0].placement_error_mm[1:]
    assert abs(mean_of(errors).z(0.0)) < 4.0
    assert abs(variance_of(errors).z(4.0)) < 4.0
    inside = share_of(int(np.sum(np.abs(errors) <= 3.879407)), N)
    assert abs(inside.z(0.95)) < 4.0
    assert np.abs(errors).max() <= 4.0 * math.sqrt(3.0) + 1e-9
    # four rectangulars are not a normal distribution: the excess kurtosis is −1.2/4 = −0.3,
    # its standard error √(24/n) at most
    kurtosis = stats.kurtosis(errors)
    assert abs(kurtosis + 0.3) < 4.0 * math.sqrt(24.0 / N) < abs(kurtosis)


def test_sources_a_twentieth_too_wide_are_found() -> None:
    inside = share_of(within(four_rectangulars(scale=1.05), 3.879407), N)
    assert abs(inside.z(0.95)) > 4.0


def budget(line: Machine, *, carrier_tick: bool, insert_tick: bool) -> float:
    """Combined standard uncertainty of the placement error (mm) by GTC, from a model of it.

    The carrier's capture and the act that follows it come late by the sum of the one side, the
    insert's by that of the other, which stages the insert too far.
    """
    f, v, g = line.feeders[0], line.line.speed_mm_s, line.feeders[0].settings.speed_ratio
    control = line.controller

    def rectangular(half_width: float) -> object:
        return ureal(0.0, type_b.uniform(half_width))

    def discrete(cycle_s: float) -> object:
        # scans of 2 ms and cycles of 1.3 ms share steps of 0.1 ms: from a scan tick the motion
        # tick is one of 13 equally likely steps away
        return ureal(0.0, cycle_s / 13.0 * stats.randint(0, 13).std())

    def side(eye: Eye, *, tick: bool) -> object:
        late = rectangular(eye.response_jitter_s)
        late += rectangular(0.5 * control.scan_s if eye.scanned else 0.0)
        if tick and eye.scanned:
            late += discrete(control.motion_cycle_s)
        elif tick:
            late += rectangular(0.5 * control.motion_cycle_s)
        return v * late - rectangular(0.5 * line.encoder.count_mm)

    slip = stats.norm(f.inserts.slip_mm, f.inserts.slip_sd_mm)
    first, second = (slip.expect(lambda x, n=n: x**n, lb=0.0) for n in (1, 2))
    carrier = side(line.carrier_eye, tick=carrier_tick) + ureal(0.0, line.carrier_eye.edge_sd_mm)
    insert = side(f.eye, tick=insert_tick) + ureal(0.0, f.eye.edge_sd_mm) / g
    slips = ureal(0.0, math.sqrt(second - first**2)) / g - ureal(0.0, line.carriers.slip_sd_mm)
    return (carrier - insert + slips).u


BUDGETS = {
    # which side keeps its motion tick: all but a scanned eye's whose scan is whole motion
    # cycles, and the insert's with stage correction
    "latched": (False, False, 0.001, False, (True, True)),
    "scanned": (True, True, 0.001, False, (False, False)),
    "scanned-uneven": (True, True, 0.0013, False, (True, True)),
    "one-scanned": (True, False, 0.001, False, (False, True)),
    "corrected": (False, False, 0.001, True, (True, False)),
}


def noisy(name: str, *, ratio: float, count_mm: float) -> Machine:
    """Return a line with every source of spread, none of them tied to another.

    Scans of 2 ms and motion cycles of 1.3 ms meet in the same way every 26 ms, 23 mm of belt
    travel: with pitch and gap spread below that, the two sides' waits go together and their
    variances do not just add. 30 mm are enough.
    """
    carrier_scanned, insert_scanned, cycle, corrected, _ = BUDGETS[name]
    eye = Eye(response_s=0.0005, response_jitter_s=0.0003, edge_sd_mm=0.08)
    return machine(
        spread_feeder(
            eye=replace(eye, edge_sd_mm=0.2, response_jitter_s=0.0002, scanned=insert_scanned),
            inserts=Inserts(85.6, 250.0, gap_sd_mm=30.0, slip_mm=0.2, slip_sd_mm=0.2),
            settings=settings(speed_ratio=ratio, stage_correction=corrected),
        ),
        speed_m_min=53.0,
        carriers=spread_carriers(pitch_mm=600.0, pitch_sd_mm=30.0, slip_mm=0.3, slip_sd_mm=0.1),
        carrier_eye=replace(eye, scanned=carrier_scanned),
        controller=Controller(scan_s=0.002, motion_cycle_s=cycle),
        encoder=Encoder(count_mm),
    )


@pytest.mark.parametrize("name", BUDGETS)
@pytest.mark.parametrize("ratio", [1.0, 1.25])
def test_predicted_spread_is_the_combined_uncertainty_of_gtc(name: str, ratio: float) -> None:
    # Combined standard uncertainty, JCGM 100:2008 (GUM) 5.1, by the GUM Tree Calculator. Of a
    # scanned eye count and tick are no independent parts (tests/theory): no counts there.
    scanned = any(BUDGETS[name][:2])
    line = noisy(name, ratio=ratio, count_mm=0.0 if scanned else 0.4)
    carrier_tick, insert_tick = BUDGETS[name][-1]
    theirs = budget(line, carrier_tick=carrier_tick, insert_tick=insert_tick)
    ours = placement_sd(FeederAtSpeed(line, line.feeders[0], line.line.speed_mm_s))
    assert ours == pytest.approx(theirs, rel=1e-9)


@pytest.mark.parametrize("name", BUDGETS)
def test_simulated_spread_is_the_combined_uncertainty_of_gtc(name: str) -> None:
    # counts only where no eye is scanned: a scan of whole motion cycles leaves no tick of its
    # own only without them
    latched = not any(BUDGETS[name][:2])
    line = noisy(name, ratio=1.25, count_mm=0.4 if latched else 0.0)
    carrier_tick, insert_tick = BUDGETS[name][-1]
    theirs = budget(line, carrier_tick=carrier_tick, insert_tick=insert_tick)
    errors = run(line, carriers=N).feeders[0].placement_error_mm[1:]
    assert abs(variance_of(errors).z(theirs**2)) < 4.0
