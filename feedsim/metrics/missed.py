"""Carriers that got no insert, and why."""

from __future__ import annotations

from dataclasses import asdict, dataclass, fields

import numpy as np

from feedsim.metrics.course import ONE_RUN, Course
from feedsim.metrics.share import Share, share_of
from feedsim.records.columns import FeederRecords, Small
from feedsim.records.outcome import Outcome


@dataclass(frozen=True, slots=True)
class MissCauses:
    """Missed carriers by cause (model, section 11); each has exactly one."""

    not_staged: int
    late_mark: int
    mark_memory_full: int
    not_seen: int
    merged: int
    no_insert: int
    line_stop: int

    @property
    def by_name(self) -> dict[str, int]:
        """Each under its name."""
        return asdict(self)

    def of(self, outcome: Outcome) -> int:
        """Return those with an outcome that is a miss."""
        return self.by_name[outcome.cause]


@dataclass(frozen=True, slots=True)
class Missed(Share):
    """Share of the counted carriers that were missed."""

    by_cause: MissCauses


def miss_causes(outcomes: Small) -> MissCauses:
    """Count the causes among outcomes."""
    missed = (o for o in Outcome if o is not Outcome.PLACED)
    return MissCauses(**{o.cause: int(np.count_nonzero(outcomes == o)) for o in missed})


def missed(feeder: FeederRecords, warm_up: int, *, course: Course = ONE_RUN) -> Missed:
    """Return the carriers that one feeder missed, by cause, less the warm-up at the front.

    ``course``: how the rows of the records are divided.
    """
    outcomes = feeder.outcome[warm_up:]
    among = course.among(slice(warm_up, warm_up + len(outcomes)))
    s = share_of(outcomes != Outcome.PLACED, among)
    figures = {f.name: getattr(s, f.name) for f in fields(Share)}
    return Missed(**figures, by_cause=miss_causes(outcomes))
