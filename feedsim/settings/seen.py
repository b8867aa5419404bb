"""A fixed stream of carriers as the carrier eye sees them, and which of them merge.

Carriers are drawn with fixed fractions from their law, or are those of the record. They merge with
the card ahead by feedsim/MODEL.md, section 4: a polled eye looks at scans, which lie at known
places of the stream; their phase moves once around over the whole of it.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from feedsim.arrays import Floats, Places
from feedsim.machine import Carriers

STREAM = 10_000
_PRIME = np.uint64(2**31 - 1)


class Seen(NamedTuple):
    """Columns of the carriers that the eye does not miss; shape (carriers,).

    ``place``: the pitch of the stream that brings it. ``lap``: how often the record has restarted
    by then, with the feeder at rest. ``edge``, ``at``: leading edge, and where the eye sees it.
    ``behind``: distance of the latter from the previous tail. ``sooner``: how much sooner a mark is
    known, or the one before acted on, in standard deviations. ``jitter``: of the eye, −1 to 1.
    """

    place: Places
    lap: Places
    edge: Floats
    at: Floats
    behind: Floats
    sooner: Floats
    jitter: Floats


class Gap(NamedTuple):
    """What the eye needs between two carriers (mm of belt travel).

    ``off_mm``, ``on_mm``: from a tail and from a seen edge to where the output switches; the latter
    plus or minus up to ``jitter_mm``. ``filter_mm``: for how long a level must last.
    ``scan_mm``: from one scan of a polled eye to the next, else 0.
    """

    off_mm: float
    on_mm: float = 0.0
    jitter_mm: float = 0.0
    filter_mm: float = 0.0
    scan_mm: float = 0.0

    def shows(self, seen: Seen) -> NDArray[np.bool_]:
        """Return which carriers do not merge with the one ahead (feedsim/MODEL.md, section 4)."""
        apart = seen.behind >= self.off_mm
        if self.filter_mm > 0.0 or self.scan_mm > 0.0:
            late = self.on_mm + self.jitter_mm * seen.jitter
            lasts = seen.behind + late - self.off_mm
            apart &= lasts >= self.filter_mm
        if self.scan_mm > 0.0:
            phase = np.linspace(0.0, 1.0, len(late), endpoint=False)
            on = (seen.at + late) / self.scan_mm + phase
            apart &= np.ceil(on - lasts / self.scan_mm) < np.ceil(on)
        return apart


NONE_MERGE = Gap(-math.inf)


@lru_cache(maxsize=8)
def carriers_seen(carriers: Carriers, seen: float, edge_sd_mm: float) -> Seen:
    """Return the carriers that come and that the eye does not miss, a share ``seen`` of them."""
    from scipy.special import ndtri

    arrival = carriers.arrival
    # rows 5 to 8 are for services
    chances = fractions(10 * arrival.whole(STREAM)).reshape(10, -1)
    place = np.flatnonzero((chances[1] >= carriers.missing) & (chances[2] < seen))
    once = arrival.ends_after
    lap = place // once if once else np.zeros_like(place)
    edge = np.cumsum(arrival.sample(chances[0], again=True))[place]
    at = edge + edge_sd_mm * ndtri(chances[3][place])
    behind = at.copy()
    behind[1:] -= edge[:-1] + carriers.length_mm
    behind[np.flatnonzero(np.diff(lap, prepend=-1))] = math.inf
    sooner, jitter = ndtri(chances[4][place]), 2.0 * chances[9][place] - 1.0
    return Seen(place, lap, edge, at, behind, sooner, jitter)


@lru_cache(maxsize=8)
def fractions(count: int) -> Floats:
    """Return a fixed sequence of fractions that look random: x ← 48271·x mod 2³¹ − 1.

    Park, Miller and Stockmeyer, Communications of the ACM 36:108-110, 1993 (from memory).
    """
    found = np.array([48271], dtype=np.uint64)
    while len(found) < count:
        # double it at a time: x_(k+n) = 48271ⁿ·x_k, and x_n is 48271ⁿ
        found = np.concatenate((found, found * found[-1] % _PRIME))
    fractions = found[:count] / float(_PRIME)
    fractions.flags.writeable = False
    return fractions
