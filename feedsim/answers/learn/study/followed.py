"""How a feed's command follows the clutch in one log, and its travel follows the command."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from feedsim.answers.learn.study.figures import Finding, mean_of
from feedsim.answers.learn.study.fits import NonlinearFit, nonlinear_fit
from feedsim.answers.learn.study.following import (
    Ramps,
    Track,
    Tracks,
    cycles_of,
    figures_of,
    ramps_of,
    since_bends,
)
from feedsim.answers.learn.study.lattice import InstantGrid
from feedsim.arrays import Floats
from feedsim.logs import Log, LoggedFeeder, SampledSignal
from feedsim.machine import Feeder
from feedsim.motion.ramps import bend_lag, ramp_bends

_FEW = 20
_Model = Callable[[float, float], Floats]
_LONG_S = 1.0  # after which a feed at rest lags no more
_GAINS = (30.0, 200.0)


def followed(
    log: Log,
    feeder: Feeder,
    logged: LoggedFeeder,
    close_s: Floats,
    open_s: Floats,
    *,
    lattice: InstantGrid | None,
    step_s: float,
) -> tuple[Tracks | None, Ramps | None, ServoFit | None, Finding | None]:
    """Return the commanded cycles, their ramps, the servo and the command delay; None: not logged.

    ``close_s``, ``open_s``: closing and opening of each whole cycle, shape (n,). ``step_s``: in
    which the log writes times.
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
    acts = np.concatenate([command.close_s, command.open_s])
    half = lattice.open_s(acts) if lattice is not None else 0.5 * step_s
    if logged.clutch is not None and len(logged.clutch.on_within_s):
        # in a log of events it is unknown on which side of its time an edge lies: all on the same
        half += max(0.0, float(np.median(logged.clutch.on_within_s)) - 0.5 * step_s)
    delay = mean_of(late, uniform=half)
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
    """Return all instants at which values were written; logs of events have only new ones."""
    parts = [v.time_s for v in (log.encoder, logged.command, logged.actual) if v is not None]
    return np.unique(np.concatenate(parts)) if log.shape == "events" else parts[-1]


def _track(values: SampledSignal, at: Floats) -> Track:
    """Return a track at some instants; a value that was not written had not changed."""
    place = np.searchsorted(values.time_s, at, "right") - 1
    known = place >= 0
    value = values.value[place[known]]
    return Track(at[known], value, values.quantity == "mm_s")


def _speed(cycles: Tracks) -> float:
    """Return the largest mean speed of any cycle's track (mm/s)."""
    if cycles.rate:
        return float(np.nanmax(cycles.value))
    steps = np.diff(cycles.value, axis=1) / np.diff(cycles.time_s, axis=1)
    return float(np.nanquantile(steps, 0.9))


@dataclass(frozen=True, slots=True)
class ServoFit:
    """Loop gain (1/s) and feedforward; None if no lag shows in the log.

    ``lag_mm``: root mean square of the lag. ``lag``: the lag, shape of the cycles.
    """

    loop_gain: Finding | None
    feedforward: Finding | None
    lag_mm: float
    lag: Floats


def servo_of(command: Tracks, actual: Tracks, ramps: Ramps, *, step_mm: float) -> ServoFit:
    """Fit loop gain and feedforward to the lag of the actual feed behind the command.

    Both tracks are of the same instants, and both travels or both speeds. ``step_mm``: in which the
    log writes them (mm, or mm/s).
    """
    known = ~np.isnan(command.time_s)
    lag = np.where(known, command.value - actual.value, 0.0)
    rest = known & (command.time_s <= ramps.begins_s[:, None])
    lag = np.where(known, lag - float(np.median(lag[rest])) if rest.any() else lag, 0.0)
    seen = math.sqrt(float(np.mean(lag[known] ** 2)))
    if seen <= 1.5 * step_mm:
        return ServoFit(None, None, seen, np.where(known, lag, np.nan))
    values = (ramps.ramp_in.value, ramps.ramp_out.value, ramps.speed.value)
    model = _lag_model(command, values, ramps.begins_s, ramps.ends_s)

    def off(values: Floats) -> Floats:
        left: Floats = (lag - model(math.exp(values[0]), values[1]))[known] - values[2]
        return left

    best = min(
        (
            nonlinear_fit(
                off,
                np.array([math.log(gain), 0.5, 1e-3]),
                bounds=(np.array([0.0, -1.0, -np.inf]), np.array([11.0, 1.5, np.inf])),
            )
            for gain in _GAINS
        ),
        key=lambda fit: fit.squares,
    )
    gain, forward, _ = figures_of(
        best, command, known, ramps.begins_s, ramps.ends_s, step_mm, two=True
    )
    more = np.hypot(
        _open_by_ramps(best, command, ramps, model),
        _open_by_speed(best, command, ramps, model, step_mm),
    )
    gain, forward = gain.widened(float(more[0])), forward.widened(float(more[1]))
    gain = Finding(math.exp(gain.value), math.exp(gain.low), math.exp(gain.high), gain.n)
    return ServoFit(gain, forward, seen, np.where(known, lag, np.nan))


def _lag_model(
    command: Tracks, values: tuple[float, float, float], begins: Floats, ends: Floats
) -> _Model:
    """Return the lag by loop gain and feedforward, shape of the cycles.

    Includes the rest of the previous cycle's lag if a clutch closes soon after it opened.
    """
    bends, slopes = ramp_bends(*values)
    since = since_bends(command, begins, ends, bends)
    over = _LONG_S - bends[2:, None, None]
    began = command.before_s + float(np.median(ends - command.open_s)) + bends[2:, None]
    past = np.minimum(np.maximum(command.time_s[None] - began[:, :, None], 0.0), over)

    def model(gain: float, feedforward: float) -> Floats:
        def lags(times: Floats) -> Floats:
            return bend_lag(times, gain=gain, feedforward=feedforward, rate=command.rate)

        left = np.einsum("j,jcm->cm", slopes[2:], lags(past) - lags(over))
        found: Floats = np.einsum("j,jcm->cm", slopes, lags(since)) + left
        return found

    return model


def _open_by_ramps(fit: NonlinearFit, command: Tracks, ramps: Ramps, model: _Model) -> Floats:
    """Return the errors of the fit if ramps and speed are off by their intervals.

    One step of Gauss and Newton; a longer ramp keeps its middle.
    """
    known = ~np.isnan(command.time_s)
    at = math.exp(fit.values[0]), float(fit.values[1])
    figures = (ramps.ramp_in, ramps.ramp_out, ramps.speed)
    squares = np.zeros(len(fit.values))
    for place, figure in enumerate(figures):
        half = 0.5 * (figure.high - figure.low)
        values = [each.value for each in figures]
        values[place] += half
        begins = ramps.begins_s - (0.5 * half if place == 0 else 0.0)
        ends = ramps.ends_s - (0.5 * half if place == 1 else 0.0)
        moved = _lag_model(command, (values[0], values[1], values[2]), begins, ends)
        squares += (fit.inverse @ (moved(*at) - model(*at))[known]) ** 2
    return np.sqrt(squares)


def _open_by_speed(
    fit: NonlinearFit, command: Tracks, ramps: Ramps, model: _Model, step: float
) -> Floats:
    """Return the errors of the fit if the full speed is rounded by half a step.

    It is so in all cycles; once the lag is below a step, both are rounded alike.
    """
    if not command.rate:
        return np.zeros(len(fit.values))
    known = ~np.isnan(command.time_s)
    full = command.time_s > ramps.begins_s[:, None] + ramps.ramp_in.value
    full &= command.time_s < ramps.ends_s[:, None]
    full &= np.abs(model(math.exp(fit.values[0]), float(fit.values[1]))) > 0.5 * step
    found: Floats = 0.5 * step * np.abs(fit.inverse @ full[known].astype(np.float64))
    return found
