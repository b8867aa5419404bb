"""Arrays of a feed's and a master's motion: each value as for its time alone."""

from __future__ import annotations

import math

import numpy as np
import pytest

from feedsim.machine import Controller, Encoder, Servo
from feedsim.motion.belt import BeltMotion, BeltPiece
from feedsim.motion.feed import FeedMotion, Ramp
from feedsim.motion.feed_curve import FeedCurve
from feedsim.motion.master import Master

BELT = BeltMotion([BeltPiece(0.0, 0.0, 400.0, 900.0), BeltPiece(0.5, 312.5, 850.0, 0.0)])
TIMES = np.linspace(0.0, 1.2, 97)


@pytest.mark.parametrize("gain", [35.0, math.inf])
def test_a_curve_is_the_motion_of_its_pieces(gain: float) -> None:
    servo = Servo(loop_gain_per_s=gain, velocity_feedforward=0.4)
    feed = FeedMotion(BELT, scale_error=0.01, ratio=1.02, servo=servo)
    feed.engage(0.1, Ramp(0.03, in_travel=False))
    feed.open(0.4, Ramp(12.0, in_travel=True))
    feed.engage(0.6, Ramp(0.0, in_travel=False))
    for t in TIMES.tolist():
        feed.position(t)  # pieces are made on demand
    curve = FeedCurve(feed.pieces)
    each = TIMES.tolist()
    assert curve.position(TIMES) == pytest.approx([feed.position(t) for t in each], abs=1e-9)
    assert curve.command(TIMES) == pytest.approx([feed.command(t) for t in each], abs=1e-9)
    assert np.ptp(curve.command(TIMES)) > 300.0  # or nothing has moved


@pytest.mark.parametrize("count_mm", [0.05, 0.0])
def test_readings_are_those_of_each_time(count_mm: float) -> None:
    encoder = Encoder(scale_error=0.003, count_mm=count_mm)
    master = Master(BELT, encoder, controller=Controller(), phase=0.37, ticks_phase_s=0.0)
    assert master.readings(TIMES).tolist() == [master.reading(t) for t in TIMES.tolist()]
