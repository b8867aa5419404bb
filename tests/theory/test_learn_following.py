"""Ramps and servo out of logged feeds: against an integrator, and of feeds of known truth."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import solve_ivp

import feedsim
from feedsim.answers.learn.answer import learn
from feedsim.answers.learn.study import learned
from feedsim.answers.learn.study.followed import ServoFit, servo_of
from feedsim.answers.learn.study.following import Track, cycles_of, ramps_of
from feedsim.logs import Log
from feedsim.motion.ramps import bend_lag, ramp_bends
from feedsim.running.run import machine_of
from tests.hidden_machines import CARD, covered, hidden
from tests.logged import logged

GAIN, FORWARD = 90.0, 0.6


@pytest.mark.parametrize("rate", [False, True])
def test_what_a_feed_lags_behind_a_ramp(rate: bool) -> None:
    # e' + K·e = (1 - k)·p', p' = t: SciPy's integrator, from rest
    times = np.linspace(0.0, 0.1, 41)
    found = solve_ivp(
        lambda t, e: (1.0 - FORWARD) * t - GAIN * e,
        (0.0, 0.1),
        [0.0],
        t_eval=times,
        rtol=1e-10,
        atol=1e-14,
    )
    e = found.y[0]
    expected = (1.0 - FORWARD) * times - GAIN * e if rate else e
    got = bend_lag(times, gain=GAIN, feedforward=FORWARD, rate=rate)
    assert got == pytest.approx(expected, rel=1e-6, abs=1e-12)


def followed(seed: int, *, rate: bool, rest_s: float, period_s: float = 1e-3) -> ServoFit:
    """Fit a feed that is at rest for so long between an opening and the next closing.

    Travels in hundredths of a millimetre, speeds in tenths of a millimetre a second.
    """
    g = np.random.default_rng(seed)
    ramp_in, ramp_out, speed, n = 0.021, 0.017, g.uniform(700.0, 1000.0), 30
    lasted = g.uniform(0.14, 0.16, n)
    close = 0.1 + np.cumsum(
        np.append(0.0, lasted[:-1] + ramp_out + rest_s * g.uniform(1, 2, n - 1))
    )
    open_s = close + lasted
    bends, slopes = ramp_bends(ramp_in, ramp_out, speed)
    t = np.arange(g.random() * period_s, open_s[-1] + 0.2, period_s)
    command, lag = np.zeros_like(t), np.zeros_like(t)
    for c, o in zip(close, open_s, strict=True):
        since = np.maximum(t - (np.array([c, c, o, o]) + bends)[:, None], 0.0)
        command += slopes @ (since if rate else 0.5 * since**2)
        lag += slopes @ bend_lag(since, gain=GAIN, feedforward=FORWARD, rate=rate)
    digits = 1 if rate else 2
    tracks = (Track(t, np.round(x, digits), rate) for x in (command, command - lag))
    wanted, ran = (cycles_of(track, close, open_s) for track in tracks)
    assert wanted is not None
    assert ran is not None
    step = 10.0**-digits
    ramps = ramps_of(wanted, ramp_in=0.02, ramp_out=0.02, step=step)
    assert ramps is not None
    return servo_of(wanted, ran, ramps, step_mm=step)


@pytest.mark.parametrize("rest_s", [0.01, 0.2])
@pytest.mark.parametrize("rate", [False, True])
def test_a_servo_whose_feed_has_hardly_come_to_rest(rate: bool, rest_s: float) -> None:
    """Of six intervals of 95 % three or fewer would hold the truth in 2 of 1000 such rows."""
    hits = np.zeros(2)
    for seed in range(6):
        found = followed(seed, rate=rate, rest_s=rest_s)
        assert found.loop_gain is not None
        assert found.feedforward is not None
        for place, (figure, truth) in enumerate(
            ((found.loop_gain, GAIN), (found.feedforward, FORWARD))
        ):
            hits[place] += figure.low <= truth <= figure.high
            assert figure.value == pytest.approx(truth, rel=2e-3)
    assert hits.min() >= 4


def _profiled(folder: Path, seed: int) -> Path:
    """Log a machine that runs at three speeds, one after another."""
    line = hidden(seed, ratios=(1.0,)).lines[0]
    v = line.scenario.line.speed
    points = [(0.0, 1.0), (16.0, 1.0), (18.0, 1.3), (34.0, 1.3), (36.0, 1.6)]
    profile = [[f"{t} s", f"{v * ratio} mm/s"] for t, ratio in points]
    machine = machine_of(line.but({"line.profile": profile}).scenario)
    return logged(machine, folder, carriers=190, seed=seed)


def left_whole(log: Log, *, count_mm: float) -> list[Log]:
    del count_mm
    return [log]


@pytest.mark.parametrize("cut", [True, False])
def test_several_speeds_in_one_log(
    cut: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each speed is learned from by itself; ramps fitted to all of them at once are wrong."""
    if not cut:
        monkeypatch.setattr(learned, "steady_parts", left_whole)
    found = learn(feedsim.load(CARD), _profiled(tmp_path, 4))
    hits = covered(found, hidden(4).truth())
    keys = ["controller.motion_cycle"] if cut else []
    keys += [f"feeder.0.clutch.ramp_{side}" for side in ("in", "out")]
    keys += [f"feeder.0.servo.{name}" for name in ("command_delay", "loop_gain")]
    keys += [f"feeder.0.settings.engage_{name}" for name in ("distance", "lead")]
    if cut:
        assert all(hits[key] for key in keys), hits
        assert len(found.seen) == 3
        assert "line speed in log from 0.000 s" in found.text()
    else:
        assert not hits["feeder.0.clutch.ramp_out"]
        assert "feeder.0.settings.engage_distance" not in hits
