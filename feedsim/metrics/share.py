"""A counted share with its uncertainty."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

from feedsim.arrays import Bools
from feedsim.metrics.clusters import InOrder, design_effect, in_order
from feedsim.metrics.course import ONE_RUN, Course
from feedsim.metrics.intervals import Interval, share_interval, upper95
from feedsim.metrics.means import FEWEST

Note = Literal["fewer_than_20", "all_alike"]
"""What to know about the interval of a share.

``"fewer_than_20"``: none, since too few cases show whether neighbours are alike.
``"all_alike"``: all cases came out the same, so how exceptions cluster is unknown. The interval is
for how often they begin; if they come in runs of L, their share may be L times as large.
"""


class Counted(NamedTuple):
    """A share with its interval.

    ``share``: of all cases, 0…1; None where there was no case.
    ``interval``: two-sided, on the effective number of cases
    (:func:`feedsim.metrics.intervals.share_interval`); None below 20 cases.
    ``effective_n``: effective number of independent cases: their number over the design effect
    (:func:`feedsim.metrics.clusters.design_effect`); more than there are, where a planned change
    parts shares that differ.
    """

    hits: int
    share: float | None
    interval: Interval | None
    effective_n: float | None


@dataclass(frozen=True, slots=True)
class Share:
    """How often something happened.

    ``count``: how often.
    ``share``: of all cases, 0…1; None where there was no case.
    ``ci95``: two-sided 95 % interval of the share, on the effective number of cases; None below 20.
    ``upper95``: one-sided 95 % upper limit, only where the count is 0.
    ``effective_n``: as in :class:`Counted`.
    ``ci95_note``: why there is no interval, or what it covers (:data:`Note`).
    """

    count: int
    share: float | None
    ci95: Interval | None
    upper95: float | None
    effective_n: float | None
    ci95_note: Note | None

    def per_hour(self, duration_s: float | None) -> float | None:
        """Return how often in an hour, its cases taking so long (s); None if unknown."""
        return 3600.0 * self.count / duration_s if duration_s else None


def counted(runs: Sequence[InOrder], *, confidence: float = 0.95) -> Counted:
    """Return the share of hits in independent runs (in a fixed order), its interval two-sided."""
    n, hits = sum(run.n for run in runs), sum(run.total for run in runs)
    if n == 0:
        return Counted(hits, None, None, None)
    worth = n / design_effect(runs, confidence=confidence)
    interval = None if n < FEWEST else share_interval(hits / n, worth, confidence=confidence)
    return Counted(hits, hits / n, interval, worth)


def share_of(hits: Bools, course: Course = ONE_RUN) -> Share:
    """Return how often something happened (all None without a case), of cases in time order.

    ``course``: how they are divided into runs and strata.
    """
    found, n = counted(in_order(hits, course)), len(hits)
    note: Note | None = None
    if 0 < n < FEWEST:
        note = "fewer_than_20"
    elif n and found.hits in (0, n):
        note = "all_alike"
    return Share(
        count=found.hits,
        share=found.share,
        ci95=found.interval,
        upper95=upper95(n) if found.hits == 0 else None,
        effective_n=found.effective_n,
        ci95_note=note,
    )
