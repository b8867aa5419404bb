"""How the belt ran in a log: travel, speed, evenness; and a log cut by its speeds."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from feedsim.answers.learn.study.figures import Finding, combined, mean_of, sd_less
from feedsim.answers.learn.study.fits import bounded_line
from feedsim.arrays import Bools, Floats
from feedsim.logs import Log, LoggedFeeder, OnOffSignal, SampledSignal
from feedsim.metrics.student import standard_error
from feedsim.settings.nominal import rectangular_sd

_WINDOW_S = 1.0
_LEAST_ROWS = 20
_EXACT = 4e-15  # relative error of a number by its own digits
_SAME_STEP = 0.01
_SECOND_S = 1.0
_ALIKE = 0.02
_MOST = 0.9
_LEAST_S = 5.0


@dataclass(frozen=True, slots=True)
class Belt:
    """Counted belt travel (mm) over the times of a log, shape (n,), straight in between."""

    time_s: Floats
    travel_mm: Floats
    speed: Finding  # mm/s
    uneven: Finding  # standard deviation of the speed over a second, as its share
    even: bool  # whether one straight line fits all counts
    count_mm: float  # one count; 0 for none

    def travel(self, times: Floats) -> Floats:
        """Return the travel (mm) at some times."""
        if self.even:
            a, b = (float(x) for x in (self.travel_mm[0], self.time_s[0]))
            found: Floats = a + self.speed.value * (times - b)
            return found
        return np.interp(times, self.time_s, self.travel_mm)

    def time(self, travels: Floats) -> Floats:
        """Return the times (s) of some travels (mm)."""
        if self.even:
            a, b = (float(x) for x in (self.travel_mm[0], self.time_s[0]))
            found: Floats = b + (travels - a) / self.speed.value
            return found
        return np.interp(travels, self.travel_mm, self.time_s)


def belt_of(log: Log, *, count_mm: float) -> Belt | None:
    """Return how the belt ran; None without a moving encoder.

    ``count_mm``: counted travel per count, of an encoder that counts.
    """
    encoder = log.encoder
    if encoder is None or len(encoder.time_s) < _LEAST_ROWS:
        return None
    counts = encoder.quantity == "count"
    size = count_mm if counts else 1.0
    grain = count_mm if counts else max(encoder.step, 1e-6)
    middle = encoder.value * size + (0.5 * count_mm if counts else 0.0)
    t = encoder.time_s
    ran = float(middle[-1] - middle[0])
    if not ran > 10.0 * grain:
        return None
    stretches = [np.clip(ends, t[0], t[-1]) for ends in zip(log.begins_s, log.ends_s, strict=True)]
    lasted = sum(float(np.ptp(ends)) for ends in stretches)
    about = sum(float(np.ptp(np.interp(ends, t, middle))) for ends in stretches) / lasted
    slack = 0.5 * grain + 0.5 * log.step_s * about + 1e-9 * abs(float(middle[-1]))
    line = None
    if rounded_alike(log):
        exact = 0.5 * grain + _EXACT * float(np.abs(middle[[0, -1]]).max())
        line = bounded_line(t, middle - exact, middle + exact)
    line = line or bounded_line(t, middle - slack, middle + slack)
    if line is not None:
        travel = line.at(np.array([t[0], t[-1]]))
        none = Finding(0.0, 0.0, 2.0 * slack / (_WINDOW_S * about), len(t))
        return Belt(
            t[[0, -1]], travel, line.slope, none, even=True, count_mm=count_mm if counts else 0.0
        )
    speeds = _window_speeds(log, t, middle)
    uneven = _uneven(speeds, noise=math.sqrt(2.0) * rectangular_sd(slack) / _WINDOW_S)
    parts = (
        speeds[: len(speeds) // 20 * 20].reshape(20, -1).mean(axis=1)
        if len(speeds) >= 20
        else speeds
    )
    sd = standard_error(parts) if len(parts) > 1 else about
    mean = combined(about, sd=sd, uniform=grain / lasted, n=len(speeds), dof=len(parts) - 1.0)
    rising = np.maximum.accumulate(middle)
    return Belt(t, rising, mean, uneven, even=False, count_mm=count_mm if counts else 0.0)


def rounded_alike(log: Log) -> bool:
    """Tell whether all times of a log have the same rounding error, which cancels in intervals.

    They do if the period is a whole multiple of the written step and all times lie whole periods
    apart: a period that is not a round number would sooner or later show its digits.
    """
    values, step = log.encoder, log.step_s
    if values is None or not math.isfinite(log.period_s) or not step > 0.0:
        return False
    period = round(log.period_s / step) * step
    if period == 0.0:
        return False
    periods = (values.time_s - values.time_s[0]) / period
    return bool(np.abs(periods - np.rint(periods)).max() * period < _SAME_STEP * step)


def _window_speeds(log: Log, t: Floats, travel: Floats) -> Floats:
    """Return the mean speeds of whole seconds that lie within a stretch of the log."""
    found = []
    for begin, end in zip(log.begins_s, log.ends_s, strict=True):
        edges = np.arange(begin, end, _WINDOW_S)
        found.append(np.diff(np.interp(edges, t, travel)) / _WINDOW_S)
    return np.concatenate(found)


def _uneven(speeds: Floats, *, noise: float) -> Finding:
    """Return the spread of speeds as a share of their mean, less that of the counts."""
    n = len(speeds)
    if n < 3:
        return Finding(0.0, 0.0, math.inf, n)
    squares = float(((speeds - speeds.mean()) ** 2).sum())
    return sd_less(squares, dof=n - 1.0, noise=noise, n=n).scaled(1.0 / float(speeds.mean()))


def belt_without_encoder(log: Log, *, length_mm: float) -> Belt | None:
    """Derive the belt from how long carriers kept the carrier eye on; None if none did."""
    eye = log.carrier_eye
    if eye is None or len(eye.on_s) < _LEAST_ROWS:
        return None
    ends = np.searchsorted(eye.off_s, eye.on_s)
    whole = ends < len(eye.off_s)
    lasted = eye.off_s[ends[whole]] - eye.on_s[whole]
    usual = lasted[np.abs(lasted - np.median(lasted)) < 0.2 * np.median(lasted)]
    mean = float(usual.mean())
    time = mean_of(usual)
    v = length_mm / mean
    speed = Finding(v, length_mm / time.high, length_mm / max(time.low, 1e-12), len(usual))
    t = np.array([log.begins_s[0], log.ends_s[-1]])
    return Belt(t, v * t, speed, Finding(0.0, 0.0, math.inf, 0), even=True, count_mm=0.0)


def steady_parts(log: Log, *, count_mm: float) -> list[Log]:
    """Return a log for each steady speed of the belt; the log itself if it had one or none.

    A speed is steady while the means over five seconds or more are within 2 % of each other; what
    lies between belongs to no part. The second at either end is left out, since the belt may have
    begun to change in it. ``count_mm`` as in :func:`belt_of`.
    """
    belt = belt_of(log, count_mm=count_mm)
    if belt is None or belt.even:
        return [log]
    kept = [
        run
        for begin, end in zip(log.begins_s, log.ends_s, strict=True)
        for run in _kept(begin, end, belt.travel(np.arange(begin, end, _SECOND_S)))
    ]
    kinds: list[list[_Steady]] = []
    for run in kept:
        for kind in kinds:
            if abs(run.speed_mm_s - kind[0].speed_mm_s) <= _ALIKE * kind[0].speed_mm_s:
                kind.append(run)
                break
        else:
            kinds.append([run])
    seconds = sum(run.end_s - run.begin_s for run in kept)
    if not kinds or (len(kinds) == 1 and seconds >= _MOST * (log.ends_s[-1] - log.begins_s[0])):
        return [log]
    return [_part(log, [(run.begin_s, run.end_s) for run in kind]) for kind in kinds]


class _Steady(NamedTuple):
    """A time at a steady speed."""

    begin_s: float
    end_s: float
    speed_mm_s: float


def _kept(begin: float, end: float, travel: Floats) -> Iterator[_Steady]:
    """Yield each time at a steady speed in a stretch.

    ``travel``: at each whole second of it.
    """
    speeds = np.diff(travel) / _SECOND_S
    first = 0
    while first < len(speeds):
        last = first + 1
        while last < len(speeds):
            mean = float(speeds[first:last].mean())
            if abs(float(speeds[last]) - mean) > _ALIKE * mean:
                break
            last += 1
        low = begin + _SECOND_S * (first + (first > 0))
        high = begin + _SECOND_S * (last - 1) if last < len(speeds) else end
        inner = speeds[first + (first > 0) : last - (last < len(speeds))]
        if high - low >= _LEAST_S and float(inner.mean()) > 0.0:
            yield _Steady(low, high, float(inner.mean()))
        first = last


def _part(log: Log, spans: list[tuple[float, float]]) -> Log:
    """Return a log cut to some spans of time, named after the first."""
    return replace(
        log,
        file=f"{log.file} from {log.clock.text(spans[0][0])}",
        begins_s=tuple(begin for begin, _ in spans),
        ends_s=tuple(end for _, end in spans),
        carrier_eye=_level(log.carrier_eye, spans),
        encoder=_values(log.encoder, spans),
        feeders=tuple(
            LoggedFeeder(
                _level(feeder.eye, spans),
                _level(feeder.clutch, spans),
                _values(feeder.command, spans),
                _values(feeder.actual, spans),
            )
            for feeder in log.feeders
        ),
    )


def _inside(times: Floats, spans: list[tuple[float, float]]) -> Bools:
    within = [(times >= begin) & (times <= end) for begin, end in spans]
    return np.asarray(np.logical_or.reduce(within))


def _level(level: OnOffSignal | None, spans: list[tuple[float, float]]) -> OnOffSignal | None:
    if level is None:
        return None
    on, off = _inside(level.on_s, spans), _inside(level.off_s, spans)
    return OnOffSignal(
        level.on_s[on],
        level.on_within_s[on],
        level.on_row[on],
        level.off_s[off],
        level.off_within_s[off],
        level.off_row[off],
        starts_on=tuple(_on(level, begin) for begin, _ in spans),
    )


def _on(level: OnOffSignal, time_s: float) -> bool:
    """Tell whether a level is on at a time: by the first edge after it."""
    on, off = (np.append(edges[edges > time_s], np.inf)[0] for edges in (level.on_s, level.off_s))
    return bool(off < on)


def _values(values: SampledSignal | None, spans: list[tuple[float, float]]) -> SampledSignal | None:
    if values is None:
        return None
    return values.where(_inside(values.time_s, spans))
