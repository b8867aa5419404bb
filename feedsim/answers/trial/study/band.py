"""In what band mean and spread of a trial fall, if the scenario is right."""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist

from feedsim.answers.trial.study.expected import Spot
from feedsim.metrics.intervals import Interval
from feedsim.metrics.sample_sizes import spread_band
from feedsim.metrics.serial import effective_for_spread, mean_inflation

__all__ = ["Band", "band_of", "effective"]


@dataclass(frozen=True, slots=True)
class Band:
    """What is expected at one speed, and how far a trial may be off it.

    Attributes
    ----------
    mean_mm, sd_mm : float
        Expected.
    mean_band_mm, sd_band_mm : Interval or None
        Where mean and standard deviation of so many have to be; None for none, or one.
    """

    mean_mm: float
    mean_band_mm: Interval | None
    sd_mm: float
    sd_band_mm: Interval | None


def band_of(n: int, expected: Spot, *, confidence: float, bands: int, process: float = 0.0) -> Band:
    """Return the band of n normal values.

    Parameters
    ----------
    n : int
    expected : Spot
    confidence : float
        Two-sided, of all bands together (Bonferroni).
    bands : int
        How many bands there are.
    process : float
        Coefficient of the first-order autoregression that values are of, 0 where they are
        independent: means and spreads then fall more widely.
    """
    each = 1.0 - (1.0 - confidence) / max(bands, 1)
    mean_band = sd_band = None
    if n > 0:
        half = NormalDist().inv_cdf((1.0 + each) / 2.0) * expected.sd_mm
        half *= math.sqrt(mean_inflation(n, max(0.0, process)) / n)
        half += expected.slack_mm
        mean_band = Interval(expected.mean_mm - half, expected.mean_mm + half)
    if n > 1:
        part = spread_band(effective(n, process), confidence=each)
        sd_band = Interval(part.low * expected.sd_mm, part.high * expected.sd_mm)
    return Band(expected.mean_mm, mean_band, expected.sd_mm, sd_band)


def effective(n: int, process: float) -> float:
    """Return how many independent values tell a spread as well, at least 2 (n ≥ 2)."""
    return max(2.0, effective_for_spread(n, process))
