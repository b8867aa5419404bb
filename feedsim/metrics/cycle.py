"""Cycle times, and what else happened in feed cycles."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from feedsim.arrays import Floats
from feedsim.metrics.rows import Rows, combined
from feedsim.records.columns import FeederRecords


@dataclass(frozen=True, slots=True)
class FeedCycle:
    """The time from the closing of the clutch to the feeder being ready again.

    ``mean_s``, ``max_s``: over the counted cycles that ended with a staged insert.
    ``use``: mean cycle time over the mean time between counted carriers at the carrier eye. At 1
    the feeder is always busy; above 1 it cannot serve every carrier.
    """

    mean_s: float | None
    max_s: float | None
    use: float | None


@dataclass(frozen=True, slots=True)
class Doubles:
    """Results of the double check on the inserts of the counted cycles.

    ``found`` and ``not_found``: doubles. ``false_alarms``: singles called a double.
    """

    found: int
    not_found: int
    false_alarms: int


def feed_cycle(
    feeder: FeederRecords, cycles: Rows, *, seconds_per_carrier: float | None
) -> FeedCycle:
    """Return the figures of the cycle times; use is mean cycle/mean time per carrier.

    ``cycles``: rows with a feed cycle. ``seconds_per_carrier``: mean time between carriers at the
    carrier eye (s); None: not known.
    """
    times = combined(cycles, _lasted, feeder.ready_time_s, feeder.engage_time_s)
    if len(times) == 0:
        return FeedCycle(mean_s=None, max_s=None, use=None)
    mean = float(times.mean())
    use = mean / seconds_per_carrier if seconds_per_carrier else None
    return FeedCycle(mean_s=mean, max_s=float(times.max()), use=use)


def _lasted(ready_s: Floats, engage_s: Floats) -> Floats:
    times = ready_s - engage_s
    return times[~np.isnan(times)]


def doubles(feeder: FeederRecords, cycles: Rows) -> Doubles:
    """Return what the double check found in these cycles."""
    double = feeder.double[cycles] == 1
    called = feeder.called_double[cycles] == 1
    found = int(np.count_nonzero(double & called))
    return Doubles(
        found=found,
        not_found=int(np.count_nonzero(double)) - found,
        false_alarms=int(np.count_nonzero(called)) - found,
    )


def ones(column: np.ndarray[tuple[int], np.dtype[np.int8]], cycles: Rows) -> int:
    """Return the number of these cycles in which a yes/no column is set."""
    return int(np.count_nonzero(column[cycles] == 1))
