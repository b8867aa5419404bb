"""A counted share with its uncertainty."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from feedsim.metrics.clusters import InOrder, design_effect, in_order
from feedsim.metrics.intervals import Interval, upper95, wilson_of_share

__all__ = ["Counted", "Share", "counted", "share_of"]


class Counted(NamedTuple):
    """A share with its interval.

    Attributes
    ----------
    hits : int
    share : float or None
        Of all cases, 0…1; None where there was no case.
    interval : Interval or None
        Two-sided Wilson interval on the effective number of cases.
    effective_n : float or None
        What the cases are worth as independent ones: their number divided by the design effect
        (:func:`feedsim.metrics.clusters.design_effect`).
    """

    hits: int
    share: float | None
    interval: Interval | None
    effective_n: float | None


@dataclass(frozen=True, slots=True)
class Share:
    """How often something happened.

    Attributes
    ----------
    count : int
        How often.
    share : float or None
        Of all cases, 0…1; None where there was no case.
    ci95 : Interval or None
        Two-sided 95 % Wilson interval of the share, on the effective number of cases.
    upper95 : float or None
        One-sided 95 % upper limit, only where the count is 0.
    effective_n : float or None
        As in :class:`Counted`.
    """

    count: int
    share: float | None
    ci95: Interval | None
    upper95: float | None
    effective_n: float | None


def counted(runs: Sequence[InOrder], *, confidence: float = 0.95) -> Counted:
    """Return the share of hits in independent runs, with its interval.

    Parameters
    ----------
    runs : sequence of InOrder
        Outcomes 0 or 1; in a fixed order.
    confidence : float
        Two-sided.
    """
    n, hits = sum(run.n for run in runs), sum(run.total for run in runs)
    if n == 0:
        return Counted(hits, None, None, None)
    worth = n / design_effect(runs, confidence=confidence)
    interval = wilson_of_share(hits / n, worth, confidence=confidence)
    return Counted(hits, hits / n, interval, worth)


def share_of(hits: NDArray[np.bool_], begins: Sequence[int] = (0,)) -> Share:
    """Return how often something happened (all None where there was no case).

    Parameters
    ----------
    hits : bool array, shape (n,)
        Each case, in time order.
    begins : sequence of int
        Places at which a run begins (:func:`feedsim.metrics.rows.begins_among`).
    """
    found = counted(in_order(hits, begins))
    return Share(
        count=found.hits,
        share=found.share,
        ci95=found.interval,
        upper95=upper95(len(hits)) if found.hits == 0 else None,
        effective_n=found.effective_n,
    )
