"""Fits: a straight line through bounds (counts, rounded times), and nonlinear ones."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from feedsim.answers.learn.study.figures import Finding
from feedsim.arrays import Floats, Places

_GRID = 801
_STEP = 1e-5  # of a central difference, as a share of the parameter: near the root of rounding
_TIGHT = 1e-15


@dataclass(frozen=True, slots=True)
class BoundedLine:
    """The lines y = a + b·u that pass through all bounds.

    ``slope``: b. ``height``: a + b·centre, ``centre`` the middle of all u. ``corners``: of these
    lines' polygon, as heights at both ends relative to a middle line, shape (k, 2).
    """

    slope: Finding
    centre: float
    height: Finding
    span: float
    corners: Floats

    def at(self, u: Floats) -> Floats:
        """Return the middle line at u."""
        return self.height.value + self.slope.value * (u - self.centre)

    def open_at(self, u: float) -> float:
        """Return the line's uncertainty at u: half width of a uniform law with the same 95 %.

        Or half the range at one slope, if that is more: two clocks may be in step.
        """
        share = 0.5 + (u - self.centre) / self.span
        heights, slopes = self.corners @ [1.0 - share, share], self.corners @ [-1.0, 1.0]
        height = _law(heights, slopes)
        return max(0.5 * (height.high - height.low) / 0.95, 0.5 * _law(slopes, heights).widest)


def bounded_line(u: Floats, low: Floats, high: Floats) -> BoundedLine | None:
    """Find the lines y = a + b·u with low ≤ y ≤ high; None where there is none.

    The arrays have shape (n,), ``u`` rises. A line is given by its heights at the first and last u.
    The bounds there make a rectangle, and each bound between them cuts off a part, which leaves a
    convex polygon. The intervals take all lines in it as equally likely, as rounding at random
    phase makes them: all explain what was read equally well (Bayes, with a flat prior).
    """
    n = len(u)
    if n < 2 or u[-1] <= u[0]:
        return None
    span = float(u[-1] - u[0])
    share = (u - u[0]) / span
    first, rise = 0.5 * float(low[0] + high[0]), 0.5 * float(low[-1] + high[-1] - low[0] - high[0])
    straight = first + rise * share
    corners = _lines(share, low - straight, high - straight)
    if corners is None:
        return None
    left, right = corners[:, 0], corners[:, 1]
    slope, height = _law((right - left) / span, left), _law(0.5 * (left + right), left)
    return BoundedLine(
        Finding(slope.mean, slope.low, slope.high, n).scaled(1.0, rise / span),
        float(u[0]) + 0.5 * span,
        Finding(height.mean, height.low, height.high, n).scaled(1.0, first + 0.5 * rise),
        span,
        corners,
    )


def _lines(share: Floats, low: Floats, high: Floats) -> Floats | None:
    """Return the corners (k, 2) of the lines through all bounds, by their heights at both ends.

    ``share``: 0 to 1 along the line. The bound that cuts off most comes first; those that no longer
    cut off anything are dropped.
    """
    ends = np.array(
        [[low[0], low[-1]], [high[0], low[-1]], [high[0], high[-1]], [low[0], high[-1]]]
    )
    corners: Floats | None = ends
    while corners is not None and len(share):
        top, bottom = np.full(len(share), -np.inf), np.full(len(share), np.inf)
        for left, right in corners.tolist():
            y = left + (right - left) * share
            np.maximum(top, y, out=top)
            np.minimum(bottom, y, out=bottom)
        above, below = top - high, low - bottom
        worst = np.maximum(above, below)
        place = int(np.argmax(worst))
        if worst[place] <= 0.0:
            break
        sign, bound = (1.0, high) if above[place] >= below[place] else (-1.0, low)
        over = sign * (corners @ [1.0 - share[place], share[place]] - bound[place])
        corners = _cut(corners, over)
        keep = worst > 0.0
        keep[place] = False
        share, low, high = share[keep], low[keep], high[keep]
    return corners


def _cut(corners: Floats, over: Floats) -> Floats | None:
    """Cut the part beyond a straight line off a polygon; None if nothing is left.

    ``over``: how far each corner lies beyond.
    """
    kept: list[Floats] = []
    for here, after in zip(range(len(corners)), [*range(1, len(corners)), 0], strict=True):
        a, b = float(over[here]), float(over[after])
        if a <= 0.0:
            kept.append(corners[here])
        if a * b < 0.0:
            kept.append(corners[here] + a / (a - b) * (corners[after] - corners[here]))
    return np.array(kept) if len(kept) > 2 else None


class _Law(NamedTuple):
    """Mean, 2.5 % and 97.5 % points of one coordinate over a polygon filled evenly.

    ``widest``: the largest width in the other one at one value of it.
    """

    mean: float
    low: float
    high: float
    widest: float


def _law(at: Floats, other: Floats) -> _Law:
    grid = np.linspace(float(at.min()), float(at.max()), _GRID)
    top, bottom = np.full(_GRID, -np.inf), np.full(_GRID, np.inf)
    for a, b, p, q in zip(at, np.roll(at, -1), other, np.roll(other, -1), strict=True):
        inside = (grid >= min(a, b)) & (grid <= max(a, b))
        y = p + (q - p) * (grid - a) / (b - a if b != a else 1.0)
        np.maximum(top, y, out=top, where=inside)
        np.minimum(bottom, y, out=bottom, where=inside)
    mass = np.maximum(top - bottom, 0.0)
    widest = float(mass.max())
    mass = mass / mass.sum() if widest > 0.0 else np.full(_GRID, 1.0 / _GRID)
    low, high = np.interp([0.025, 0.975], np.cumsum(mass) - 0.5 * mass, grid)
    return _Law(float(mass @ grid), float(low), float(high), widest)


@dataclass(frozen=True, slots=True)
class NonlinearFit:
    """Parameters of a nonlinear model.

    ``values``, ``sds``: shape (p,), the standard deviations from the residual variance of ``dof``
    = n − p degrees of freedom. ``inverse``: weights of the residuals in each value, shape (p, n).
    ``squares``: the residual sum of squares.
    """

    values: Floats
    inverse: Floats
    residuals: Floats
    squares: float
    dof: float

    @property
    def sds(self) -> Floats:
        """Standard deviations of the parameters, shape (p,)."""
        sds: Floats = np.linalg.norm(self.inverse, axis=1) * np.sqrt(self.squares / self.dof)
        return sds

    def grouped_sds(self, groups: Places) -> tuple[Floats, int]:
        """Return the standard deviations under correlation within groups, and how many groups.

        (JᵀJ)⁻¹·Σ gᵢgᵢᵀ·(JᵀJ)⁻¹·G/(G − 1), gᵢ = Jᵢᵀrᵢ of group i of G (Liang and Zeger 1986, from
        memory); there are G − 1 degrees of freedom.
        """
        _, number = np.unique(groups, return_inverse=True)
        many = int(number.max()) + 1
        parts = np.stack([np.bincount(number, row * self.residuals) for row in self.inverse])
        return np.sqrt((parts**2).sum(axis=1) * many / max(many - 1.0, 0.5)), many


def nonlinear_fit(
    residuals: Callable[[Floats], Floats],
    start: Floats,
    *,
    bounds: tuple[Floats, Floats] | None = None,
) -> NonlinearFit:
    """Minimise the sum of squared residuals.

    ``residuals``: parameters, shape (p,), to residuals, shape (n,), n > p. ``start``, shape (p,):
    none of them 0. ``bounds``: two arrays of that shape.

    scipy's trust-region reflective algorithm, with central differences and each parameter scaled by
    its column. Held against certified values of NIST StRD in
    ``tests/published/test_nonlinear_nist.py``.
    """
    from scipy.optimize import least_squares

    found = least_squares(
        residuals,
        start,
        bounds=bounds if bounds is not None else (-np.inf, np.inf),
        jac="3-point",
        diff_step=np.full(len(start), _STEP),
        x_scale="jac",
        xtol=_TIGHT,
        ftol=_TIGHT,
        gtol=_TIGHT,
        max_nfev=2000,
    )
    jacobian = np.asarray(found.jac)
    sizes = np.linalg.norm(jacobian, axis=0)
    sizes[sizes == 0.0] = 1.0
    inverse = np.linalg.pinv(jacobian / sizes, rcond=1e-14) / sizes[:, None]
    off = np.asarray(found.fun, dtype=np.float64)
    return NonlinearFit(
        np.asarray(found.x), inverse, off, float(off @ off), float(len(off) - len(start))
    )
