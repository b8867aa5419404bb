"""How a feed's command follows the clutch in one log, and its travel the command."""

from __future__ import annotations

import math

import numpy as np

from feedsim.answers.learn.study.figures import Figure, combined
from feedsim.answers.learn.study.following import Cycles, Ramps, Track, cycles_of, ramps_of
from feedsim.answers.learn.study.lattice import Lattice
from feedsim.answers.learn.study.servo import Servo, servo_of
from feedsim.arrays import Floats
from feedsim.logs import Log, LoggedFeeder, Values
from feedsim.machine import Feeder

_FEW = 20


def followed(
    log: Log,
    feeder: Feeder,
    logged: LoggedFeeder,
    close_s: Floats,
    open_s: Floats,
    *,
    lattice: Lattice | None,
    step_s: float,
) -> tuple[Cycles | None, Ramps | None, Servo | None, Figure | None]:
    """Return the commanded cycles, their ramps, the servo and the command delay; None: not logged.

    Parameters
    ----------
    close_s, open_s : float64 arrays, shape (n,)
        Closing and opening of each whole cycle.
    step_s : float
        In which the log tells times.
    """
    if logged.command is None or len(close_s) < _FEW:
        return None, None, None, None
    at = _instants(log, logged)
    command = cycles_of(_track(logged.command, at), close_s, open_s)
    if command is None:
        return None, None, None, None
    clutch = feeder.clutch
    per_mm = feeder.settings.speed_ratio / max(1.0, _speed(command)) if clutch.travel_ramp else 1.0
    ramps = ramps_of(
        command,
        ramp_in=clutch.ramp_in * per_mm,
        ramp_out=clutch.ramp_out * per_mm,
        step=logged.command.step,
    )
    if ramps is None:
        return command, None, None, None
    late = np.concatenate([ramps.begins_s - command.close_s, ramps.ends_s - command.open_s])
    sd = float(late.std(ddof=1)) / math.sqrt(len(late))
    acts = np.concatenate([command.close_s, command.open_s])
    half = lattice.open_s(acts) if lattice is not None else 0.5 * step_s
    if logged.clutch is not None and len(logged.clutch.on_within_s):
        # of events it is not known on which side of its time an edge lies: all of them on one
        half += max(0.0, float(np.median(logged.clutch.on_within_s)) - 0.5 * step_s)
    delay = combined(float(late.mean()), sd=sd, uniform=half, n=len(late), dof=len(late) - 1.0)
    servo = None
    if logged.actual is not None and logged.actual.quantity == logged.command.quantity:
        actual = cycles_of(_track(logged.actual, at), close_s, open_s)
        if actual is not None and np.array_equal(actual.time_s, command.time_s, equal_nan=True):
            servo = servo_of(
                command, actual, ramps, step_mm=max(logged.actual.step, logged.command.step)
            )
    return command, ramps, servo, delay


def whole_cycles(log: Log, close_s: Floats, open_s: Floats) -> tuple[Floats, Floats]:
    """Return closings and the opening that ended each, of whole cycles within one stretch."""
    if len(close_s) == 0 or len(open_s) == 0:
        return np.empty(0), np.empty(0)
    after = np.searchsorted(open_s, close_s, "right")
    has = after < len(open_s)
    close, end = close_s[has], open_s[after[has]]
    following = np.append(close[1:], math.inf)
    begins = np.array(log.begins_s)
    one = np.searchsorted(begins, close, "right") == np.searchsorted(begins, end, "right")
    good = one & (end <= following)
    return close[good], end[good]


def _instants(log: Log, logged: LoggedFeeder) -> Floats:
    """Return all instants at which values were written; of events only new ones are."""
    parts = [v.time_s for v in (log.encoder, logged.command, logged.actual) if v is not None]
    return np.unique(np.concatenate(parts)) if log.shape == "events" else parts[-1]


def _track(values: Values, at: Floats) -> Track:
    """Return a track at some instants; what was not written had not changed."""
    place = np.searchsorted(values.time_s, at, "right") - 1
    known = place >= 0
    value = values.value[place[known]]
    return Track(at[known], value, values.quantity == "mm_s")


def _speed(cycles: Cycles) -> float:
    """Return the largest mean speed of any cycle's track (mm/s)."""
    if cycles.rate:
        return float(np.nanmax(cycles.value))
    steps = np.diff(cycles.value, axis=1) / np.diff(cycles.time_s, axis=1)
    return float(np.nanquantile(steps, 0.9))
