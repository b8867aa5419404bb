"""Means over gaps that spread, by a rigid drive's ramp-out and by a lagging one's step response.

Feed and line run at the same speed v here, without spread but that of the gap.
"""

from __future__ import annotations

import math

import pytest
from scipy.integrate import quad
from scipy.optimize import brentq
from scipy.stats import norm

from feedsim.arrivals import Paced
from feedsim.machine import Carriers, Clutch, Controller, Encoder, Eye, Inserts, Machine, Servo
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.uneven_gaps import behind_early_openings, by_early_edges
from tests.machines import feeder, machine, settings

V, RAMP_S, STAGE, WAY, LENGTH, GAP = 1000.0, 0.02, 60.0, 130.0, 85.6, 35.0
PITCH = 400.0


def line(servo: Servo, gap_sd: float, way: float = WAY) -> FeederAtSpeed:
    one = feeder(
        insert_eye_to_placement_mm=way,
        nose_limit_mm=way,
        clutch=Clutch(False, RAMP_S, RAMP_S, 0.0),
        servo=servo,
        eye=Eye(),
        inserts=Inserts(length_mm=LENGTH, gap_mm=GAP, gap_sd_mm=gap_sd, min_gap_mm=-100.0),
        settings=settings(stage_position_mm=STAGE),
    )
    there: Machine = machine(
        one,
        speed_m_min=0.06 * V,
        carriers=Carriers(Paced(190.0, PITCH)),
        controller=Controller(),
        encoder=Encoder(),
    )
    return FeederAtSpeed(there, there.feeders[0])


@pytest.mark.parametrize("gap_sd", [14.0, 15.0])
def test_a_landing_in_the_ramp_out_of_a_rigid_drive(gap_sd: float) -> None:
    # opened at T_o, the command is at v·(T_o − T/2) then, and runs on v·t − v·t²/2T; the gap d
    # longer opens d/v later than pitch/v
    def late(d: float) -> float:
        left = WAY - STAGE - (LENGTH + GAP + d - 0.5 * V * RAMP_S)
        if left <= 0.0 or left > 0.5 * V * RAMP_S:
            return 0.0
        t = RAMP_S * (1.0 - math.sqrt(1.0 - 2.0 * left / (V * RAMP_S)))
        return V * t - left

    last = WAY - STAGE - (LENGTH + GAP - 0.5 * V * RAMP_S)
    mean, _ = quad(lambda d: late(d) * norm.pdf(d, scale=gap_sd), last - 10.0, last, limit=200)
    found = behind_early_openings(line(Servo(), gap_sd), 1.0)
    # shares from tables are good to 6e-5 (probability/distribution.py), a fiftieth of these
    assert found.mean_mm == pytest.approx(mean, rel=0.05)
    # those short by more than the ramp-out have gaps below 0 here: the eye sees no edge behind them
    assert found.next_cycle == pytest.approx(0.0, abs=1e-12)
    assert mean > 1e-3
    assert by_early_edges(line(Servo(), gap_sd)) == pytest.approx(0.0, abs=1e-9)
    # the twin: gaps that are all alike
    assert behind_early_openings(line(Servo(), 0.0), 1.0).mean_mm == 0.0


@pytest.mark.parametrize("gap_sd", [10.0, 14.0])
def test_a_landing_in_the_next_ramp_in_of_a_rigid_drive(gap_sd: float) -> None:
    # short by more than the ramp-out, it starts with the next cycle: x = v·t²/2T
    def late(d: float) -> float:
        t = math.sqrt(2.0 * RAMP_S * (further - STAGE - (LENGTH + GAP + d)) / V)
        return PITCH + V * t - (0.5 * V * RAMP_S + further - STAGE)

    further = 150.0
    last = further - STAGE - (LENGTH + GAP)
    mean, _ = quad(lambda d: late(d) * norm.pdf(d, scale=gap_sd), -GAP, last, limit=200)
    share = norm.cdf(last, scale=gap_sd) - norm.cdf(-GAP, scale=gap_sd)
    found = behind_early_openings(line(Servo(), gap_sd, further), 1.0)
    # the law of gaps is taken in 64 cells over ten standard deviations
    assert found.next_cycle == pytest.approx(share, rel=0.05)
    assert found.next_cycle_mm == pytest.approx(mean, rel=0.05)
    # the twin: with five carriers to four pitches two closings are a fifth of a pitch less apart
    sooner = behind_early_openings(line(Servo(), gap_sd, further), 1.25).next_cycle_mm
    assert found.next_cycle_mm - sooner == pytest.approx(0.2 * PITCH * found.next_cycle)
    assert sooner != pytest.approx(mean, rel=0.05)


@pytest.mark.parametrize("gap_sd", [5.0, 10.0])
def test_a_lag_that_is_not_over_at_the_edge_stages_short(gap_sd: float) -> None:
    gain, share = 30.0, 0.2  # 1/s, 1 − feedforward
    risen = math.expm1(gain * RAMP_S) / (gain * RAMP_S)

    def lag(t: float) -> float:  # e' + K·e = (1 − k)·p', after a ramp of T from rest
        return share * V / gain * (1.0 - risen * math.exp(-gain * t))

    def edge_s(d: float) -> float:
        way = LENGTH + GAP - STAGE + d
        return float(brentq(lambda t: V * (t - 0.5 * RAMP_S) - lag(t) - way, RAMP_S, 1.0))

    usual = lag(edge_s(0.0))
    short, _ = quad(
        lambda d: (usual - lag(edge_s(d))) * norm.pdf(d, scale=gap_sd), -4 * gap_sd, 4 * gap_sd
    )
    here = line(Servo(gain, 1.0 - share), gap_sd)
    # 32 places leave out a fiftieth of the variance
    assert by_early_edges(here) == pytest.approx(short, rel=0.06, abs=2e-4)
    assert short > 0.005
