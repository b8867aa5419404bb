"""Carriers laid on by hand: gaps beyond the smallest one are exponential."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from feedsim.arrays import Floats
from feedsim.arrivals.law import Arrival, RandomStream
from feedsim.probability.distribution import Distribution
from feedsim.probability.distribution_parts import normal_nodes

_NOISE_NODES, _RARE_NODES = 5, 8
_LONGEST = 30.0  # mean gaps that are practically never exceeded


@dataclass(frozen=True, slots=True)
class RandomGaps(Arrival):
    """Independent exponential gaps behind a smallest one (feedsim/MODEL.md, section 3).

    The exponential part has the mean m = pitch − shortest pitch; ``pitch_sd_mm`` has no effect.
    """

    name = "random"
    in_step = False
    steady = False

    @property
    def longest_mm(self) -> float:
        """A pitch that is practically never exceeded."""
        return self.shortest_mm + _LONGEST * (self.pitch_mm - self.shortest_mm)

    @property
    def sd_mm(self) -> float:
        """The standard deviation of the pitch, m."""
        return self.pitch_mm - self.shortest_mm

    @property
    def spread_mm(self) -> float:
        """The scale on which pitches differ."""
        return 0.2 * (self.pitch_mm - self.shortest_mm)

    def pitches(
        self, stream: RandomStream, sizes: Iterator[int], *, replication: int
    ) -> Iterator[Floats]:
        """Yield pitches (mm) in blocks of these sizes."""
        del replication
        shortest = self.shortest_mm
        for n in sizes:
            yield shortest + (self.pitch_mm - shortest) * stream.standard_exponential(n)

    def sample(self, fractions: Floats, *, again: bool = False) -> Floats:
        """Return the pitches (mm) at fractions (0…1) of the law: s − m·ln u."""
        del again
        shortest = self.shortest_mm
        found: Floats = shortest - (self.pitch_mm - shortest) * np.log(fractions)
        return found

    def share_below(self, travel_mm: float) -> float:
        """Return the share of pitches shorter than a travel: 1 − e^(−(t − s)/m)."""
        shortest = self.shortest_mm
        return -math.expm1(-max(0.0, travel_mm - shortest) / (self.pitch_mm - shortest))

    def wave(self, w: Floats) -> NDArray[np.complex128]:
        """Return E[e^(i·w·pitch)] for each w (1/mm): e^(i·w·s)/(1 − i·w·m), any text."""
        mean = self.pitch_mm - self.shortest_mm
        found: NDArray[np.complex128] = np.exp(1j * w * self.shortest_mm) / (1.0 - 1j * w * mean)
        return found

    @property
    def gap(self) -> None:
        """None: not a sum of normal and symmetric parts."""
        return None

    def share_of_gaps_below(self, travel_mm: float, *, edge_sd_mm: float) -> float:
        """Return P(X + Y < t), X exponential of mean m, Y normal about 0, t beyond the smallest.

        The integral of 1 − e^(−(t − y)/m) over the density of Y up to t:
        Φ(t/s) − e^(s²/2m² − t/m)·Φ(t/s − s/m), an exponentially modified normal law (Grushka 1972,
        Analytical Chemistry 44:1733-1738, from memory).
        """
        mean = self.pitch_mm - self.length_mm - self.min_gap_mm
        travel = travel_mm - self.min_gap_mm
        if edge_sd_mm == 0.0:
            return -math.expm1(-max(0.0, travel) / mean)
        from scipy.special import log_ndtr, ndtr

        sd = edge_sd_mm
        z = travel / sd
        beyond = math.exp(0.5 * (sd / mean) ** 2 - travel / mean + float(log_ndtr(z - sd / mean)))
        return max(0.0, float(ndtr(z)) - beyond)

    def least_gap_mm(self, sigmas: float) -> float:
        """Return the smallest gap."""
        del sigmas
        return self.min_gap_mm

    def most_within(self, travel_mm: float, sigmas: float) -> int:
        """Return how many carriers fit on a travel at their closest."""
        del sigmas
        return math.ceil(travel_mm / self.shortest_mm)

    def mean_beyond(self, x: Floats) -> Floats:
        """Return E[max(0, pitch − x)] (mm), shape of ``x``: m·e^(−(x − s)/m) beyond s."""
        s, m = self.shortest_mm, self.pitch_mm - self.shortest_mm
        above: Floats = np.where(
            x < s, s + m - x, m * np.exp(-np.maximum(x - s, 0.0) / m) if m > 0.0 else 0.0
        )
        return above

    def share_over(self, many: int, within: Distribution) -> float:
        """Return the probability that a number of pitches passes within a travel, at its mean."""
        return float(self._within(many, np.array(within.average)))

    def share_over_before(
        self, many: int, busy: Distribution, more: Mapping[float, float]
    ) -> float:
        """Return the probability that some number of pitches passes before a feeder is ready.

        Averaged over ``busy``, its rare parts by even nodes and all else, taken as normal, by
        Gauss-Hermite nodes.
        """
        usual = busy._replace(rarely=())
        places, shares = normal_nodes(_NOISE_NODES)
        travels, chances = usual.average + usual.sd * places, shares
        for share, length in busy.rarely:
            nodes = length * (np.arange(_RARE_NODES) + 0.5) / _RARE_NODES
            each = np.full(_RARE_NODES, share / _RARE_NODES)
            extra, parts = np.append(0.0, nodes), np.append(1.0 - share, each)
            travels = np.add.outer(travels, extra).ravel()
            chances = np.multiply.outer(chances, parts).ravel()
        by, parts = np.array([*more.items()]).T
        return float(chances @ self._within(many, np.add.outer(travels, by)) @ parts)

    def _within(self, many: int, travel: Floats) -> Floats:
        """Return the probability that some number of pitches passes within travels (mm).

        P(n, x/m), the regularised incomplete gamma function: a sum of n exponentials of mean m is
        gamma distributed (any textbook on queues).
        """
        from scipy.special import gammainc

        shortest = self.shortest_mm
        free = np.maximum(0.0, travel - many * shortest)
        return np.asarray(gammainc(many, free / (self.pitch_mm - shortest)), dtype=np.float64)
