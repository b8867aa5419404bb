"""Logged feed cycles over the cycle that the scenario has, and the one that was learned."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from feedsim.answers.learn.panel import DOT, NEW, OLD, nothing, titled
from feedsim.answers.learn.study.figures import Learned
from feedsim.answers.learn.study.learned import Learning
from feedsim.answers.learn.study.one_log import FeederInLog, InLog
from feedsim.arrays import Floats
from feedsim.motion.ramps import bend_lag, ramp_bends
from feedsim.quantities import System, display_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_MOST_CYCLES = 12


def draw_cycle(
    axes: Axes,
    found: Learning,
    seen: InLog,
    part: FeederInLog,
    number: int,
    rows: dict[str, Learned],
    units: System,
    *,
    lag: bool,
) -> None:
    """Draw some logged cycles over the scenario's and the learned one: speed, or lag."""
    unit = display_unit("length" if lag else "speed", units)
    titled(axes, "what the feed lags behind its command" if lag else "commanded speed of the feed")
    course = part.command
    if course is None or part.ramps is None or seen.belt is None or (lag and part.servo is None):
        nothing(axes, "not in the log")
        return
    lasted = float(np.median(course.open_s - course.close_s))
    end = float(np.nanmax(course.time_s - course.close_s[:, None]))
    t = np.linspace(-0.005, end, 600)
    for row in range(min(len(course.close_s), _MOST_CYCLES)):
        # moved along by what the cycle was longer than a usual one, so that both ramps lie together
        at = course.time_s[row] - course.close_s[row]
        late = course.open_s[row] - course.close_s[row] - lasted
        moved = np.where(at > 0.5 * lasted, at - late, at)
        if lag and part.servo is not None:
            values = part.servo.lag[row]
        elif course.rate:
            values = course.value[row]
        else:
            moved = 0.5 * (moved[1:] + moved[:-1])
            values = np.diff(course.value[row]) / np.diff(course.time_s[row])
        axes.plot(1e3 * moved, values * unit.factor, **DOT)
    v = seen.belt.speed.value
    for new, style in ((False, OLD), (True, NEW)):
        constants = _values(found, number, rows, v, new=new)
        speed = (
            part.ramps.speed.value
            if new
            else found.machine.feeders[number].settings.speed_ratio * v
        )
        axes.plot(1e3 * t, _course(t, lasted, speed, constants, lag=lag) * unit.factor, **style)
    axes.set_xlabel("since the clutch closed (ms)")
    axes.set_ylabel(f"{'lag' if lag else 'speed'} ({unit.label})")


def _course(
    t: Floats,
    lasted: float,
    v: float,
    values: tuple[float, float, float, float, float],
    *,
    lag: bool,
) -> Floats:
    """Return speed (mm/s) or lag (mm) at times since a closing (MODEL.md, section 6)."""
    delay, ramp_in, ramp_out, gain, forward = values
    bends, slopes = ramp_bends(ramp_in, ramp_out, v)
    starts = bends + delay + np.array([0.0, 0.0, lasted, lasted])
    since = np.maximum(t[None, :] - starts[:, None], 0.0)
    if not lag:
        rising: Floats = slopes @ since
        return rising
    if not math.isfinite(gain):
        return np.zeros_like(t)
    lagging: Floats = slopes @ bend_lag(since, gain=gain, feedforward=forward)
    return lagging


def _values(
    found: Learning, number: int, rows: dict[str, Learned], speed: float, *, new: bool
) -> tuple[float, float, float, float, float]:
    """Return command delay, ramps (s), loop gain and feedforward, old or learned."""
    feeder, path = found.machine.feeders[number], f"feeder.{number}"
    per = 1.0 / speed if feeder.clutch.travel_ramp else 1.0

    def of(key: str, old: float, factor: float = 1.0) -> float:
        row = rows.get(f"{path}.{key}")
        return factor * (row.value if new and row is not None and row.value is not None else old)

    return (
        of("servo.command_delay", feeder.servo.command_delay_s),
        of("clutch.ramp_in", feeder.clutch.ramp_in, per),
        of("clutch.ramp_out", feeder.clutch.ramp_out, per),
        of("servo.loop_gain", feeder.servo.loop_gain_per_s),
        of("servo.velocity_feedforward", feeder.servo.velocity_feedforward),
    )
