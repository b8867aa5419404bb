"""Pitches seen by an eye: their mean, spread and shortest, and how many are missing."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from feedsim.answers.learn.study.figures import Finding, combined
from feedsim.arrays import Bools, Floats, Ints
from feedsim.metrics.intervals import NORMAL_95, share_interval
from feedsim.metrics.student import jackknife_error, student_quantile

_BATCHES = 20
_LEAST = 10
_GRID = 801
_SHARES = 100
_MOST_MISSING = 8
_ROUNDS = 12
_ENOUGH = 1000


@dataclass(frozen=True, slots=True)
class Pitches:
    """Pitches in order, as multiples of the usual one.

    ``mm``: leading edge to leading edge, shape (n,).
    ``many``: each one's multiple of the usual pitch.
    ``joined``, shape (n − 1,): a pitch and the next one share an edge (else the log has a gap
        between them).
    ``mean``, ``sd``: of a single pitch (mm); None if there are too few; ``sd`` leaves out eye and
        log.
    ``missing``: share of empty pitches.
    """

    mm: Floats
    many: Ints
    joined: Bools
    mean: Finding | None
    sd: Finding | None
    missing: Finding | None

    @property
    def single(self) -> Bools:
        """Which of them are one pitch."""
        return np.asarray(self.many == 1)


def pitches_of(edges_mm: Sequence[Floats]) -> Pitches:
    """Find the pitches between edges.

    ``edges_mm``: travel at which each leading edge passed, rising; an array a stretch of the log.

    An error e of an edge makes one pitch longer and the next one shorter: x = p + e′ − e, of
    variance σ² + 2·s² and covariance −s² with its neighbour. So the variance of the pitch itself is
    that seen plus twice the covariance (the long-run variance of any text on time series), whatever
    eye, counts and sampling add. Its interval comes from a jackknife over 20 stretches. The mean is
    travel over pitches, of standard deviation σ/√n.
    """
    parts = [np.diff(edges) for edges in edges_mm if len(edges) > 1]
    x = np.concatenate(parts) if parts else np.empty(0)
    joined = np.ones(max(len(x) - 1, 0), dtype=np.bool_)
    for end in np.cumsum([len(part) for part in parts])[:-1].tolist():
        joined[end - 1] = False
    if len(x) < _LEAST:
        return Pitches(x, np.ones(len(x), dtype=np.int64), joined, None, None, None)
    unit = _usual(x)
    many = np.maximum(np.rint(x / unit), 1.0).astype(np.int64)
    total = int(many.sum())
    empty = total - len(x)
    share = empty / total
    missing = Finding(share, *share_interval(share, total), total)
    mean = float(x.sum()) / total
    off = x - mean * many
    sd = _spread(off, many == 1, joined)
    if sd is None:
        return Pitches(x, many, joined, None, None, missing)
    error = sd.value / math.sqrt(total)
    ends = math.sqrt(2.0 * max(0.0, float(np.mean(off**2)) - sd.value**2)) / total
    figure = combined(mean, sd=math.hypot(error, ends), uniform=0.0, n=len(x), dof=len(x) - 1.0)
    return Pitches(x, many, joined, figure, sd, missing)


def _usual(x: Floats) -> float:
    """Return the usual pitch: the median of those below one and a half of a short one."""
    short = float(np.quantile(x, 0.1))
    return float(np.median(x[x < 1.5 * short]))


def _spread(off: Floats, single: Bools, joined: Bools) -> Finding | None:
    """Return the standard deviation of a single pitch, less that of edges."""
    pair = single[1:] & single[:-1] & joined
    if int(single.sum()) < 2 * _BATCHES or int(pair.sum()) < _BATCHES:
        return None
    squares = np.where(single, off**2, 0.0)
    products = np.append(np.where(pair, off[1:] * off[:-1], 0.0), 0.0)
    batch = np.arange(len(off)) * _BATCHES // len(off)

    def sums(values: NDArray[np.generic]) -> Floats:
        found: Floats = np.bincount(batch, values.astype(np.float64), minlength=_BATCHES).astype(
            np.float64
        )
        return found

    each = np.stack([sums(v) for v in (squares, single, products, np.append(pair, [False]))])

    def variance(sums: Floats) -> Floats:
        found: Floats = sums[0] / sums[1] + 2.0 * sums[2] / sums[3]
        return found

    whole = each.sum(axis=1)
    value = float(variance(whole)) * (whole[1] + 1.0) / whole[1]
    error = jackknife_error(variance(whole[:, None] - each))
    n, t = int(single.sum()), student_quantile(_BATCHES - 1.0)
    if value <= 2.0 * error:  # practically nothing: one end alone
        return Finding(math.sqrt(max(value, 0.0)), 0.0, math.sqrt(max(value, 0.0) + t * error), n)
    wide = math.exp(0.5 * t * error / value)
    sd = math.sqrt(value)
    return Finding(sd, sd / wide, sd * wide, n)


def shortest_of_random(pitches_mm: Floats, *, noise_mm: float) -> Finding:
    """Return the shortest pitch of exponential gaps behind a smallest one.

    ``noise_mm``: standard deviation that eye and log add to a pitch.

    Of a pitch s + X + N, X exponential of mean m = mean − s, N normal, the density is
    e^(σ²/2m² − (x − s)/m)·Φ((x − s)/σ − σ/m)/m, the exponentially modified normal law (Grushka
    1972). Its likelihood over s, taken for a density (a flat prior), gives the interval; without
    noise that is the exact one, s ≤ smallest − (m/n)·ln(1/α).
    """
    from scipy.special import log_ndtr

    n, mean, least = len(pitches_mm), float(pitches_mm.mean()), float(pitches_mm.min())
    sigma = max(noise_mm, 1e-4 * (mean - least) / n)
    reach = 12.0 * (mean - least) / n
    grid = np.linspace(least - 5.0 * sigma - reach, least + 5.0 * sigma, _GRID)
    logs = np.empty(_GRID)
    for place, s in enumerate(grid.tolist()):
        m = mean - s
        z = (pitches_mm - s) / sigma
        logs[place] = float(
            np.sum(0.5 * (sigma / m) ** 2 - (pitches_mm - s) / m + log_ndtr(z - sigma / m))
        ) - n * math.log(m)
    mass = np.exp(logs - logs.max())
    mass /= mass.sum()
    low, high = np.interp([0.025, 0.975], np.cumsum(mass) - 0.5 * mass, grid)
    return Finding(float(mass @ grid), float(low), float(high), n)


def missing_of_random(pitches_mm: Floats) -> tuple[Finding, float]:
    """Return the share of missing carriers among random arrivals, and the largest possible one.

    ``pitches_mm``, shape (n,): exponential gaps behind a smallest pitch, those over missing
    carriers as one.

    Over k pitches one is k·s + X, X of a gamma law of k exponentials of mean m (any text on
    queues), k geometric. Of each share q the likeliest m is found by expectation and maximisation
    (Dempster, Laird and Rubin 1977, from memory). The interval is that of the likelihood ratio,
    2·ln(L/L₀) up to 3.84 (Wilks 1938, from memory). Behind a smallest pitch of 0 all q are alike.
    """
    from scipy.special import gammaln, xlogy

    x = pitches_mm[:_ENOUGH]
    least, mean = float(x.min()), float(x.mean())
    most = 1.0 - least / mean
    shares = np.linspace(0.0, most, _SHARES, endpoint=False)
    k = np.arange(1, _MOST_MISSING + 2)[:, None]
    over = x[None, :] - k * least
    there = over >= 0.0
    over = np.maximum(over, 0.0)
    known = xlogy(k - 1, over) - gammaln(k)
    logs = np.empty(_SHARES)
    for place, q in enumerate(shares.tolist()):
        m = (1.0 - q) * mean - least
        for _ in range(_ROUNDS):
            each = known + np.log1p(-q) + xlogy(k - 1, q) - over / m - k * math.log(m)
            each = np.where(there, each, -np.inf)
            top = each.max(axis=0)
            weights = np.exp(each - top)
            whole = weights.sum(axis=0)
            weights /= whole
            m = max(float((weights * over).sum() / (weights * k).sum()), 1e-9)
        logs[place] = float(np.sum(top + np.log(whole)))
    good = shares[logs >= logs.max() - 0.5 * NORMAL_95**2]
    best = float(shares[int(np.argmax(logs))])
    return Finding(best, float(good[0]), float(good[-1]), len(x)), most
