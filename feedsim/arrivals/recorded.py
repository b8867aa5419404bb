"""Carriers that come as recorded on a line; shares are counted in the record itself.

Unlike a normal curve of its mean and spread, the record has bunches, drift and the one carrier
that came too close, in their order.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from feedsim.arrays import Bools, Floats
from feedsim.arrivals.law import Arrival, RandomStream
from feedsim.probability.distribution import Distribution
from feedsim.probability.distribution_parts import merged

_MOST_IN_A_ROW = 1000
_MANY = 0.5
_BUNCHES = 64
_NOTHING = 1e-12
_WHOLE = 2**64
_GOLDEN = 11400714819323198485  # nearest odd number to _WHOLE/1.6180339887…


@dataclass(frozen=True, slots=True)
class Recorded(Arrival):
    """The pitches of a record, one after the other.

    Attributes
    ----------
    pitch_mm, pitch_sd_mm, min_gap_mm : float
        The record's own mean, sample standard deviation and smallest gap.
    record_mm : tuple of float
        The pitches.
    repeats : bool
        Whether the record starts again after its last pitch; else no carrier comes after it.
    """

    record_mm: tuple[float, ...] = ()
    repeats: bool = True

    name = "recorded"
    in_order = True

    @property
    def ends_after(self) -> int:
        """Number of carriers after which no more come; 0: endless."""
        return 0 if self.repeats else len(self.record_mm)

    # -- draws ---------------------------------------------------------------------------

    def pitches(
        self, stream: RandomStream, sizes: Iterator[int], *, replication: int
    ) -> Iterator[Floats]:
        """Yield pitches (mm) in blocks, from where this replication begins in the record."""
        del stream
        record = np.array(self.record_mm)
        place = record_start(len(record), replication) if self.repeats else 0
        for n in sizes:
            places = np.arange(place, place + n)
            pitch = record[places % len(record) if self.repeats else places[places < len(record)]]
            if not len(pitch):
                return
            place += n
            yield pitch

    def sample(self, fractions: Floats, *, again: bool = False) -> Floats:
        """Return whole laps of the record (mm), as many pitches as fractions or fewer."""
        most, count = len(fractions), len(self.record_mm)
        laps = most // count if again or self.repeats else 1
        return np.tile(np.array(self.record_mm), max(1, laps))[:most]

    def whole(self, least: int) -> int:
        """Return the number of pitches in whole laps, at least ``least``."""
        count = len(self.record_mm)
        return math.ceil(least / count) * count

    # -- shares --------------------------------------------------------------------------

    def wave(self, w: Floats) -> NDArray[np.complex128]:
        """Return the mean of e^(i·w·pitch) over the record for each w (1/mm), by definition.

        Pitches closer than a 64th of their range are put together at their mean.
        """
        places, shares = _bunched(self.record_mm)
        found: NDArray[np.complex128] = np.exp(1j * np.outer(w, places)) @ shares
        return found

    def share_below(self, travel_mm: float) -> float:
        """Return the share of recorded carriers less than a travel behind the one before."""
        return _mean(self._pitches < travel_mm)

    @property
    def gap(self) -> None:
        """None: not a sum of normal and symmetric parts."""
        return None

    def share_of_gaps_below(self, travel_mm: float, *, edge_sd_mm: float) -> float:
        """Return the share of recorded gaps shorter than a travel, as an eye sees their ends."""
        if travel_mm == 0.0:
            return 0.0
        short = travel_mm - (self._pitches - self.length_mm)
        if edge_sd_mm == 0.0:
            return _mean(short > 0.0)
        from scipy.special import ndtr

        return _mean(ndtr(short / edge_sd_mm))

    def least_gap_mm(self, sigmas: float) -> float:
        """Return the smallest gap of the record."""
        del sigmas
        return self.min_gap_mm

    def most_within(self, travel_mm: float, sigmas: float) -> int:
        """Return how many carriers are on a travel at their closest."""
        del sigmas
        if travel_mm <= 0.0:
            return 0
        edges, pitches = _arrays(self.record_mm, self.repeats)
        laps = math.floor(travel_mm / edges[-1]) if self.repeats else 0
        if self.repeats:
            edges = np.concatenate((edges, edges[1:] + edges[-1]))
            travel_mm -= laps * float(edges[len(pitches)])
        ends = np.searchsorted(edges, edges + travel_mm, side="left")
        most = int(np.max((ends - np.arange(len(edges)))[: max(1, len(pitches))]))
        return most + laps * len(pitches)

    @property
    def _pitches(self) -> Floats:
        return _arrays(self.record_mm, self.repeats)[1]

    # -- pitches in a row ----------------------------------------------------------------

    def share_lost(self, busy: Distribution, more: Mapping[float, float], *, come: float) -> float:
        """Return the share of recorded carriers that find a feeder busy.

        With b_m(k) the probability that a feeder which serves carrier k is still busy m pitches
        later, carrier k is served with probability
        s_k = Σ s_(k−m)·(b_(m−1)(k−m) − b_m(k−m)) over m from 1, b_0 = 1: it is the first after
        k − m for which the feeder is ready (derived here). The lost share is 1 − the mean of s_k
        over the record, or over the second lap of a repeated one. If more than half a carrier comes
        during a service on average, it is that number over 1 + that number, as for pitches in
        random order.
        """
        del come
        count = len(self.record_mm)
        chances_of = self._busy_chances(busy, more)
        chances, while_busy = [np.ones(count)], 0.0
        while len(chances) <= _MOST_IN_A_ROW:
            chances.append(chances_of(len(chances)))
            while_busy += float(chances[-1].mean())
            if chances[-1].max() < _NOTHING:
                break
        if while_busy == 0.0 or while_busy > _MANY:
            return while_busy / (1.0 + while_busy)
        return max(0.0, 1.0 - float(_served(chances, repeats=self.repeats).mean()))

    def _busy_chances(
        self, busy: Distribution, more: Mapping[float, float]
    ) -> Callable[[int], Floats]:
        """Return a function: number of pitches → probability of still being busy, per carrier.

        The law of the travel is computed once, at points to interpolate between
        (:meth:`Distribution.shares_below`). It is 0 beyond the end of a record that ends.
        """
        # busy for longer than a sum is −busy below −sum
        below = busy.times(-1.0).shares_below()

        def chances(in_a_row: int) -> Floats:
            sums = self._sums(in_a_row)
            found = np.zeros(len(self.record_mm))
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

    def _sums(self, in_a_row: int) -> Floats:
        """Return the sums (mm) of some successive pitches, for each possible start."""
        edges, pitches = _arrays(self.record_mm, self.repeats)
        starts, ends = edges[:-in_a_row], edges[in_a_row:]
        if self.repeats:
            laps, rest = divmod(in_a_row, len(pitches))
            total = float(edges[-1])
            starts = edges[:-1]
            ends = np.concatenate((starts, starts + total))[rest : rest + len(pitches)]
            ends = ends + laps * total
        sums: Floats = ends - starts
        return sums


@lru_cache(maxsize=8)
def _arrays(record_mm: tuple[float, ...], repeats: bool) -> tuple[Floats, Floats]:
    """Return leading edges, the first at 0, and the pitch behind each.

    The first pitch of a record that ends is not between two carriers and is left out.
    """
    pitches = np.array(record_mm if repeats else record_mm[1:])
    edges = np.concatenate(([0.0], np.cumsum(pitches)))
    pitches.flags.writeable = edges.flags.writeable = False
    return edges, pitches


def _mean(values: Floats | Bools) -> float:
    return float(np.mean(values)) if len(values) else 0.0


def _served(chances: Sequence[Floats], *, repeats: bool) -> Floats:
    """Return the probability of service of each carrier of the (last) lap (a banded triangle).

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


def record_start(length: int, replication: int) -> int:
    """Return the pitch of a repeated record (from 0) at which a replication begins.

    In steps of the golden section of its ``length``, in whole numbers: the first at its beginning,
    any number of them spread over all of it.
    """
    return (replication * _GOLDEN % _WHOLE) * length // _WHOLE


@lru_cache(maxsize=16)
def _bunched(record_mm: tuple[float, ...]) -> tuple[Floats, Floats]:
    """Return a few pitches that stand for all of a record (mm), and the share of each."""
    record = np.array(record_mm)
    few = merged(record, np.full(len(record), 1.0 / len(record)), most=_BUNCHES)
    return np.array(list(few)), np.array(list(few.values()))
