"""The normal law: its density, and what it leaves of waves (any text on probability)."""

from __future__ import annotations

import math
from typing import overload

import numpy as np
from numpy.typing import NDArray

from feedsim.arrays import Floats


@overload
def kept_of_wave(angle: float) -> float: ...
@overload
def kept_of_wave(angle: Floats) -> Floats: ...
def kept_of_wave(angle: float | Floats) -> float | Floats:
    """Return what a normal spread leaves of a wave's size: e^(−α²/2), in the shape of ``angle``.

    ``angle``: α = 2π·σ/T, the standard deviation (rad of a wave of period T).
    """
    if isinstance(angle, np.ndarray):
        found: Floats = np.exp(-0.5 * angle * angle)
        return found
    return math.exp(-0.5 * angle * angle)


@overload
def density(z: float) -> float: ...
@overload
def density(z: Floats) -> Floats: ...
def density(z: float | Floats) -> float | Floats:
    """Return the density of the standard normal law, e^(−z²/2)/√(2π), in the shape of ``z``."""
    return kept_of_wave(z) / math.sqrt(2.0 * math.pi)


@overload
def share_below(z: float) -> float: ...
@overload
def share_below(z: Floats) -> Floats: ...
def share_below(z: float | Floats) -> float | Floats:
    """Return the standard normal distribution function, Φ(z), in the shape of ``z``."""
    if isinstance(z, np.ndarray):
        from scipy.special import ndtr

        return np.asarray(ndtr(z), dtype=np.float64)
    return share_below_zero(-z, 1.0)


def share_below_zero(mean: float, sd: float) -> float:
    """Return the share of a normal law below 0, Φ(−m/s), sd above 0."""
    return 0.5 * math.erfc(mean / (sd * math.sqrt(2.0)))


@overload
def positive_mean(mean: float, sd: float) -> float: ...
@overload
def positive_mean(mean: Floats, sd: float) -> Floats: ...
def positive_mean(mean: float | Floats, sd: float) -> float | Floats:
    """Return E[max(0, X)] of a normal law, sd above 0, in the shape of ``mean``.

    m·Φ(m/s) + s·φ(m/s), which is also the integral of Φ (any text on limited dependent variables).
    """
    z = mean / sd
    return mean * share_below(z) + sd * density(z)


def normal_wave(w: Floats, *, mean: float, sd: float) -> NDArray[np.complex128]:
    """Return the characteristic function E[e^(iwX)] = e^(i·w·m − w²·s²/2), shape of ``w``."""
    found: NDArray[np.complex128] = np.exp(1j * w * mean - 0.5 * (w * sd) ** 2)
    return found
