"""All figures of one feeder."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from feedsim.arrays import Floats
from feedsim.criteria import Criteria
from feedsim.machine import Machine
from feedsim.metrics.course import Course
from feedsim.metrics.hazards import Hazards, hazards
from feedsim.metrics.machine_settings import MachineSettings, machine_settings
from feedsim.metrics.missed import Missed, missed
from feedsim.metrics.placement import PlacementError, StagePosition, placement_error, stage_position
from feedsim.metrics.rows import Rows, combined, cycle_rows, number_of
from feedsim.metrics.share import Share
from feedsim.metrics.spread import resolution_mm
from feedsim.records.columns import FeederRecords, InsertBooks, RunRecords


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


@dataclass(frozen=True, slots=True)
class FeederResults:
    """The figures of one feeder over the counted carriers.

    ``placed``: carriers that got their insert.
    ``jam_risk``: share of feed cycles with at least one hazard.
    ``inserts``: where the inserts of the whole run went, warm-up included.
    ``late_engages``, ``late_openings``: cycles in which the clutch closed, or opened, after its
    point.
    """

    name: str
    placed: int
    placement_error: PlacementError
    stage_position: StagePosition
    missed: Missed
    jam_risk: Share
    hazards: Hazards
    settings: MachineSettings
    cycle: FeedCycle
    inserts: InsertBooks
    late_engages: int
    late_openings: int
    doubles: Doubles


def feeder_results(
    records: RunRecords,
    number: int,
    *,
    machine: Machine,
    criteria: Criteria,
    name: str,
    seconds_per_carrier: float | None,
    course: Course,
) -> FeederResults:
    """Return the figures of one feeder, by its number from 0 and its name.

    ``seconds_per_carrier``: mean time between counted carriers at the carrier eye (s).
    ``course``: how the rows of the records are divided (:func:`feedsim.metrics.planned.course_of`).
    """
    columns, feeder, warm_up = records.feeders[number], machine.feeders[number], records.warm_up
    finest = resolution_mm(records)
    cycles = cycle_rows(columns, warm_up)
    if records.gave_up and not number_of(cycles):
        cycles = cycle_rows(columns, 0)  # given up in the warm-up: show at least what tripped
    error = placement_error(
        columns, warm_up, criteria=criteria, resolution_mm=finest, course=course
    )
    found, jam_risk = hazards(
        columns,
        cycles,
        machine=feeder,
        room_mm=machine.carriers.room_mm(feeder.inserts),
        criteria=criteria,
        resolution_mm=finest,
        course=course,
    )
    return FeederResults(
        name=name,
        placed=error.n,
        placement_error=error,
        stage_position=stage_position(columns, warm_up, resolution_mm=finest),
        missed=missed(columns, warm_up, course=course),
        jam_risk=jam_risk,
        hazards=found,
        settings=machine_settings(feeder.settings, machine.encoder),
        cycle=feed_cycle(columns, cycles, seconds_per_carrier=seconds_per_carrier),
        inserts=columns.books,
        late_engages=ones(columns.late_engage, cycles),
        late_openings=ones(columns.late_opening, cycles),
        doubles=doubles(columns, cycles),
    )
