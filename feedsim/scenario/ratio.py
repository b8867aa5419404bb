"""Ratios as controllers take them: a fraction of whole numbers."""

from __future__ import annotations

from fractions import Fraction

from feedsim.scenario.feeder import Settings


def nearest_fraction(value: float, most: int) -> Fraction:
    """Return the fraction nearest to a value whose two whole numbers are at most ``most``.

    >>> nearest_fraction(1.0183, 60), nearest_fraction(0.1, 10)
    (Fraction(56, 55), Fraction(1, 10))
    """
    exact = Fraction(value)
    below = max(1, min(most, int(most / exact)))
    choices = [exact.limit_denominator(below)]
    if below < most:
        choices.append(Fraction(most, below + 1))
    fit = [f for f in choices if 0 < f.numerator <= most]
    return min(fit or [Fraction(1, most)], key=lambda f: (abs(f - exact), f.denominator))


def typed_ratio(settings: Settings) -> float:
    """Return the speed ratio as the controller takes it, without the trim."""
    most = settings.resolution.ratio
    return float(nearest_fraction(settings.speed_ratio, most)) if most else settings.speed_ratio
