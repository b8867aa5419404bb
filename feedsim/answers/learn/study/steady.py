"""A log of several line speeds, cut into one of each: all that is learned takes an even belt."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from feedsim.answers.learn.study.belt import belt_of
from feedsim.arrays import Bools, Floats
from feedsim.logs import Level, Log, LoggedFeeder, Values

_Run = tuple[float, float, float]
_SECOND_S = 1.0
_ALIKE = 0.02
_MOST = 0.9
_LEAST_S = 5.0


def steady_parts(log: Log, *, count_mm: float) -> list[Log]:
    """Return a log of each speed that the belt kept, the log itself where it kept one or none.

    Parameters
    ----------
    count_mm : float
        Counted travel per count, of an encoder that counts.

    Notes
    -----
    A speed is kept where the means over five seconds or more are within 2 % of each other; what
    lies between is in none of the parts. The second at either end is left out, since the belt may
    have begun to change in it.
    """
    belt = belt_of(log, count_mm=count_mm)
    if belt is None or belt.even:
        return [log]
    kept = [
        run
        for begin, end in zip(log.begins_s, log.ends_s, strict=True)
        for run in _kept(begin, end, belt.travel(np.arange(begin, end, _SECOND_S)))
    ]
    kinds: list[list[_Run]] = []
    for run in kept:
        for kind in kinds:
            if abs(run[2] - kind[0][2]) <= _ALIKE * kind[0][2]:
                kind.append(run)
                break
        else:
            kinds.append([run])
    seconds = sum(end - begin for begin, end, _ in kept)
    if not kinds or (len(kinds) == 1 and seconds >= _MOST * (log.ends_s[-1] - log.begins_s[0])):
        return [log]
    return [_part(log, [(begin, end) for begin, end, _ in kind]) for kind in kinds]


def _kept(begin: float, end: float, travel: Floats) -> Iterator[_Run]:
    """Yield from when to when a stretch kept a speed, and that speed (mm/s).

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
            yield low, high, float(inner.mean())
        first = last


def _part(log: Log, spans: list[tuple[float, float]]) -> Log:
    """Return what a log holds of some spans of time, named after the first of them."""
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


def _level(level: Level | None, spans: list[tuple[float, float]]) -> Level | None:
    if level is None:
        return None
    on, off = _inside(level.on_s, spans), _inside(level.off_s, spans)
    return Level(
        level.on_s[on],
        level.on_within_s[on],
        level.on_row[on],
        level.off_s[off],
        level.off_within_s[off],
        level.off_row[off],
        starts_on=tuple(_on(level, begin) for begin, _ in spans),
    )


def _on(level: Level, time_s: float) -> bool:
    """Tell whether a level is on at a time: by the first edge after it."""
    on, off = (np.append(edges[edges > time_s], np.inf)[0] for edges in (level.on_s, level.off_s))
    return bool(off < on)


def _values(values: Values | None, spans: list[tuple[float, float]]) -> Values | None:
    if values is None:
        return None
    in_it = _inside(values.time_s, spans)
    return replace(
        values, time_s=values.time_s[in_it], value=values.value[in_it], row=values.row[in_it]
    )
