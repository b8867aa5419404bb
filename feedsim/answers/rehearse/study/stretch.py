"""The stretch of a run that a page shows: its carriers, begin and end."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from feedsim.draws.line_draws import RunDraws
from feedsim.errors import FeedsimError
from feedsim.machine import Feeder, Machine
from feedsim.records.columns import RunRecords
from feedsim.records.trace import Trace
from feedsim.running.replay.feed import FeedTravel
from feedsim.running.run import machine_of, trace
from feedsim.scenario import Scenario

_BEFORE_PITCHES, _BEHIND_PITCHES = 1.1, 0.6
_AFTER_THE_END_S = 1.0


@dataclass(frozen=True, slots=True)
class Excerpt:
    """A stretch of a traced run, which ends when nothing later is visible.

    ``chosen``: numbers of the requested carriers, the warm-up counted; ``carriers``: of all in the
    picture while those pass through it, from ``from_s``, when the first comes into it, to ``to_s``,
    when the last leaves. ``left_mm``, ``right_mm``: its ends along the line from the carrier eye.
    """

    scenario: Scenario
    machine: Machine
    records: RunRecords
    trace: Trace
    draws: RunDraws
    chosen: range
    carriers: range
    left_mm: float
    right_mm: float
    from_s: float
    to_s: float
    feeds: tuple[FeedTravel, ...]


def stretch_of(scenario: Scenario, chosen: range) -> Excerpt:
    """Run a scenario as far as it takes to show some of its carriers, one at least.

    Raises FeedsimError if the run is given up before the first of them comes.
    """
    machine = machine_of(scenario)
    left, right = _ends(machine)
    nearest = machine.carriers.arrival.shortest_mm
    room = math.ceil((right - left) / nearest) + 2
    records, kept = trace(scenario, around=range(-1, chosen.stop + room))
    leading, belt = records.carriers.leading_edge_mm, kept.belt
    from_s = belt.time_at(max(0.0, float(leading[chosen.start]) + left))
    if from_s == math.inf:
        message = f"the run ends before carrier {chosen.start} comes"
        raise FeedsimError(message)
    to_s = belt.time_at(float(leading[chosen.stop - 1]) + right)
    if to_s == math.inf:  # the run was given up
        to_s = max(e.time_s for e in kept.events if e.time_s < math.inf) + _AFTER_THE_END_S
    behind = belt.position(from_s) - right - machine.carriers.length_mm
    first = int(np.searchsorted(leading, behind))
    last = int(np.searchsorted(leading, belt.position(to_s) - left, side="right"))
    return Excerpt(
        scenario=scenario,
        machine=machine,
        records=records,
        trace=kept,
        draws=RunDraws(machine, scenario.seed),
        chosen=chosen,
        carriers=range(first, last),
        left_mm=left,
        right_mm=right,
        from_s=from_s,
        to_s=to_s,
        feeds=tuple(FeedTravel(feed, until_s=to_s) for feed in kept.feeds),
    )


def _ends(machine: Machine) -> tuple[float, float]:
    """Return where the picture of the line begins and ends (mm from the carrier eye)."""
    carriers = machine.carriers
    last = max(feeder.eye_to_placement_mm for feeder in machine.feeders)
    first = min(feeder.eye_to_placement_mm - _path_mm(feeder) for feeder in machine.feeders)
    before = min(0.0, first) - _BEFORE_PITCHES * carriers.pitch_mm
    behind = max(0.0, last) + carriers.length_mm + _BEHIND_PITCHES * carriers.pitch_mm
    if machine.divert is not None:
        behind = max(behind, machine.divert.at_mm + carriers.length_mm)
    return before, behind


def _path_mm(feeder: Feeder) -> float:
    """Return the length of the insert path upstream of the placement point (mm)."""
    return feeder.insert_eye_to_placement_mm + feeder.inserts.pitch_mm
