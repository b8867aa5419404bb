"""All figures of one feeder."""

from __future__ import annotations

from dataclasses import dataclass

from feedsim.criteria import Criteria
from feedsim.machine import Machine
from feedsim.metrics.cycle import Doubles, FeedCycle, doubles, feed_cycle, ones
from feedsim.metrics.hazards import Hazards, hazards
from feedsim.metrics.machine_settings import MachineSettings, machine_settings
from feedsim.metrics.missed import Missed, missed
from feedsim.metrics.placement import PlacementError, StagePosition, placement_error, stage_position
from feedsim.metrics.rows import cycle_rows, number_of
from feedsim.metrics.share import Share
from feedsim.metrics.spread import resolution_mm
from feedsim.records.columns import InsertBooks, RunRecords


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
) -> FeederResults:
    """Return the figures of one feeder, by its number from 0 and its name.

    ``seconds_per_carrier``: mean time between counted carriers at the carrier eye (s).
    """
    columns, feeder, warm_up = records.feeders[number], machine.feeders[number], records.warm_up
    finest = resolution_mm(records)
    cycles = cycle_rows(columns, warm_up)
    if records.gave_up and not number_of(cycles):
        cycles = cycle_rows(columns, 0)  # given up in the warm-up: show at least what tripped
    error = placement_error(
        columns, warm_up, criteria=criteria, resolution_mm=finest, begins=records.begins
    )
    found, jam_risk = hazards(
        columns,
        cycles,
        machine=feeder,
        carrier_length_mm=machine.carriers.length_mm,
        criteria=criteria,
        resolution_mm=finest,
        begins=records.begins,
    )
    return FeederResults(
        name=name,
        placed=error.n,
        placement_error=error,
        stage_position=stage_position(columns, warm_up, resolution_mm=finest),
        missed=missed(columns, warm_up, begins=records.begins),
        jam_risk=jam_risk,
        hazards=found,
        settings=machine_settings(feeder.settings, machine.encoder),
        cycle=feed_cycle(columns, cycles, seconds_per_carrier=seconds_per_carrier),
        inserts=columns.books,
        late_engages=ones(columns.late_engage, cycles),
        late_openings=ones(columns.late_opening, cycles),
        doubles=doubles(columns, cycles),
    )
