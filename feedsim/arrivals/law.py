"""The base class of arrival laws, with defaults for nearly normal pitches.

A law describes the pitches, leading edge to leading edge, of carriers of a length. A new one is a
class that draws pitches (`pitches`) and maps fractions to them (`sample`). By default everything
else takes pitches as independent and normal, with the law's mean and standard deviation, clipped at
the shortest.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from feedsim.arrays import Floats
from feedsim.probability.distribution import Distribution, clipped_at
from feedsim.probability.normal import normal_wave, positive_mean

_FAR = 9.0  # standard deviations beyond which a share is negligible
_LONGEST = 8.0  # standard deviations that a normal pitch never exceeds
_FEW = 4
_MANY = 1000
_NOTHING = 1e-12


class RandomStream(Protocol):
    """A source of random numbers: a NumPy generator."""

    def standard_normal(self, size: int) -> Any:
        """Draw normal numbers of mean 0 and standard deviation 1."""

    def standard_exponential(self, size: int) -> Any:
        """Draw exponential numbers of mean 1."""


@dataclass(frozen=True, slots=True)
class Arrival(ABC):
    """How carriers of a length arrive.

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
    """Its name in a scenario."""
    in_step = True
    """Whether carriers stay in step with a pitch, so a slow feeder serves every n-th."""
    in_order = False
    """Whether the order of the pitches matters: closed forms then follow it."""

    @property
    def shortest_mm(self) -> float:
        """The shortest pitch."""
        return self.length_mm + self.min_gap_mm

    @property
    def longest_mm(self) -> float:
        """A pitch that is practically never exceeded."""
        return max(self.shortest_mm, self.pitch_mm + _LONGEST * self.pitch_sd_mm)

    @property
    def ends_after(self) -> int:
        """Number of carriers after which no more come; 0: endless."""
        return 0

    @property
    def steady(self) -> bool:
        """Whether all pitches are equal."""
        return self.pitch_sd_mm == 0.0

    @property
    def sd_mm(self) -> float:
        """The standard deviation of the pitch."""
        return self.pitch_sd_mm

    @property
    def spread_mm(self) -> float:
        """The scale on which pitches differ."""
        return self.pitch_sd_mm

    # -- draws ---------------------------------------------------------------------------

    @abstractmethod
    def pitches(
        self, stream: RandomStream, sizes: Iterator[int], *, replication: int
    ) -> Iterator[Floats]:
        """Yield pitches (mm) in blocks of these sizes, as long as carriers come."""

    @abstractmethod
    def sample(self, fractions: Floats, *, again: bool = False) -> Floats:
        """Return the pitches (mm) at fractions (0…1) of the law, as many or fewer.

        ``again``: a law that ends starts again, so there are as many.
        """

    def whole(self, least: int) -> int:
        """Return a number of pitches, at least ``least``, that sample the law fairly."""
        return least

    # -- shares --------------------------------------------------------------------------

    def share_below(self, travel_mm: float) -> float:
        """Return the share of pitches shorter than a travel."""
        law = clipped_at(self.shortest_mm, mean=self.pitch_mm, sd=self.pitch_sd_mm)
        return law.share_below(travel_mm)

    def wave(self, w: Floats) -> NDArray[np.complex128]:
        """Return E[e^(i·w·pitch)] for each w (1/mm), shape of ``w``; no pitch being clipped.

        The normal law's characteristic function, e^(i·w·m − w²·s²/2): any text on probability.
        """
        return normal_wave(w, mean=self.pitch_mm, sd=self.pitch_sd_mm)

    @property
    def gap(self) -> Distribution | None:
        """The law of the gap (mm); None if it is not a sum of normal and symmetric parts."""
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
        """Return the smallest gap to expect, ``sigmas`` standard deviations below the mean."""
        least = self.pitch_mm - self.length_mm - sigmas * self.pitch_sd_mm
        return max(least, self.min_gap_mm)

    def most_within(self, travel_mm: float, sigmas: float) -> int:
        """Return how many carriers fit on a travel at their closest."""
        shortest = max(self.shortest_mm, self.pitch_mm - sigmas * self.pitch_sd_mm)
        return math.ceil(travel_mm / shortest)

    def mean_beyond(self, x: Floats) -> Floats:
        """Return E[max(0, pitch − x)] (mm), shape of ``x``, by definition."""
        return clipped_beyond(x, least=self.shortest_mm, mean=self.pitch_mm, sd=self.pitch_sd_mm)

    # -- sums of pitches in a row --------------------------------------------------------

    def total(self, many: int) -> Distribution:
        """Return the sum (mm) of successive pitches.

        That of more than a few clipped ones is practically normal (central limit theorem).
        """
        return _total(self.shortest_mm, self.pitch_mm, self.pitch_sd_mm, many)

    def share_over(self, many: int, within: Distribution) -> float:
        """Return the probability that some number of pitches passes within a travel (mm)."""
        return self.total(many).plus(within.times(-1.0)).share_below(0.0)

    def share_over_before(
        self, many: int, busy: Distribution, more: Mapping[float, float]
    ) -> float:
        """Return the probability that some number of pitches passes before a feeder is ready.

        ``busy``: belt travel (mm) until it is. ``more``: extra travels of a service (mm), with
        probabilities.
        """
        rest = busy.times(-1.0).plus(self.total(many))
        # a rare part, such as a double, may lie far beyond the spread
        rare = sum(abs(length) for _, length in rest.rarely)
        middle, reach = rest.average, _FAR * rest.sd + rare
        near = [by for by in more if abs(by - middle) < reach]
        below = dict(zip(near, rest.below(*near), strict=True)) if near else {}
        return sum(chance * below.get(by, float(by > middle)) for by, chance in more.items())

    def expected_over(self, chance: Callable[[int], float], first: int) -> float:
        """Return Σ chance(n) over n = first, first + 1 …, until chances vanish.

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
        begins with each carrier served (Cox, Renewal Theory, 1962, from memory).

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

    Above the least :func:`feedsim.probability.normal.positive_mean` of m − x (elementary).
    """

    def normal(y: Floats) -> Floats:
        if sd == 0.0:
            return np.maximum(mean - y, 0.0)
        left: Floats = np.asarray(mean - y, dtype=np.float64)
        found: Floats = np.maximum(left, 0.0)
        near = np.abs(left) < _FAR * sd
        found[near] = positive_mean(left[near], sd)
        return found

    return normal(np.maximum(x, least)) + np.maximum(least - x, 0.0)
