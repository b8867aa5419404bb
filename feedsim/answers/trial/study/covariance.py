"""How sure a line through a trial is, and whether it is straight."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from feedsim.metrics.fits import LinearFit, lack_of_fit
from feedsim.metrics.serial import mean_inflation, tapered

__all__ = ["covariance_of"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

_NOT_STRAIGHT = 0.05
Sure = tuple[Floats, float, float | None]


def covariance_of(fit: LinearFit, groups: Ints, alike: Ints, *, process: float) -> Sure:
    """Return covariance, degrees of freedom, and the probability that the line is straight.

    Parameters
    ----------
    fit : LinearFit
    groups : int array, shape (n,)
        Number of the speed of each value.
    alike : int array, shape (n,)
        Number of the group within which a value hangs together with the one before.
    process : float
        By what coefficient, φ, of a first-order autoregression, 0 or more.

    Returns
    -------
    covariance : float64 array, shape (p, p)
    dof : float
    straight : float or None
        Probability of means so far from the line if it is straight; None where that cannot be
        told.

    Notes
    -----
    Of independent values it is that of the fit. Where the means of the speeds lie off the line
    by more than the spread explains (5 %), the covariance is taken from how they lie, which is
    wider and has fewer degrees of freedom.

    Else it is rows·V·rowsᵀ, V the covariance of the autoregression within each group. Its
    variance is the sum of squares within the groups over Σ(n − d), d = n·var(mean)/σ², which is
    what the sum has on average; its degrees of freedom are n·(1 − φ²)/(3 + φ²), those of a
    long-run variance σ²·(1 + φ)/(1 − φ) of which both factors are estimated: s² has a relative
    variance of 2·(1 + φ²)/((1 − φ²)·n) (Bayley & Hammersley 1946), φ a variance of (1 − φ²)/n.
    """
    if process > 0.0:
        return _dependent(fit, groups, alike, process)
    lack = lack_of_fit(fit, groups)
    if lack is None:
        return fit.covariance, fit.dof, None
    if lack.probability >= _NOT_STRAIGHT:
        return fit.covariance, fit.dof, lack.probability
    return fit.covariance * (lack.mean_square / fit.residual_sd**2), lack.dof, lack.probability


def _dependent(fit: LinearFit, groups: Ints, alike: Ints, process: float) -> Sure:
    from scipy.special import fdtrc

    w, n = fit.weights, len(fit.weights)
    sizes = np.bincount(alike)
    inflation = np.array([mean_inflation(float(size), process) for size in sizes])
    means = np.bincount(alike, w * fit.residuals) / np.bincount(alike, w)
    pure = float(np.sum(w * (fit.residuals - means[alike]) ** 2))
    variance = pure / max(float(np.sum(sizes - inflation)), 0.25 * n)
    covariance = variance * tapered(fit.rows, 1.0 / np.sqrt(w), alike, process)
    dof = max(1.0, n * (1.0 - process**2) / (3.0 + process**2))
    lack = lack_of_fit(fit, groups)
    if lack is None:
        return covariance, dof, None
    each = float(np.sum(sizes * inflation)) / n  # what chance alone has the means lie off by
    straight = float(fdtrc(lack.dof, dof, lack.mean_square / (variance * each)))
    if straight >= _NOT_STRAIGHT:
        return covariance, dof, straight
    return fit.covariance * (lack.mean_square / fit.residual_sd**2), lack.dof, straight
