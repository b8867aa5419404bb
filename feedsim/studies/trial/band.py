"""In what band mean and spread of a trial fall, if the scenario is right."""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist

from feedsim.metrics.intervals import Interval
from feedsim.metrics.sample_sizes import spread_band
from feedsim.studies.trial.expected import Spot

__all__ = ["Band", "band_of"]


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


def band_of(n: int, expected: Spot, *, confidence: float, bands: int) -> Band:
    """Return the band of n normal values.

    Parameters
    ----------
    n : int
    expected : Spot
    confidence : float
        Two-sided, of all bands together (Bonferroni).
    bands : int
        How many bands there are.
    """
    each = 1.0 - (1.0 - confidence) / max(bands, 1)
    mean_band = sd_band = None
    if n > 0:
        half = NormalDist().inv_cdf((1.0 + each) / 2.0) * expected.sd_mm / math.sqrt(n)
        half += expected.slack_mm
        mean_band = Interval(expected.mean_mm - half, expected.mean_mm + half)
    if n > 1:
        part = spread_band(n, confidence=each)
        sd_band = Interval(part.low * expected.sd_mm, part.high * expected.sd_mm)
    return Band(expected.mean_mm, mean_band, expected.sd_mm, sd_band)
