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


def normal_wave(w: Floats, *, mean: float, sd: float) -> NDArray[np.complex128]:
    """Return the characteristic function E[e^(iwX)] = e^(i·w·m − w²·s²/2), shape of ``w``."""
    found: NDArray[np.complex128] = np.exp(1j * w * mean - 0.5 * (w * sd) ** 2)
    return found
