"""A ramp and the lag behind it, against SciPy's integrator of e' + K·e = (1 − k)·p'."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from feedsim.arrays import Floats
from feedsim.motion.ramps import lag_missing, ramp_command, ramp_motion

GAIN, FORWARD = 35.0, 0.3
FULL = (1.0 - FORWARD) / GAIN  # the following error of a unit speed (any text on control)


def integrated(ramp_s: float, times: Floats) -> tuple[Floats, Floats]:
    """Return travel of the command and lag of the feed, from rest."""

    def change(t: float, state: Floats) -> list[float]:
        rate = min(t / ramp_s, 1.0)
        return [rate, (1.0 - FORWARD) * rate - GAIN * float(state[1])]

    found = solve_ivp(
        change, (0.0, times[-1]), [0.0, 0.0], t_eval=times, rtol=1e-10, atol=1e-14, max_step=1e-3
    )
    return found.y[0], found.y[1]


@pytest.mark.parametrize("ramp_s", [0.004, 0.03])
def test_a_feed_behind_a_ramp(ramp_s: float) -> None:
    times = np.linspace(0.0, 0.15, 61)
    command, lag = integrated(ramp_s, times)
    travel, speed = ramp_motion(times, ramp_s, gain=GAIN, feedforward=FORWARD)
    assert ramp_command(times, ramp_s) == pytest.approx(command, abs=1e-9)
    assert travel == pytest.approx(command - lag, abs=1e-9)
    rate = np.minimum(times / ramp_s, 1.0)  # f' = k·p' + K·e
    assert speed == pytest.approx(FORWARD * rate + GAIN * lag, abs=1e-7)
    ended = times >= ramp_s
    missing = lag_missing(times[ended] - ramp_s, ramp_s, GAIN)
    assert FULL * (1.0 - missing) == pytest.approx(lag[ended], abs=1e-9)


def test_a_step_is_the_step_response_of_a_first_order_lag() -> None:
    # 1 − e^(−K·t) (any text on control); nothing moves before it
    times = np.array([-0.1, 0.0, 0.01, 0.2])
    reached = 1.0 - np.exp(-GAIN * np.maximum(times, 0.0))
    moved = times > 0.0
    travel, speed = ramp_motion(times, 0.0, gain=GAIN, feedforward=FORWARD)
    assert speed[moved] == pytest.approx(FORWARD + (1.0 - FORWARD) * reached[moved])
    assert travel == pytest.approx(np.maximum(times, 0.0) - FULL * reached, abs=1e-15)
    also = ramp_motion(times, np.zeros(4), gain=GAIN, feedforward=FORWARD)[0]
    assert travel.tolist() == also.tolist()
    assert lag_missing(0.01, 0.0, GAIN) == math.exp(-GAIN * 0.01)


def test_one_time_and_many_are_the_same() -> None:
    times = np.linspace(0.0, 0.1, 7)
    many = lag_missing(times, 0.02, GAIN)
    assert many == pytest.approx([lag_missing(t, 0.02, GAIN) for t in times.tolist()], rel=1e-15)
