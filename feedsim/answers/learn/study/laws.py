"""The arrival law, by tests of the pitches seen; the answer may be "none"."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from feedsim.arrays import Bools, Floats
from feedsim.settings.nominal import rectangular_sd

_LEAST = 20
_REFUSED = 0.001  # as for all other differences: sure at 99.9 %
_LAGS = range(2, 12)
_CLEAR = 5.0  # standard deviations of the noise above the shortest pitch
# D'Agostino & Stephens 1986, Goodness-of-Fit Techniques, table 4.14, unknown scale (from memory;
# checked against scipy's table in tests/published/test_arrival_tests.py)
_EXPONENTIAL = ((0.916, 0.15), (1.062, 0.10), (1.321, 0.05), (1.591, 0.025), (1.959, 0.01))


@dataclass(frozen=True, slots=True)
class GoodnessOfFit:
    """Anderson and Darling's test of a law with parameters fitted to the same values.

    ``chance``: probability of values that fit as badly if they follow the law.
    ``statistic``: A², corrected for the number of values.
    """

    n: int
    statistic: float  # A², corrected for the number of values
    chance: float  # probability of values that fit as badly if they follow the law


@dataclass(frozen=True, slots=True)
class ArrivalLaw:
    """Which law the pitches follow.

    ``law``: ``none`` if neither fits; None if the log does not show it.
    ``paced``, ``random``: of a normal pitch, and of an exponential gap behind a smallest one; None
        if not testable.
    ``alike_chance``: probability that independent pitches are this correlated from carrier to
        carrier.
    ``why``: why none fits, or why the log does not show it.
    """

    law: Literal["paced", "random", "none"] | None
    paced: GoodnessOfFit | None
    random: GoodnessOfFit | None
    alike_chance: float | None
    why: str


def _anderson_darling(below: Floats) -> float:
    """Return A² of the law's shares below each value, shape (n,), rising.

    −n − Σ (2i − 1)·(ln zᵢ + ln(1 − zₙ₊₁₋ᵢ))/n (Anderson and Darling 1954, any text since).
    """
    n = len(below)
    z = np.clip(below, 1e-300, 1.0 - 1e-16)
    odd = 2.0 * np.arange(1, n + 1) - 1.0
    return -n - float(odd @ (np.log(z) + np.log1p(-z[::-1]))) / n


def normal_fit(values: Floats) -> GoodnessOfFit:
    """Test values, shape (n,), for a normal law of unknown mean and standard deviation.

    Source: D'Agostino & Stephens 1986, table 4.9 (from memory).
    """
    from scipy.special import ndtr

    n = len(values)
    rising = np.sort(values)
    a2 = _anderson_darling(ndtr((rising - rising.mean()) / rising.std(ddof=1)))
    a = a2 * (1.0 + 0.75 / n + 2.25 / n**2)
    if a >= 0.6:
        chance = math.exp(1.2937 - 5.709 * a + 0.0186 * a * a) if a < 13.0 else 0.0
    elif a >= 0.34:
        chance = math.exp(0.9177 - 4.279 * a - 1.38 * a * a)
    elif a >= 0.2:
        chance = 1.0 - math.exp(-8.318 + 42.796 * a - 59.938 * a * a)
    else:
        chance = 1.0 - math.exp(-13.436 + 101.14 * a - 223.73 * a * a)
    return GoodnessOfFit(n, a, chance)


def exponential_fit(values: Floats) -> GoodnessOfFit:
    """Test values above 0, shape (n,), for an exponential law of unknown mean.

    The logarithm of the chance is interpolated linearly between the table's points, and
    extrapolated from the last two.
    """
    n = len(values)
    rising = np.sort(values)
    a = _anderson_darling(-np.expm1(-rising / rising.mean())) * (1.0 + 0.6 / n)
    at = [point for point, _ in _EXPONENTIAL]
    logs = [math.log(chance) for _, chance in _EXPONENTIAL]
    place = min(max(int(np.searchsorted(at, a)), 1), len(at) - 1)
    slope = (logs[place] - logs[place - 1]) / (at[place] - at[place - 1])
    return GoodnessOfFit(n, a, min(1.0, math.exp(logs[place] + slope * (a - at[place]))))


def not_in_a_row(values: Floats) -> float | None:
    """Return the probability that independent values, shape (n,), look as correlated as these.

    Q = n(n + 2)·Σ rₖ²/(n − k) over lags 2 to 11 is χ² of ten degrees of freedom (Ljung and Box
    1978). Lag 1 is left out: an edge seen late makes one pitch longer and the next one shorter.
    None for fewer than 50 values.
    """
    from scipy.special import chdtrc

    n = len(values)
    off = values - values.mean()
    squares = float(off @ off)
    if n < 50 or squares == 0.0:
        return None
    q = sum(float(off[lag:] @ off[:-lag]) ** 2 / (n - lag) for lag in _LAGS) / squares**2
    return float(chdtrc(len(_LAGS), n * (n + 2.0) * q))


def arrival_law(
    pitches_mm: Floats, single: Bools, *, noise_mm: float, grain_mm: float
) -> ArrivalLaw:
    """Determine the law of pitches, in order, shape (n,).

    ``single``: those that are one pitch if carriers are paced, not two with a carrier missing
    between. ``noise_mm``: standard deviation that the eye and the log add to a pitch. ``grain_mm``:
    step of pitches in the log; 0 for none. They are spread evenly over it for the tests, none of
    which allows ties.
    """
    x = pitches_mm + _spread_over(grain_mm, len(pitches_mm))
    usual = x[single]
    if len(usual) < _LEAST:
        return ArrivalLaw(None, None, None, None, f"{len(usual)} pitches are too few to test a law")
    spread, of_log = float(usual.std(ddof=1)), rectangular_sd(0.5 * grain_mm)
    if spread <= 1.3 * math.hypot(noise_mm, of_log) and len(usual) > len(x) / 2:
        return ArrivalLaw(
            "paced",
            None,
            None,
            None,
            "pitches spread no more than log and eye alone would make them",
        )
    if spread < grain_mm:
        why = f"the log tells pitches in steps of {grain_mm:.2g} mm, too coarse to test their law"
        return ArrivalLaw(None, None, None, None, why)
    paced = normal_fit(usual)
    beyond = x[x > x.min() + _CLEAR * noise_mm]
    random = None
    if len(beyond) > _LEAST:
        floor = float(beyond.min())
        random = exponential_fit(beyond[beyond > floor] - floor)
    alike = not_in_a_row(usual if paced.chance >= _REFUSED else x)
    fits = {"paced": paced.chance, "random": random.chance if random else 0.0}
    law = max(fits, key=lambda name: fits[name])
    if fits[law] < _REFUSED:
        return ArrivalLaw("none", paced, random, alike, "neither law fits the pitches")
    if alike is not None and alike < _REFUSED:
        why = "pitches are not independent: they are correlated over several carriers"
        return ArrivalLaw("none", paced, random, alike, why)
    found: Literal["paced", "random"] = "paced" if law == "paced" else "random"
    return ArrivalLaw(found, paced, random, alike, "")


def _spread_over(grain: float, n: int) -> Floats:
    """Return offsets evenly over a step (mm), shape (n,), always the same (golden section)."""
    golden = 0.6180339887498949
    return np.asarray(grain * ((np.arange(1, n + 1) * golden) % 1.0 - 0.5), dtype=np.float64)
