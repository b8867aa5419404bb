"""What recorded pitches do to a feed cycle and to a photo-eye: counted in the record itself.

A normal curve of the record's mean and spread knows nothing of bunches, drift or the one carrier
that came too close; the record has them, and in their order.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from functools import lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from feedsim.machine import Carriers
from feedsim.settings.distribution import Distribution

__all__ = ["most_within", "share_closer", "share_lost", "share_of_gaps_below"]

Floats = NDArray[np.float64]
_MOST_IN_A_ROW = 1000
_MANY = 0.5
_NOTHING = 1e-12


@lru_cache(maxsize=8)
def _arrays(record_mm: tuple[float, ...], repeats: bool) -> tuple[Floats, Floats]:
    """Return leading edges, the first at 0, and pitches, each behind the edge of its place.

    Of a record that ends the first pitch is none between two carriers and is left out.
    """
    pitches = np.array(record_mm if repeats else record_mm[1:])
    edges = np.concatenate(([0.0], np.cumsum(pitches)))
    pitches.flags.writeable = edges.flags.writeable = False
    return edges, pitches


def _pitches(carriers: Carriers) -> Floats:
    return _arrays(carriers.record_mm, carriers.record_repeats)[1]


def _sums(carriers: Carriers, in_a_row: int) -> Floats:
    """Return the sums (mm) of so many pitches in a row, for each place at which they may begin."""
    edges, pitches = _arrays(carriers.record_mm, carriers.record_repeats)
    starts, ends = edges[:-in_a_row], edges[in_a_row:]
    if carriers.record_repeats:
        laps, rest = divmod(in_a_row, len(pitches))
        total = float(edges[-1])
        starts = edges[:-1]
        ends = np.concatenate((starts, starts + total))[rest : rest + len(pitches)] + laps * total
    sums: Floats = ends - starts
    return sums


def _mean(values: Floats | NDArray[np.bool_]) -> float:
    return float(np.mean(values)) if len(values) else 0.0


def share_closer(carriers: Carriers, travel_mm: float) -> float:
    """Return the share of recorded carriers less than a travel behind the one before."""
    return _mean(_pitches(carriers) < travel_mm)


def share_lost(carriers: Carriers, busy: Distribution, more: Mapping[float, float]) -> float:
    """Return the share of recorded carriers that find a feeder busy.

    With b_m(k) the probability that a feeder which serves carrier k is still busy m pitches
    later, carrier k is served with probability
    s_k = Σ s_(k−m)·(b_(m−1)(k−m) − b_m(k−m)) over m from 1, b_0 = 1: it is the first after
    k − m for which the feeder is ready. The lost share is 1 − the mean of s_k over the record,
    where it repeats over its second lap. Where more than half a carrier comes in a service on
    average it is that number over 1 + that number, as if pitches came in any order.

    Parameters
    ----------
    carriers : Carriers
        With a record.
    busy : Distribution
        Belt travel (mm) from an engage tick to the first at which another may be.
    more : mapping
        By how much longer (mm) a service is, with probabilities.
    """
    count = len(carriers.record_mm)
    chances_of = _busy_chances(carriers, busy, more)
    chances, come = [np.ones(count)], 0.0
    while len(chances) <= _MOST_IN_A_ROW:
        chances.append(chances_of(len(chances)))
        come += float(chances[-1].mean())
        if chances[-1].max() < _NOTHING:
            break
    if come == 0.0 or come > _MANY:
        return come / (1.0 + come)
    return max(0.0, 1.0 - float(_served(chances, repeats=carriers.record_repeats).mean()))


def _served(chances: Sequence[Floats], *, repeats: bool) -> Floats:
    """Return how likely each carrier of the (last) lap is served: a banded triangle of equations.

    ``chances``: b_m of each carrier, m from 0.
    """
    from scipy.linalg import solve_banded

    count, laps = len(chances[0]), 2 if repeats else 1
    rows = [np.tile(after - before, laps) for before, after in pairwise(chances)]
    band = np.vstack((np.ones(laps * count), *rows[: laps * count - 1]))
    first = np.zeros(laps * count)
    first[0] = 1.0
    served: Floats = solve_banded((len(band) - 1, 0), band, first)
    return served[-count:]


def _busy_chances(
    carriers: Carriers, busy: Distribution, more: Mapping[float, float]
) -> Callable[[int], Floats]:
    """Return what gives each carrier the probability of a feeder busy so many pitches later.

    The law of the travel is worked out once, at points to interpolate between
    (:meth:`Distribution.shares_below`). Behind the end of a record that ends nobody comes, and all
    is 0.
    """
    # busy for longer than a sum is −busy below −sum
    below = busy.times(-1.0).shares_below()

    def chances(in_a_row: int) -> Floats:
        sums = _sums(carriers, in_a_row)
        found = np.zeros(len(carriers.record_mm))
        if len(sums):
            least, most = float(sums.min()), float(sums.max())
            low, high = (below.low_at, below.high_at)
            for by, chance in more.items():
                if by - most > high:
                    found[: len(sums)] += chance
                elif by - least > low:
                    found[: len(sums)] += chance * below(by - sums)
        return found

    return chances


def share_of_gaps_below(carriers: Carriers, travel_mm: float, *, edge_sd_mm: float) -> float:
    """Return the share of recorded gaps that end before a travel, as an eye sees their ends.

    Parameters
    ----------
    carriers : Carriers
        With a record.
    travel_mm : float
    edge_sd_mm : float
        Standard deviation of the edge that is seen.
    """
    short = travel_mm - (_pitches(carriers) - carriers.length_mm)
    if edge_sd_mm == 0.0:
        return _mean(short > 0.0)
    from scipy.special import ndtr

    return _mean(ndtr(short / edge_sd_mm))


def most_within(carriers: Carriers, travel_mm: float) -> int:
    """Return how many carriers can be on a travel (mm) at once, where they come closest."""
    if travel_mm <= 0.0:
        return 0
    edges, pitches = _arrays(carriers.record_mm, carriers.record_repeats)
    laps = math.floor(travel_mm / edges[-1]) if carriers.record_repeats else 0
    if carriers.record_repeats:
        edges = np.concatenate((edges, edges[1:] + edges[-1]))
        travel_mm -= laps * float(edges[len(pitches)])
    ends = np.searchsorted(edges, edges + travel_mm, side="left")
    most = int(np.max((ends - np.arange(len(edges)))[: max(1, len(pitches))]))
    return most + laps * len(pitches)
