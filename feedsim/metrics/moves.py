"""How chance moves the end of a stratum to another carrier.

A change at a time, or at a corner of the speed profile, comes at the carrier that is there by then:
at an earlier one if the line stopped, at another one if pitches spread.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from feedsim.arrays import Floats

Places = NDArray[np.int32]


class Moves(NamedTuple):
    """What moves the ends of one run's strata.

    ``before``, ``after``: number of the stratum on either side of each end that moves, shape (E,).
    ``by``: by how many carriers one standard deviation of each independent cause moves each end,
    towards later ones, shape (S, E).
    ``within``: these strata by number of the course's own, shape (K,); None: they are the same.
    """

    before: Places
    after: Places
    by: Floats
    within: Places | None = None

    def variance(self, off: Floats, carriers: Floats) -> float:
        """Return the variance of the sum of some values by where the ends lie, in their unit².

        ``off``: sum of each stratum's values less the mean of all, shape (K,); ``carriers``: their
        number, shape (K,). A carrier more in a stratum adds ``off/carriers`` of it, so that each
        end costs that of the stratum before it less that of the one after (derived).
        """
        off, carriers = self._own(off), self._own(carriers)
        each: Floats = np.zeros(len(off))
        np.divide(off, carriers, out=each, where=carriers > 0.0)
        moved = self.by @ (each[self.before] - each[self.after])
        return float(moved @ moved)

    def _own(self, column: Floats) -> Floats:
        """Return a column of the course's strata by number of these, as long as needed."""
        needed = int(max(self.before.max(), self.after.max())) + 1
        if self.within is None:
            return np.concatenate((column, np.zeros(max(0, needed - len(column)))))
        within = self.within[: len(column)]
        return np.asarray(np.bincount(within, column, minlength=needed), dtype=float)

    def inside(self, within: Places) -> Moves:
        """Return the same for a course with other strata, each of which lies in one of these."""
        return self._replace(within=within if self.within is None else self.within[within])
