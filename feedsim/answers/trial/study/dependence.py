"""Whether the cards of a trial are independent of their neighbours, in the order of the rows."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from feedsim.metrics.serial import LagOne, Runs, lag_one, runs_test

__all__ = ["Dependence", "dependence_of"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

_SURE = 0.05
_LOOSE = 0.2


@dataclass(frozen=True, slots=True)
class Dependence:
    """How values of one kind hang together with the one before, at one speed each.

    Attributes
    ----------
    lag_one : LagOne
    runs : Runs or None
    process : float
        Coefficient φ of the first-order autoregression that intervals are taken for; 0 where the
        values are taken as independent.
    """

    lag_one: LagOne
    runs: Runs | None
    process: float

    @property
    def of_means(self) -> float:
        """The coefficient for which means are less sure: never below 0."""
        return max(0.0, self.process)

    @property
    def chance(self) -> float:
        """The smaller probability of the two tests."""
        return min(self.lag_one.chance, 1.0 if self.runs is None else self.runs.chance)

    @property
    def sure(self) -> bool:
        """Whether the values are not independent, at 5 % of each test."""
        return self.chance < _SURE


def dependence_of(unit: Floats, groups: Ints) -> Dependence | None:
    """Test values for independence.

    Parameters
    ----------
    unit : float64 array, shape (n,)
        Each value less the mean of its speed, over the spread there, in the order of the rows.
    groups : int array, shape (n,)
        Number of each value's speed, from 0, none empty.

    Returns
    -------
    Dependence or None
        None where too few values follow each other to tell.

    Notes
    -----
    Neighbours that are alike count from a probability of 20 % of either test, not only from 5 %:
    what a test overlooks in a short trial would cost coverage (of a φ of 0.2 that is in 10 cards
    at each of 4 speeds, 92 % are covered with 5 %, 94 % with 20 %). Neighbours that are unlike make
    spreads less sure; intervals of means are left as they are, since chance alone must not make
    one narrow.
    """
    lag = lag_one(unit, groups)
    if lag is None:
        return None
    found = Dependence(lag, runs_test(unit, groups), lag.process)
    return found if found.chance < _LOOSE else replace(found, process=0.0)
