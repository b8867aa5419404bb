"""What is asked of an arrival law, with the answers of pitches that are all but normal.

A law tells the pitches, leading edge to leading edge, of carriers of a length. A new one is a class
that says how its pitches are drawn (`pitches`) and which pitch belongs to a fraction (`sample`).
What it does not answer itself is answered as if its pitches were independent and normal, of its
mean and standard deviation, and clipped at the shortest.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Protocol

import numpy as np

from feedsim.arrays import Floats
from feedsim.probability.distribution import Distribution, clipped_at

_FAR = 9.0  # standard deviations beyond which a share is nothing
_LONGEST = 8.0  # standard deviations beyond which a normal pitch is not
_FEW = 4
_MANY = 1000
_NOTHING = 1e-12


class RandomStream(Protocol):
    """What random numbers are drawn from: a NumPy generator."""

    def standard_normal(self, size: int) -> Any:
        """Draw normal numbers of mean 0 and standard deviation 1."""

    def standard_exponential(self, size: int) -> Any:
        """Draw exponential numbers of mean 1."""


@dataclass(frozen=True, slots=True)
class Arrival(ABC):
    """How carriers of a length come.

    Attributes
    ----------
    length_mm : float
        Of a carrier.
    pitch_mm, pitch_sd_mm : float
        Mean and standard deviation of the pitch, before it is clipped.
    min_gap_mm : float
        The smallest gap between two carriers.
    """

    length_mm: float
    pitch_mm: float
    pitch_sd_mm: float = 0.0
    min_gap_mm: float = 0.0

    name = "paced"
    """Its word in a scenario."""
    in_step = True
    """Whether carriers stay in step with a pitch, so that a slow feeder serves one in so many."""
    in_order = False
    """Whether the order of the pitches tells more than their law: closed forms follow it."""

    @property
    def shortest_mm(self) -> float:
        """The shortest pitch."""
        return self.length_mm + self.min_gap_mm

    @property
    def longest_mm(self) -> float:
        """A pitch beyond which there is as good as none."""
        return max(self.shortest_mm, self.pitch_mm + _LONGEST * self.pitch_sd_mm)

    @property
    def ends_after(self) -> int:
        """After so many carriers no more come; 0: never."""
        return 0

    @property
    def steady(self) -> bool:
        """Whether all pitches are alike."""
        return self.pitch_sd_mm == 0.0

    @property
    def sd_mm(self) -> float:
        """The standard deviation of the pitch."""
        return self.pitch_sd_mm

    @property
    def spread_mm(self) -> float:
        """How finely pitches have to be told from each other."""
        return self.pitch_sd_mm

    # -- draws ---------------------------------------------------------------------------

    @abstractmethod
    def pitches(
        self, stream: RandomStream, sizes: Iterator[int], *, replication: int
    ) -> Iterator[Floats]:
        """Yield pitches (mm) in blocks of these sizes, as long as carriers come."""

    @abstractmethod
    def sample(self, fractions: Floats, *, again: bool = False) -> Floats:
        """Return the pitches (mm) that belong to fractions (0…1) of the law, as many or fewer.

        ``again``: a law that ends begins again, so that there are as many.
        """

    def whole(self, least: int) -> int:
        """Return how many pitches are a fair sample of the law, at least so many."""
        return least

    # -- shares --------------------------------------------------------------------------

    def share_below(self, travel_mm: float) -> float:
        """Return the share of pitches shorter than a travel."""
        law = clipped_at(self.shortest_mm, mean=self.pitch_mm, sd=self.pitch_sd_mm)
        return law.share_below(travel_mm)

    @property
    def gap(self) -> Distribution | None:
        """The law of the gap (mm); None where it is no sum of normal and even parts."""
        mean = self.pitch_mm - self.length_mm
        return clipped_at(self.min_gap_mm, mean=mean, sd=self.pitch_sd_mm)

    def share_of_gaps_below(self, travel_mm: float, *, edge_sd_mm: float) -> float:
        """Return the share of gaps shorter than a travel, as an eye sees their ends.

        ``edge_sd_mm``: standard deviation of the edge that is seen.
        """
        if self.gap is None or (travel_mm == 0.0 and edge_sd_mm == 0.0):
            return 0.0
        return self.gap.plus(Distribution(normal_sd=edge_sd_mm)).share_below(travel_mm)

    def least_gap_mm(self, sigmas: float) -> float:
        """Return the smallest gap to reckon with, so many standard deviations below the mean."""
        least = self.pitch_mm - self.length_mm - sigmas * self.pitch_sd_mm
        return max(least, self.min_gap_mm)

    def most_within(self, travel_mm: float, sigmas: float) -> int:
        """Return how many carriers can be on a travel at once, where they come closest."""
        shortest = max(self.shortest_mm, self.pitch_mm - sigmas * self.pitch_sd_mm)
        return math.ceil(travel_mm / shortest)

    def mean_beyond(self, x: Floats) -> Floats:
        """Return E[max(0, pitch − x)] (mm), shape of ``x``, by definition."""
        return clipped_beyond(x, least=self.shortest_mm, mean=self.pitch_mm, sd=self.pitch_sd_mm)

    # -- sums of pitches in a row --------------------------------------------------------

    def total(self, many: int) -> Distribution:
        """Return the sum (mm) of so many pitches in a row.

        Of more than a few that are clipped the sum is as good as normal (central limit theorem).
        """
        return _total(self.shortest_mm, self.pitch_mm, self.pitch_sd_mm, many)

    def share_over(self, many: int, within: Distribution) -> float:
        """Return the probability that so many pitches are over within a travel (mm)."""
        return self.total(many).plus(within.times(-1.0)).share_below(0.0)

    def share_over_before(
        self, many: int, busy: Distribution, more: Mapping[float, float]
    ) -> float:
        """Return the probability that so many pitches are over before a feeder is ready.

        ``busy``: belt travel (mm) until it is. ``more``: by how much longer (mm) a service is, with
        probabilities.
        """
        rest = busy.times(-1.0).plus(self.total(many))
        # what comes rarely, a double, may lie far beyond the spread of all
        rare = sum(abs(length) for _, length in rest.rarely)
        middle, reach = rest.average, _FAR * rest.sd + rare
        near = [by for by in more if abs(by - middle) < reach]
        below = dict(zip(near, rest.below(*near), strict=True)) if near else {}
        return sum(chance * below.get(by, float(by > middle)) for by, chance in more.items())

    def expected_over(self, chance: Callable[[int], float], first: int) -> float:
        """Return Σ chance(n) over n = first, first + 1 …, until they are nothing.

        The mean of a whole number is the sum of its tail probabilities (elementary).
        """
        total = 0.0
        for n in range(first, _MANY):
            share = chance(n)
            total += share
            if share < _NOTHING:
                break
        return total

    def share_lost(self, busy: Distribution, more: Mapping[float, float], *, come: float) -> float:
        """Return the share of carriers that find a feeder busy.

        With H the mean number of carriers that come while one is served, H/(1 + H): a renewal
        begins with each carrier that is served (Cox, Renewal Theory, 1962, from memory).

        Parameters
        ----------
        busy, more
            As in :meth:`share_over_before`.
        come : float
            Share of pitches that bring a mark.
        """
        while_busy = come * self.expected_over(lambda n: self.share_over_before(n, busy, more), 1)
        return while_busy / (1.0 + while_busy)


@lru_cache(maxsize=64)
def _total(least: float, mean: float, sd: float, many: int) -> Distribution:
    one = clipped_at(least, mean=mean, sd=sd)
    if one.clipped and many <= _FEW:
        return Distribution(many * one.mean, clipped=one.clipped * many)
    return Distribution(many * one.average, math.sqrt(many) * one.sd)


def clipped_beyond(x: Floats, *, least: float, mean: float, sd: float) -> Floats:
    """Return E[max(0, X − x)] of a normal law clipped at the least, shape of ``x``.

    (m − x)·Φ(z) + s·φ(z), z = (m − x)/s, above the least: any text on limited dependent variables.
    """

    def normal(y: Floats) -> Floats:
        if sd == 0.0:
            return np.maximum(mean - y, 0.0)
        from scipy.special import ndtr

        left: Floats = np.asarray(mean - y, dtype=np.float64)
        found: Floats = np.maximum(left, 0.0)
        near = np.abs(left) < _FAR * sd
        z = left[near] / sd
        density = np.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi)
        found[near] = left[near] * ndtr(z) + sd * density
        return found

    return normal(np.maximum(x, least)) + np.maximum(least - x, 0.0)
