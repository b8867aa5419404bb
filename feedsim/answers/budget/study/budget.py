"""The error budget: each source of the placement's spread, and the sum against simulation.

The closed form is of a line that runs at a steady speed, so a speed profile is left out, in
the simulation as well.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from feedsim.answers.budget.study.doubts import Doubt, doubts_of, late_engages, stops
from feedsim.answers.budget.study.run import Simulated, steady
from feedsim.answers.check.study.setup import Setup
from feedsim.metrics.intervals import Interval
from feedsim.quantities import System
from feedsim.running.run import machine_of
from feedsim.scenario import Scenario
from feedsim.settings.sources import (
    Shift,
    Source,
    combined_sd,
    mean_shift,
    placement_shifts,
    placement_sources,
)
from feedsim.settings.spreads import placement_spread

__all__ = ["WITHIN", "Agreement", "Compared", "FeederBudget", "Point", "budgets_at", "compared"]

WITHIN = 0.03
"""A budget within this share of the simulated spread is as good as it need be."""

Agreement = Literal["agrees", "open", "differs"]


@dataclass(frozen=True, slots=True)
class FeederBudget:
    """The budget of one feeder at one line speed, in closed form.

    Attributes
    ----------
    sources : tuple of Source
    combined_sd_mm : float
        Their combined standard uncertainty.
    shifts : tuple of Shift
        What moves the mean, apart from spread.
    mean_mm : float
        Their sum.
    within_tolerance : float
        Share of inserts in tolerance with this mean and these distributions.
    doubts : tuple of Doubt
        Why a simulation may spread otherwise.
    """

    name: str
    sources: tuple[Source, ...]
    combined_sd_mm: float
    shifts: tuple[Shift, ...]
    mean_mm: float
    within_tolerance: float
    doubts: tuple[Doubt, ...]


@dataclass(frozen=True, slots=True)
class Compared:
    """A budget against a run.

    Attributes
    ----------
    ratio : float or None
        Combined over simulated standard deviation; None where nothing spreads in the run.
    ratio_ci95 : Interval or None
    agreement : {"agrees", "open", "differs"} or None
        "differs": the whole interval lies more than ``WITHIN`` off 1; "agrees": none of it
        does.
    doubts : tuple of Doubt
        Those of the budget, and what the run itself has shown.
    """

    budget: FeederBudget
    simulated: Simulated
    ratio: float | None
    ratio_ci95: Interval | None
    agreement: Agreement | None
    doubts: tuple[Doubt, ...]


@dataclass(frozen=True, slots=True)
class Point:
    """One line speed with every feeder's budget against its run."""

    line_speed_mm_s: float
    feeders: tuple[Compared, ...]


def budgets_at(
    scenario: Scenario, speed_mm_s: float, *, units: System = "metric"
) -> list[FeederBudget]:
    """Return the budget of each feeder, settings that are ``"auto"`` solved at that speed.

    Parameters
    ----------
    scenario : Scenario
    speed_mm_s : float
    units : {"metric", "inch"}
        Of the words in the doubts.
    """
    there = steady(scenario, speed_mm_s)
    machine = machine_of(there)
    tolerance = scenario.acceptance.placement_tolerance
    found = []
    for number, feeder in enumerate(machine.feeders):
        sources = placement_sources(machine, feeder, speed=speed_mm_s)
        shifts = placement_shifts(machine, feeder, speed=speed_mm_s)
        whole = placement_spread(machine, feeder, speed=speed_mm_s)
        found.append(
            FeederBudget(
                name=scenario.feeder[number].name,
                sources=tuple(sources),
                combined_sd_mm=combined_sd(sources),
                shifts=tuple(shifts),
                mean_mm=mean_shift(shifts),
                within_tolerance=1.0 - whole.share_outside(-tolerance, tolerance),
                doubts=tuple(doubts_of(Setup(there, machine, number, units))),
            )
        )
    return found


def compared(budget: FeederBudget, simulated: Simulated) -> Compared:
    """Hold a budget against a run of the same feeder at the same speed."""
    sd, ends = simulated.sd_mm, simulated.sd_ci95_mm
    doubts = budget.doubts
    if simulated.late_engages:
        doubts += (late_engages(simulated.late_engages, simulated.placed),)
    if simulated.stops:
        doubts += (stops(simulated.stops),)
    if not sd or ends is None:
        return Compared(budget, simulated, None, None, None, doubts)
    whole = budget.combined_sd_mm
    ratio = Interval(whole / ends.high, whole / ends.low if ends.low > 0.0 else float("inf"))
    low, high = 1.0 - WITHIN, 1.0 + WITHIN
    agreement: Agreement = "open"
    if ratio.high < low or ratio.low > high:
        agreement = "differs"
    elif low <= ratio.low and ratio.high <= high:
        agreement = "agrees"
    return Compared(budget, simulated, whole / sd, ratio, agreement, doubts)
