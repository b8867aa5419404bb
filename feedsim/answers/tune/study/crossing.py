"""The speed at which counted shares reach what is allowed, and differences of such.

Setups run on the same cards, run by run, at some speeds each. The share of a figure is pooled over
the runs at each speed; in its logarithm straight lines join the speeds, and where the first figure
goes through what is allowed is the fastest speed that is met. Leaving out one run at a time
(jackknife: Efron and Tibshirani, An introduction to the bootstrap, chapter 11, from memory) gives
the interval of a difference, and since both setups lose the same cards what chance does to a card
drops out.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np

from feedsim.arrays import Floats
from feedsim.metrics.intervals import Interval

_ADDED = 0.5  # to hits and misses, so that none seen has a logarithm
_NEAR, _SUDDEN = 5e-3, 5e-4
_JUMP = 1.5  # of a logarithm: so steep that a straight line says nothing
_LADDER = (0.97, 1.0, 1.03)
_WIDER = 1.08
_FURTHEST = 4.0


class Counts(NamedTuple):
    """Hits and trials of every figure of every feeder in each run, shape (runs, figures)."""

    hits: Floats
    trials: Floats


class Crossing(NamedTuple):
    """A speed (mm/s), and what it would be without each run in turn, shape (runs,).

    ``apart_mm_s``: how far from it the true one may lie for want of speeds, where shares jump.
    """

    speed_mm_s: float
    without: Floats
    apart_mm_s: float


def crossing(seen: Mapping[float, Counts], most: Floats) -> Crossing | None:
    """Return where the first figure exceeds what is allowed.

    Parameters
    ----------
    seen : mapping of float to Counts
        By line speed (mm/s); of the same runs.
    most : float64 array, shape (figures,)
        The largest share of each that is accepted.

    Returns
    -------
    Crossing or None
        None where not both sides of it have been seen.
    """
    speeds = sorted(seen)
    hits = np.stack([seen[v].hits for v in speeds])
    trials = np.stack([seen[v].trials for v in speeds])
    times = _times(hits.sum(axis=1), trials.sum(axis=1), most)
    whole, place = _through(speeds, times), _first(times)
    if whole is None or place is None:
        return None
    jumps = times[place] - times[place - 1] > _JUMP
    apart = 0.5 * (speeds[place] - speeds[place - 1]) if jumps else 0.0
    left = [
        (hits.sum(axis=1) - hits[:, r], trials.sum(axis=1) - trials[:, r])
        for r in range(hits.shape[1])
    ]
    less = [_through(speeds, _times(h, n, most)) for h, n in left]
    return Crossing(whole, np.array([whole if v is None else v for v in less]), apart)


def _times(hits: Floats, trials: Floats, most: Floats) -> Floats:
    """Return the logarithm of how many times what is allowed the worst share is, at each speed."""
    share = (hits + _ADDED) / (trials + 2.0 * _ADDED)
    allowed = np.maximum(most, _ADDED / (trials + 2.0 * _ADDED) * (1.0 + 1e-9))
    found: Floats = np.log(share / allowed).max(axis=1)
    return found


def _through(speeds: Sequence[float], times: Floats) -> float | None:
    place = _first(times)
    if place is None or place == 0:
        return None
    low, high = times[place - 1], times[place]
    part = -low / (high - low)
    return float(speeds[place - 1] + part * (speeds[place] - speeds[place - 1]))


def _first(times: Floats) -> int | None:
    over = np.flatnonzero(times > 0.0)
    return int(over[0]) if len(over) else None


def to_look_at(seen: Mapping[float, Counts], most: Floats, start_mm_s: float) -> list[float]:
    """Return the speeds (mm/s) to run next, so that the crossing is known well; none: it is.

    Parameters
    ----------
    seen, most
        As in :func:`crossing`.
    start_mm_s : float
        Where it is to be looked for; not beyond four times as fast or as slow.
    """
    if not seen:
        return [by * start_mm_s for by in _LADDER]
    speeds = sorted(seen)
    pooled = [seen[v] for v in speeds]
    times = _times(
        np.stack([c.hits.sum(axis=0) for c in pooled]),
        np.stack([c.trials.sum(axis=0) for c in pooled]),
        most,
    )
    place = _first(times)
    if place is None:
        higher = _further(speeds[-1], start_mm_s)
        return [higher] if higher <= _FURTHEST * start_mm_s else []
    if place == 0:
        lower = start_mm_s * start_mm_s / _further(start_mm_s * start_mm_s / speeds[0], start_mm_s)
        return [lower] if lower >= start_mm_s / _FURTHEST else []
    low, high = speeds[place - 1], speeds[place]
    near = _SUDDEN if times[place] - times[place - 1] > _JUMP else _NEAR
    return [] if high - low <= near * high else [0.5 * (low + high)]


def _further(speed: float, start: float) -> float:
    """Return the next speed away from where one began, in ever longer steps."""
    return speed * max(_WIDER, math.sqrt(speed / start))


def differs(
    one: float, one_without: Floats, other: float, other_without: Floats
) -> tuple[float, Interval]:
    """Return a difference of two figures and its 95 % interval by the jackknife, runs paired.

    Parameters
    ----------
    one, other : float
        Of all runs.
    one_without, other_without : float64 array, shape (runs,)
        Without each run in turn.
    """
    from scipy.special import stdtrit

    less = one_without - other_without
    runs = len(less)
    deviations = less - less.mean()
    error = math.sqrt((runs - 1.0) / runs * float(deviations @ deviations))
    arm = float(stdtrit(runs - 1, 0.975)) * error
    size = one - other
    return size, Interval(size - arm, size + arm)
