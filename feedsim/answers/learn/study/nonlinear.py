"""Nonlinear least squares and how sure what was fitted is."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from feedsim.arrays import Floats, Places

_STEP = 1e-5  # of a central difference, as a share of the parameter: near the root of the rounding
_TIGHT = 1e-15


@dataclass(frozen=True, slots=True)
class NonlinearFit:
    """Parameters of a nonlinear model.

    ``values``, ``sds``: shape (p,), the standard deviations from the residual variance of ``dof``
    = n − p degrees of freedom. ``inverse``: how each value is made of the residuals, shape (p, n).
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
        """Return the standard deviations where a group hangs together, and how many groups.

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
    """Make the sum of squared residuals least.

    Parameters
    ----------
    residuals : callable
        Parameters, shape (p,), to residuals, shape (n,), n > p.
    start : float64 array, shape (p,)
        None of them 0.
    bounds : pair of float64 arrays, shape (p,), optional

    Notes
    -----
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
