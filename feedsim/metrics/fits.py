"""Weighted least squares with its covariance, whether a line is straight, and outliers."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from feedsim.arrays import Floats, Places
from feedsim.metrics.student import student_quantile


@dataclass(frozen=True, slots=True)
class LinearFit:
    """Coefficients of a linear model, fitted by weighted least squares.

    Attributes
    ----------
    coefficients : float64 array, shape (p,)
        Units of y over the units of the columns of the design.
    covariance : float64 array, shape (p, p)
        Of the coefficients, scaled by the residual variance.
    residuals : float64 array, shape (n,)
        y minus the fitted values, not weighted.
    weights : float64 array, shape (n,)
    pseudo_inverse : float64 array, shape (p, n)
        Weights of the values in each coefficient: coefficients = pseudo_inverse · y
        (any textbook on least squares).
    dof : float
        Degrees of freedom of the residual variance, n − p.
    """

    coefficients: Floats
    covariance: Floats
    residuals: Floats
    weights: Floats
    pseudo_inverse: Floats
    dof: float

    @property
    def residual_sd(self) -> float:
        """Root of the weighted residual sum of squares over its degrees of freedom."""
        return math.sqrt(self.weighted_squares / self.dof)

    @property
    def weighted_squares(self) -> float:
        """Sum of weight · residual², which the fit minimises (any text on regression)."""
        return float(np.sum(self.weights * self.residuals**2))

    @property
    def sds(self) -> Floats:
        """Standard deviations of the coefficients, shape (p,)."""
        return np.asarray(np.sqrt(np.diag(self.covariance)), dtype=np.float64)


def weighted_fit(design: Floats, y: Floats, *, weights: Floats | None = None) -> LinearFit:
    """Fit y = design · coefficients by weighted least squares.

    ``design``: shape (n, p), n > p; a column of ones makes an intercept. ``y``: finite, shape (n,).
    ``weights``: above 0, shape (n,), proportional to 1/sd² for values of unequal spread; equal by
    default. Raises ValueError if there are not more values than columns, or the columns do not span
    the space.

    With W the diagonal of the weights, s² the weighted residual sum of squares over n − p ::

        b = (XᵀWX)⁻¹·XᵀWy        cov(b) = s²·(XᵀWX)⁻¹

    by a QR decomposition of √W·X. To lose almost no digits, its columns are scaled to unit length
    and, if the first one is constant, the others are centred. Any text on regression; checked
    against the certified values of NIST StRD in ``tests/published/test_fits_nist.py``.
    """
    n, p = design.shape
    if n <= p:
        msg = f"{p} coefficients need more than {n} values"
        raise ValueError(msg)
    w = np.ones(n) if weights is None else weights
    root = np.sqrt(w)
    centred, back = _centred(design, w)
    scaled = centred * root[:, None]
    sizes = np.linalg.norm(scaled, axis=0)
    if not np.all(sizes > 1e-12 * np.linalg.norm(design * root[:, None], axis=0)):
        msg = "a column of the design is a multiple of another"
        raise ValueError(msg)
    q, r = np.linalg.qr(scaled / sizes)
    if not np.all(np.abs(np.diag(r)) > 1e-12):
        msg = "the columns of the design depend on each other"
        raise ValueError(msg)
    inverse = np.linalg.inv(r) / sizes[:, None]
    pseudo_inverse = (inverse @ q.T) * root
    found = pseudo_inverse @ y
    found += pseudo_inverse @ (y - centred @ found)  # one step of refinement
    residuals = y - centred @ found
    inverse, pseudo_inverse = back @ inverse, back @ pseudo_inverse
    variance = float(np.sum(w * residuals**2)) / (n - p)
    return LinearFit(
        coefficients=back @ found,
        covariance=variance * (inverse @ inverse.T),
        residuals=residuals,
        weights=w,
        pseudo_inverse=pseudo_inverse,
        dof=float(n - p),
    )


def straight_line(x: Floats, y: Floats) -> LinearFit:
    """Fit a height and a slope to y over x, shape (n,) each (:func:`weighted_fit`)."""
    return weighted_fit(np.column_stack([np.ones_like(x), x]), y)


def known_covariance(design: Floats, sds: Floats) -> Floats:
    """Return the covariance of coefficients fitted to values of known standard deviations.

    ``design``: as in :func:`weighted_fit`; ``sds``: above 0, shape (n,), in the unit of the values.
    (XᵀWX)⁻¹ with the weights 1/sd², not scaled by the residuals (any text on regression).
    """
    weighted = design / sds[:, None]
    return np.asarray(np.linalg.inv(weighted.T @ weighted))


def _centred(design: Floats, w: Floats) -> tuple[Floats, Floats]:
    """Centre the columns after a constant one; return them and the matrix that undoes it."""
    back = np.eye(design.shape[1])
    first = design[:, 0]
    if first[0] == 0.0 or not np.all(first == first[0]):
        return design, back
    centred = design.copy()
    means = np.asarray(np.average(design[:, 1:], axis=0, weights=w))
    centred[:, 1:] -= means
    back[0, 1:] = -means / first[0]
    return centred, back


class LackOfFit(NamedTuple):
    """Whether the means of groups lie on a model.

    ``ratio``: F; ``probability``: of an F at least this large if the model holds. ``dof`` and
    ``mean_square``: of the group means about the model.
    """

    ratio: float
    probability: float
    dof: float
    mean_square: float


def lack_of_fit(fit: LinearFit, groups: Places) -> LackOfFit | None:
    """Test whether the means of groups fit the model as well as their spread allows.

    ``groups``: of each value, from 0, shape (n,); a group shares all settings. None without more
    groups than coefficients, or if no group has two different values.

    F = [(SS − SSw)/(k − p)]/[SSw/(n − k)], SS the weighted residual sum of squares, SSw that
    within k groups. Any text on regression (Draper & Smith, Applied Regression Analysis, from
    memory).
    """
    from scipy.special import fdtrc

    count = int(groups.max()) + 1
    more = count - len(fit.coefficients)
    within = len(groups) - count
    if more < 1 or within < 1:
        return None
    pure = squares_within(fit, groups)
    if pure <= 1e-24 * float(np.sum(fit.weights)):
        return None
    square = max(0.0, fit.weighted_squares - pure) / more
    ratio = square / (pure / within)
    return LackOfFit(ratio, float(fdtrc(more, within, ratio)), float(more), square)


def squares_within(fit: LinearFit, groups: Places) -> float:
    """Return the weighted sum of squares of residuals about the mean of their group."""
    w = fit.weights
    means = np.bincount(groups, w * fit.residuals) / np.bincount(groups, w)
    return float(np.sum(w * (fit.residuals - means[groups]) ** 2))


def nothing_there(values: Floats, covariance: Floats, *, dof: float) -> float:
    """Return the probability of estimates at least this far from 0 if all true values are 0.

    F = bᵀ·cov⁻¹·b/p with p and ``dof`` degrees of freedom (Hotelling; any text), ``values`` b of
    shape (p,), ``covariance`` of shape (p, p).
    """
    from scipy.special import fdtrc

    scale = np.sqrt(np.diag(covariance))
    if not np.all(scale > 0.0):
        return 1.0 if np.all(values == 0.0) else 0.0
    unit = values / scale
    ratio = float(unit @ np.linalg.solve(covariance / np.outer(scale, scale), unit)) / len(values)
    return float(fdtrc(len(values), dof, ratio))


def far_out(values: Floats, *, most: int, significance: float = 0.05) -> list[int]:
    """Return the places of outliers in a normal sample, shape (n,), the farthest first.

    ``most``: largest number of them to find. ``significance``: probability of finding any in a
    sample without outliers.

    The generalized extreme studentized deviate test removes the value farthest from the mean,
    ``most`` times. With n_i values left before the i-th, α the significance and t the quantile
    1 − α/(2·n_i) of Student's distribution with n_i − 2 degrees of freedom, the number of outliers
    is the largest i with ::

        |x − mean|/s > (n_i − 1)·t/√((n_i − 2 + t²)·n_i)

    Unlike in tests of one value at a time, outliers cannot mask each other. Source: Rosner 1983,
    Technometrics 25:165-172; NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.17.3.
    """
    left = np.arange(len(values))
    taken: list[int] = []
    found = 0
    while len(taken) < most and len(left) > 4:
        n = len(left)
        rest = values[left]
        sd = float(rest.std(ddof=1))
        if sd <= 1e-12 * float(np.max(np.abs(rest))):
            break
        off = np.abs(rest - rest.mean())
        place = int(np.argmax(off))
        t = student_quantile(n - 2.0, 1.0 - significance / n)
        taken.append(int(left[place]))
        if float(off[place]) / sd > (n - 1) * t / math.sqrt((n - 2 + t * t) * n):
            found = len(taken)
        left = np.delete(left, place)
    return taken[:found]
