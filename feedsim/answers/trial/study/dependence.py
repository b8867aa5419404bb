"""Whether each card of a trial depends on the one before, and how sure a line then is."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from feedsim.arrays import Floats, Places
from feedsim.metrics.fits import LinearFit, lack_of_fit, squares_within
from feedsim.metrics.serial import (
    LagOne,
    Runs,
    dof_of_estimated,
    lag_one,
    mean_inflation,
    runs_test,
    tapered,
)

_SURE = 0.05
_LOOSE = 0.2
_NOT_STRAIGHT = 0.05


@dataclass(frozen=True, slots=True)
class Dependence:
    """How values of one kind depend on the one before, at the same speed.

    ``process``: coefficient φ of the first-order autoregression that intervals assume; 0:
    independent.
    """

    lag_one: LagOne
    runs: Runs | None
    process: float

    @property
    def of_means(self) -> float:
        """The coefficient that widens the intervals of means: never below 0."""
        return max(0.0, self.process)

    @property
    def chance(self) -> float:
        """The smaller probability of the two tests."""
        return min(self.lag_one.chance, 1.0 if self.runs is None else self.runs.chance)

    @property
    def sure(self) -> bool:
        """Whether a test refutes independence at 5 %."""
        return self.chance < _SURE


def dependence_of(unit: Floats, groups: Places) -> Dependence | None:
    """Test values for independence; None if too few values follow each other.

    ``unit``, float64 of shape (n,): each value less the mean of its speed, over the spread there,
    in the order of the rows; ``groups``, int of shape (n,): number of its speed, from 0, none
    empty.

    Similar neighbours count from a probability of 20 % of either test, not only from 5 %: what a
    test overlooks in a short trial would cost coverage (with φ = 0.2 in 10 cards at each of 4
    speeds, intervals cover 92 % with 5 %, 94 % with 20 %). Dissimilar neighbours make spreads less
    sure; intervals of means stay, since chance alone must not make one narrow.
    """
    lag = lag_one(unit, groups)
    if lag is None:
        return None
    found = Dependence(lag, runs_test(unit, groups), lag.process)
    return found if found.chance < _LOOSE else replace(found, process=0.0)


def covariance_of(
    fit: LinearFit, groups: Places, alike: Places, *, process: float
) -> tuple[Floats, float, float | None]:
    """Return covariance, degrees of freedom, and the probability that a line is straight.

    The last is None if not testable. ``groups``, ``alike``: the number of each value's speed, and
    of the group within which it depends on the one before, shape (n,), by the coefficient φ
    (``process``, 0 or more) of a first-order autoregression.

    For independent values it is that of the fit. If the means of the speeds lie off the line by
    more than the spread explains (5 %), the covariance comes from these deviations, which is wider
    and has fewer degrees of freedom.

    Else it is P·V·Pᵀ, P the pseudo-inverse of the fit, V the covariance of the autoregression
    within each group. Its variance is the sum of squares within the groups over its mean in units
    of σ², Σ(n − d), d from :func:`feedsim.metrics.serial.mean_inflation`; its degrees of freedom
    are :func:`feedsim.metrics.serial.dof_of_estimated`.
    """
    from scipy.special import fdtrc

    lack = lack_of_fit(fit, groups)
    covariance, dof = fit.covariance, fit.dof
    straight = None if lack is None else lack.probability
    if process > 0.0:
        covariance, dof, chance_mm2 = _dependent(fit, alike, process)
        if lack is not None:
            straight = float(fdtrc(lack.dof, dof, lack.mean_square / chance_mm2))
    if lack is None or straight is None or straight >= _NOT_STRAIGHT:
        return covariance, dof, straight
    return fit.covariance * (lack.mean_square / fit.residual_sd**2), lack.dof, straight


def _dependent(fit: LinearFit, alike: Places, process: float) -> tuple[Floats, float, float]:
    """Return covariance, degrees of freedom, and chance variance of means about a line (mm²)."""
    w, n = fit.weights, len(fit.weights)
    sizes = np.bincount(alike)
    inflation = np.array([mean_inflation(float(size), process) for size in sizes])
    pure = squares_within(fit, alike)
    variance = pure / max(float(np.sum(sizes - inflation)), 0.25 * n)
    covariance = variance * tapered(fit.pseudo_inverse, 1.0 / np.sqrt(w), alike, process)
    dof = max(1.0, dof_of_estimated(n, process))
    return covariance, dof, variance * (float(np.sum(sizes * inflation)) / n)
