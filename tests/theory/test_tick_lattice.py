"""Steps of locked ticks in closed form against the steps one by one, and what they cost at most.

The exact steps are walked here from the definition in feedsim/settings/acts.py alone: the act falls
on the first whole number of steps at which the point is reached, the fraction of a count at the
storing tick uniform, the motion tick 0, γ, 2γ … behind.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from feedsim.machine import Controller, Encoder, Machine
from feedsim.probability.distribution import Distribution
from feedsim.settings import corrected_acts as module
from feedsim.settings.acts import locked_step, side_acts
from feedsim.settings.corrected_acts import corrected_acts
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.sources import placement_spread
from feedsim.settings.spreads import stage_spread
from tests.machines import NOISY_EYE, machine, settings, spread_feeder

FRACTIONS = (np.arange(4000) + 0.5) / 4000.0


def line(cycle_ms: float, *, count_mm: float, correct: bool = False) -> Machine:
    scanned = replace(NOISY_EYE, scanned=True)
    return machine(
        spread_feeder(eye=scanned, settings=settings(stage_correction=correct)),
        carrier_eye=scanned,
        controller=Controller(scan_s=0.002, motion_cycle_s=cycle_ms * 1e-3),
        encoder=Encoder(count_mm),
    )


def walked(travel: float, step: float, count: float) -> np.ndarray:
    """Return how far behind what is counted on the first step is, for each fraction of a count."""
    if count == 0.0:
        return np.array([math.ceil(travel / step - 1e-9) * step - travel - 0.5 * step])
    point = count * round(travel / count) - count * FRACTIONS
    steps = np.maximum(0.0, np.ceil(point / step - 1e-9))
    return np.asarray(steps * step - (travel - 0.5 * count + 0.5 * step))


@pytest.mark.parametrize("speed", [7.0, 130.0, 1000.0])
@pytest.mark.parametrize(("cycle_ms", "steps"), [(0.888, 111), (0.8, 2), (1.996, 499)])
@pytest.mark.parametrize("count", [0.0, 0.05, 0.7])
def test_the_row_is_what_walking_gives(
    speed: float, cycle_ms: float, steps: int, count: float
) -> None:
    made = line(cycle_ms, count_mm=count)
    gamma = locked_step(made.controller)
    assert round(made.controller.motion_cycle_s / gamma) == steps
    at = FeederAtSpeed(made, made.feeders[0], speed)
    row = side_acts(at, made.carrier_eye, 347.93)
    first = walked(347.93, speed * gamma, count)
    cycle = speed * made.controller.motion_cycle_s
    # 4000 fractions of a count tell each step's share to a 4000th
    assert row.average == pytest.approx(first.mean(), abs=count / 4000.0 + 1e-9)
    later = (cycle**2 - (speed * gamma) ** 2) / 12.0
    assert row.sd**2 == pytest.approx(first.var() + later, rel=2e-3, abs=1e-12)


@pytest.mark.parametrize(("cycle_ms", "steps"), [(2.0, 1), (3.0, 3)])
@pytest.mark.parametrize("ratio", [0.3, 0.72, 1.4, 2.9])
def test_a_correction_behind_a_free_opening_leaves_a_mean_in_locked_steps(
    cycle_ms: float, steps: int, ratio: float
) -> None:
    """Walked: an opening at any count and tick moves the point; it is rounded and found in steps.

    Of 400,000 drawn openings, by the definition alone. Counts of about a step leave most.
    """
    speed = 400.0
    step = speed * cycle_ms * 1e-3 / steps
    count = ratio * step
    made = line(cycle_ms, count_mm=count, correct=True)
    feeder = replace(made.feeders[0], eye=replace(NOISY_EYE, scanned=False))
    at = FeederAtSpeed(replace(made, feeders=(feeder,)), feeder, speed)
    assert speed * locked_step(made.controller) == pytest.approx(step)
    rng = np.random.default_rng(5)
    count_off, tick_off, fraction = rng.random((3, 400_000))
    left = []
    for engage in 300.0 + 0.11 * step * np.arange(9):
        opened = count * round(at.opening_travel_mm / count) - at.opening_travel_mm
        by = opened + count * (count_off - 0.5) + cycle_ms * 1e-3 * speed * (tick_off - 0.5)
        point = count * np.rint((engage + by) / count)
        reached = step * np.ceil((point - fraction * count) / step - 1e-9)
        walked = reached - (engage + by) + 0.5 * count - 0.5 * step
        sure = 4.0 * walked.std() / math.sqrt(len(walked))
        assert corrected_acts(at, engage).average == pytest.approx(walked.mean(), abs=sure)
        left.append(walked.mean())
    if 0.5 < ratio < 2.0 and steps == 1:
        assert max(left) - min(left) > 2.0 * sure


@pytest.mark.parametrize("carrier_scanned", [True, False])
@pytest.mark.parametrize(("cycle_ms", "speed"), [(0.888, 130.0), (1.996, 1000.0), (1.996, 40.0)])
def test_merged_steps_of_a_correction_are_as_good_as_all(
    cycle_ms: float, speed: float, carrier_scanned: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    # values move by a 64th of their range, beside ticks of a whole cycle; at 40 mm/s a count of
    # 0.05 mm has 313 steps, and rounding and count are two uniform parts
    made = line(cycle_ms, count_mm=0.05, correct=True)
    made = replace(made, carrier_eye=replace(NOISY_EYE, scanned=carrier_scanned))

    def acted() -> Distribution:
        at = FeederAtSpeed(made, made.feeders[0], speed)
        return corrected_acts(at, at.engage_travel_mm)

    few = acted()
    monkeypatch.setattr(module, "_MOST_VALUES", 10**9)
    monkeypatch.setattr(module, "_MOST_IN_A_COUNT", 10**9)
    module._corrected.cache_clear()
    exact = acted()
    module._corrected.cache_clear()
    assert work(few) <= min(70, work(exact))
    if speed < 1000.0 and carrier_scanned:
        assert work(exact) > 150  # so that it is put together at all
    step = speed * locked_step(made.controller)
    assert few.average == pytest.approx(exact.average, abs=step + 1e-9)
    noise = Distribution(normal_sd=0.03)
    for x in (-0.6, -0.2, 0.05, 0.3):
        a, b = few.plus(noise).share_below(x), exact.plus(noise).share_below(x)
        assert a == pytest.approx(b, abs=1e-3)


def work(found: Distribution) -> int:
    """Return how many terms the wave of a distribution has at one place."""
    rows = len(found.lattices) + len(found.clipped) + len(found.half_widths) + len(found.rarely)
    return rows + sum(len(values) for values in found.choices)


RATIOS = [0.888, 0.889, 0.8001, 1.999, 2.0, 0.001, 0.3333, 3_600_000.0, 1.0 / 3.0]


@pytest.mark.parametrize("correct", [False, True])
@pytest.mark.parametrize("cycle_ms", RATIOS)
def test_no_ratio_of_ticks_makes_it_long(cycle_ms: float, correct: bool) -> None:
    for speed in (1.0, 37.0, 1000.0, 20_000.0):
        for count in (0.0, 0.05, 20.0):
            made = line(cycle_ms, count_mm=count, correct=correct)
            for spread in (placement_spread, stage_spread):
                assert work(spread(FeederAtSpeed(made, made.feeders[0], speed))) <= 80


def test_a_row_value_by_value_would_be_long() -> None:
    # twin of the above: what it holds down is not short by itself
    made = line(0.888, count_mm=0.05)
    row = placement_spread(FeederAtSpeed(made, made.feeders[0], 1.0)).lattices
    assert sum(part.many for part in row) > 5000
