"""The share of carriers missed in a trial, against what the scenario expects, by an exact test."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from feedsim.answers.trial.study.data import UNKNOWN, TrialData
from feedsim.arrays import Bools, Floats
from feedsim.metrics.clusters import InOrder, design_effect, in_order
from feedsim.metrics.intervals import Interval, clopper_pearson
from feedsim.metrics.means import FEWEST

_NEXT_TO_NOTHING = 1e-9


@dataclass(frozen=True, slots=True)
class MissedInTrial:
    """Carriers counted in a trial, and those without an insert.

    ``share_ci``: exact (Clopper & Pearson), for the effective number of carriers; None below 20.
    ``design_effect``: factor by which clustered misses, in the order of the rows, raise the
        carriers needed (:func:`feedsim.metrics.clusters.design_effect`); None for a tally, which
        has no order: misses are taken as independent.
    ``expected_count``: the scenario's, for these carriers and speeds.
    ``probability``: of a count at least as unlikely, if the scenario is right, all counts divided
        by the design effect (Rao & Scott 1992, Biometrics 48:577-585, from memory); None if it
        expects nearly none (1e-9 or less): a test against a share of 0 shows only that there are
        some.
    """

    carriers: int
    count: int
    share: float
    share_ci: Interval | None
    design_effect: float | None
    expected_count: float
    probability: float | None


def counted(data: TrialData, rows: Bools) -> tuple[int, int]:
    """Return carriers and missed ones among rows of one feeder at one speed.

    If there is a tally it alone counts: it includes the measured carriers. Else a row that says
    nothing of it counts as not missed if its placement was measured.
    """
    carriers, missed = data.carriers[rows], data.missed[rows]
    tally = carriers > 1
    if tally.any():
        return int(carriers[tally].sum()), int(missed[tally].sum())
    return int(_said(data, rows).sum()), int(missed[missed != UNKNOWN].sum())


def in_order_of(data: TrialData, rows: Bools) -> tuple[InOrder, ...] | None:
    """Return how misses follow each other among rows of one feeder at one speed.

    None where :func:`counted` uses a tally, or no row says anything.
    """
    if (data.carriers[rows] > 1).any():
        return None
    return in_order((data.missed[rows] == 1)[_said(data, rows)]) or None


def _said(data: TrialData, rows: Bools) -> Bools:
    said: Bools = (data.missed[rows] != UNKNOWN) | ~np.isnan(data.error_mm[rows])
    return said


def missed_of(
    counts: Sequence[tuple[int, int]],
    expected: Sequence[float],
    *,
    confidence: float,
    orders: Sequence[tuple[InOrder, ...] | None] = (),
) -> MissedInTrial | None:
    """Compare counts (carriers, missed) at several speeds with the expected share at each.

    ``orders``: of each speed, from :func:`in_order_of`. None if no carrier was counted.
    """
    carriers, count = sum(n for n, _ in counts), sum(m for _, m in counts)
    if not carriers:
        return None
    told = [run for order in orders if order for run in order]
    effect = design_effect(told, confidence=confidence, strata=True) if told else None
    worth = 1.0 / (effect or 1.0)
    interval = None
    if carriers >= FEWEST:
        interval = clopper_pearson(worth * count, worth * carriers, confidence=confidence)
    expected_count = sum(n * p for (n, _), p in zip(counts, expected, strict=True))
    sizes = [round(worth * n) for n, _ in counts]
    return MissedInTrial(
        carriers=carriers,
        count=count,
        share=count / carriers,
        share_ci=interval,
        design_effect=effect,
        expected_count=expected_count,
        probability=None
        if expected_count <= _NEXT_TO_NOTHING
        else chance_of(min(round(worth * count), sum(sizes)), sizes, expected),
    )


def chance_of(count: int, carriers: Sequence[int], shares: Sequence[float]) -> float:
    """Return the probability of a total count over all groups at least as unlikely as this one.

    ``carriers``: number in each group. ``shares``: probability for each carrier of a group. The
    count is a sum of binomial ones, whose distributions are convolved exactly; all counts no
    likelier than the one seen are summed, as in Fisher's exact test (any text). Counts 12 standard
    deviations plus 60 beyond the mean are left out, less than 1e-20.
    """
    first, chances = 0, np.ones(1)
    for n, share in zip(carriers, shares, strict=True):
        start, part = _binomial(n, share)
        first, chances = first + start, np.convolve(chances, part)
    place = count - first
    if not 0 <= place < len(chances):
        return 0.0
    return min(1.0, float(chances[chances <= chances[place] * (1.0 + 1e-7)].sum()))


def _binomial(n: int, share: float) -> tuple[int, Floats]:
    """Return the first count whose probability matters, and the probabilities from there on."""
    from scipy.special import gammaln

    if share <= 0.0 or share >= 1.0 or n == 0:
        return (n if share >= 1.0 else 0), np.ones(1)
    mean = n * share
    reach = 12.0 * math.sqrt(mean * (1.0 - share)) + 60.0
    low, high = max(0, math.floor(mean - reach)), min(n, math.ceil(mean + reach))
    k = np.arange(low, high + 1, dtype=np.float64)
    logs = gammaln(n + 1.0) - gammaln(k + 1.0) - gammaln(n - k + 1.0)
    logs += k * math.log(share) + (n - k) * math.log1p(-share)
    return low, np.exp(logs)
