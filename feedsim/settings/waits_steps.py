"""How long a feeder is busy longer than a carrier takes to come: the steps of waits.

Laws on fine even rows of places, each with its integral (elementary), from which a chain on coarser
nodes has its moves (:mod:`feedsim.settings.waits`).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from feedsim.arrays import Floats
from feedsim.arrivals.law import clipped_beyond
from feedsim.settings.queues import Queue

_FINE = 8192
_FAR = 8.0  # standard deviations beyond which a normal part is negligible


@dataclass(frozen=True, slots=True)
class StepLaw:
    """A law on a fine even row of places: its distribution function and the integral of it.

    ``rises``: by how much the integral grows from each place to the next.
    """

    places: Floats
    function: Floats
    integral: Floats
    rises: Floats

    @classmethod
    def of(cls, places: Floats, shares: Floats) -> StepLaw:
        """Return the law that has shares at places."""
        function = np.minimum(1.0, np.cumsum(shares))
        width = places[1] - places[0]
        whole = np.concatenate(([0.0], np.cumsum(function)[:-1] * width))
        # half of a place's share lies below it
        return cls(places, function - 0.5 * shares, whole, np.diff(whole))

    def below(self, x: Floats) -> Floats:
        """Return the share below each place, shape of ``x``."""
        share = np.interp(x, self.places, self.function, left=0.0, right=1.0)
        return np.asarray(share, dtype=np.float64)

    def under(self, x: Floats) -> Floats:
        """Return E[max(0, x − X)], shape of ``x``."""
        last = len(self.rises)
        found = np.clip((x - self.places[0]) / (self.places[1] - self.places[0]), 0.0, last)
        low = np.minimum(found.astype(np.intp), last - 1)
        found -= low
        found *= self.rises.take(low)
        found += self.integral.take(low)
        found += np.maximum(0.0, x - self.places[-1])
        return np.asarray(found, dtype=np.float64)


def moves(law: StepLaw, nodes: Floats) -> Floats:
    """Return the shares with which each node (row) moves to each (column) by a step of the law.

    A node's share is the mean of its tent function: second differences of E[max(0, x − X)] (any
    textbook on finite elements). Moves beyond the first or last node end there.
    """
    under = law.under(nodes[None, :] - nodes[:, None])
    slopes = np.diff(under, axis=1) / np.diff(nodes)
    found: Floats = np.empty_like(under)
    found[:, 0], found[:, -1] = slopes[:, 0], 1.0 - slopes[:, -1]
    np.subtract(slopes[:, 1:], slopes[:, :-1], out=found[:, 1:-1])
    return found


@dataclass(frozen=True, slots=True)
class Steps:
    """The changes of D to the next carrier, served or not."""

    serving: StepLaw
    passing: StepLaw
    longest_mm: float

    @classmethod
    def of(cls, queue: Queue) -> Steps:
        """Return the steps of a queue: service less pitch, and less pitch alone."""
        reach = _FAR * queue.gap_sd_mm
        gaps = (queue.least_gap_mm, queue.gap_mm - reach, queue.gap_mm + reach)
        low = queue.service_mm + max(gaps[0], gaps[1])
        high = queue.service_mm + max(gaps[0], gaps[2])
        most = high + queue.double_mm * (queue.double > 0.0)
        most += max(longer for longer, _ in queue.again)
        furthest = queue.room_mm + 2.0 * most + _FAR * queue.noise_sd_mm
        furthest += max(abs(further) for further, _ in queue.further)
        furthest = min(furthest, queue.arrival.longest_mm)
        width = float(most - low + furthest) / (_FINE - 16)
        pitch = _tents(queue.arrival.mean_beyond, start=-width, width=width)
        start = low - 2.0 * width
        normal = {"least": queue.least_gap_mm, "mean": queue.gap_mm, "sd": queue.gap_sd_mm}
        gap = _tents(
            lambda x: clipped_beyond(x - queue.service_mm, **normal), start=start, width=width
        )
        longer = _tents(lambda x: _longer_beyond(queue, x), start=-width, width=width)
        size = 2 * _FINE
        # service − pitch: the pitch reversed, so that its last place comes first
        waves = (np.fft.rfft(shares, size) for shares in (gap, longer, pitch[::-1]))
        both = np.maximum(np.fft.irfft(math.prod(waves), size)[:-1], 0.0)
        first = start - (_FINE - 1) * width
        places = first + width * np.arange(len(both), dtype=np.float64)
        back = width * (np.arange(_FINE, dtype=np.float64) - _FINE + 2.0)
        return cls(
            StepLaw.of(places, both / both.sum()),
            StepLaw.of(back, pitch[::-1] / pitch.sum()),
            most - queue.arrival.shortest_mm,
        )

    def longer(self, by_mm: float) -> Steps:
        """Return the steps if each service is so much longer."""
        serving = replace(self.serving, places=self.serving.places + by_mm)
        return Steps(serving, self.passing, self.longest_mm + by_mm)

    def highest(self, queue: Queue, noise: float) -> float:
        """Return the highest possible D."""
        latest = max(queue.room_mm, queue.corrected_mm)
        return max(queue.fine_mm, latest + noise + max(0.0, self.longest_mm))


def _tents(beyond: Callable[[Floats], Floats], *, start: float, width: float) -> Floats:
    """Return a law's shares on an even row of places, its mean kept; the last takes the rest.

    ``beyond``: x → E[max(0, X − x)], whose second differences they are (elementary).
    """
    places = start + width * np.arange(-1, _FINE + 1, dtype=np.float64)
    found: Floats = np.maximum(np.diff(beyond(places), n=2), 0.0) / width
    found[-1] += max(0.0, 1.0 - float(found.sum()))
    return found


def _longer_beyond(queue: Queue, x: Floats) -> Floats:
    """Return E[max(0, L − x)], L the extra travel for a double and passed inserts, shape of ``x``.

    A double adds anything up to d: E[max(0, U − x)] = (d − x)²/2d for 0 ≤ x ≤ d (elementary).
    """
    found: Floats = np.zeros_like(x)
    for longer, chance in queue.again:
        left = longer - x
        found += chance * (1.0 - queue.double * (queue.double_mm > 0.0)) * np.maximum(left, 0.0)
        if queue.double > 0.0 and queue.double_mm > 0.0:
            part = np.clip(left + queue.double_mm, 0.0, queue.double_mm)
            twice = part * part / (2.0 * queue.double_mm) + np.maximum(left, 0.0)
            found += chance * queue.double * twice
    return found
