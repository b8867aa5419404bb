"""Carriers that got no insert, and why."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from feedsim.metrics.share import Share, share_of
from feedsim.records.columns import FeederRecords
from feedsim.records.outcome import Outcome

__all__ = ["MissCauses", "Missed", "missed"]


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


@dataclass(frozen=True, slots=True)
class Missed(Share):
    """Share of the counted carriers that were missed."""

    by_cause: MissCauses


def missed(feeder: FeederRecords, warm_up: int) -> Missed:
    """Return the counted carriers that one feeder missed, by cause."""
    outcomes = feeder.outcome[warm_up:]
    counts = {o.cause: int(np.count_nonzero(outcomes == o)) for o in Outcome}
    del counts[Outcome.PLACED.cause]
    s = share_of(sum(counts.values()), len(outcomes))
    return Missed(s.count, s.share, s.ci95, s.upper95, by_cause=MissCauses(**counts))
