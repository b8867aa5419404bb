"""Equal cycles begin as a feed does that has run through very many of them."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import pytest

from feedsim.machine import Clutch, Servo
from feedsim.motion.feed import Ramp
from feedsim.settings.equal_cycles import Parts, equal_cycles, from_rest

PARTS = Parts(
    carrier_pitch_mm=260.0,
    insert_pitch_mm=155.6,
    before=0,
    ratio=1.01,
    skips=True,
    clutch=Clutch(ramp_in=0.020, ramp_out=0.015, settle_s=0.003),
    servo=Servo(loop_gain_per_s=20.0, velocity_feedforward=0.3, command_delay_s=0.001),
    speed_mm_s=900.0,
)
STEP = replace(PARTS.clutch, ramp_out=0.0)
TRAVEL = Clutch(ramp_in=15.0, ramp_out=20.0, travel_ramp=True)
MANY = 60  # at e^(−20·0.17) a cycle what is left of the first start is below 1e-80


def run_through(parts: Parts) -> tuple[float, float]:
    """Return lag and travel of the feed after many cycles from rest, its command given each time.

    The way is the feed's own motion (feedsim.motion.feed); period and opening are the cycles'.
    """
    cycles = equal_cycles(parts)
    assert cycles is not None
    clutch, delay = parts.clutch, parts.servo.command_delay_s
    feed = from_rest(parts, delay)
    for number in range(MANY):
        start = number * cycles.period_s + delay
        if number:
            feed.engage(start, Ramp(clutch.ramp_in, clutch.travel_ramp))
        feed.open(start + cycles.opening_s, Ramp(clutch.ramp_out, clutch.travel_ramp))
    t = MANY * cycles.period_s
    return feed.command(t) - feed.position(t), feed.position(t) - feed.position(t - cycles.period_s)


@pytest.mark.parametrize(
    ("speed", "clutch", "before"),
    list(product((300.0, 900.0, 2500.0), (PARTS.clutch, STEP, TRAVEL), (0, 2))),
)
def test_the_lag_at_the_start(speed: float, clutch: Clutch, before: int) -> None:
    parts = PARTS._replace(speed_mm_s=speed, clutch=clutch, before=before)
    cycles = equal_cycles(parts)
    assert cycles is not None
    lag, pitch = run_through(parts)
    assert pitch == pytest.approx(parts.insert_pitch_mm, abs=1e-9)
    for number in range(before + 1):  # the last one as the first
        start = number * cycles.period_s
        found = cycles.feed.command(start) - cycles.feed.position(start)
        assert found == pytest.approx(lag, abs=1e-9)
        assert cycles.feed.command(start) == pytest.approx(number * parts.insert_pitch_mm, abs=1e-9)
    assert lag > 0.01  # or nothing has been tested


def test_a_rigid_axis_or_a_full_feedforward_has_no_lag() -> None:
    for changed in ({"loop_gain_per_s": float("inf")}, {"velocity_feedforward": 1.0}):
        cycles = equal_cycles(PARTS._replace(servo=replace(PARTS.servo, **changed)))
        assert cycles is not None
        assert cycles.feed.position(0.0) == 0.0
