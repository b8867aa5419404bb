"""Common random numbers: two speeds with one seed see the same carriers.

The method from memory: Law & Kelton, Simulation Modeling and Analysis, variance reduction. The
numbers are derived here: an eye that answers U late, U even on 0…4 ms, and settings with no
lead place v·U late. At 300 and 400 mm/s the difference of two placements of one card is
100·U, its sd 100·4e-3/√12 = 0.115470 mm; of two different cards √(300² + 400²)·4e-3/√12 =
0.577350 mm.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from feedsim.machine import Eye
from tests.machines import feeder, machine, run, settings, variance_of

pytestmark = pytest.mark.usefixtures("either_engine")

PAIRED_MM, UNPAIRED_MM = 0.115470, 0.577350


def errors(speed_mm_s: float, *, seed: int) -> NDArray[np.float64]:
    line = machine(
        feeder(eye=Eye(), settings=settings(engage_lead_s=0.0, disengage_lead_s=0.0)),
        speed_m_min=speed_mm_s * 60.0 / 1000.0,
        carrier_eye=Eye(response_s=0.002, response_jitter_s=0.002),
    )
    return run(line, carriers=4000, seed=seed).feeders[0].placement_error_mm


def test_the_error_is_speed_times_delay() -> None:
    delay = errors(300.0, seed=1) / 300.0
    assert 0.0 <= delay.min() < 0.00001
    assert 0.00399 < delay.max() <= 0.004
    # the same cards at both speeds, up to the rounding of a kilometre of belt travel
    assert np.abs(errors(400.0, seed=1) / 400.0 - delay).max() < 1e-11


def test_one_seed_pairs_two_speeds() -> None:
    paired = errors(400.0, seed=1) - errors(300.0, seed=1)
    assert abs(variance_of(paired).z(PAIRED_MM**2)) < 4.0
    assert abs(variance_of(paired).z(UNPAIRED_MM**2)) > 4.0


def test_two_seeds_do_not() -> None:
    independent = errors(400.0, seed=1) - errors(300.0, seed=2)
    assert abs(variance_of(independent).z(UNPAIRED_MM**2)) < 4.0
    # nor does one seed with the cards shifted by one
    shifted = errors(400.0, seed=1)[1:] - errors(300.0, seed=1)[:-1]
    assert abs(variance_of(shifted).z(UNPAIRED_MM**2)) < 4.0
    assert abs(variance_of(shifted).z(PAIRED_MM**2)) > 4.0
