"""The error budget: each source of the placement's spread, and the sum against simulation.

The closed form holds for a steady speed, so a speed profile is left out, in the simulation as well.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import Literal

from feedsim.answers.budget.study.caveats import Caveat, caveats_of, late_engages, stops
from feedsim.answers.budget.study.run import SimulatedError, steady
from feedsim.answers.budget.study.what_if import WhatIf
from feedsim.answers.check.study.checked_feeder import CheckedFeeder, checked_feeders
from feedsim.metrics.intervals import Interval
from feedsim.metrics.plain import AMONG, LEFT_OUT
from feedsim.quantities import System
from feedsim.scenario import AS_WRITTEN, Scenario
from feedsim.settings.predict import Shift, mean_shift, placement_shifts
from feedsim.settings.sources import (
    Source,
    combined_sd,
    lag_shifts,
    placement_sources,
    placement_spread,
)

WITHIN = 0.03
"""A budget agrees if it is within this share of the simulated spread."""

Agreement = Literal["agrees", "open", "differs"]


@dataclass(frozen=True, slots=True)
class Weighed(Source):
    """A source with its contribution, and its share of the variance (0…1)."""

    contribution_mm: float = field()  # here, since a property of the base class has that name
    share: float


@dataclass(frozen=True, slots=True)
class FeederBudget:
    """The budget of one feeder at one line speed, in closed form.

    ``combined_sd_mm``: their combined standard uncertainty.
    ``shifts``: what moves the mean, apart from spread.
    ``mean_mm``: their sum.
    ``within_tolerance``: share of inserts in tolerance with this mean and these distributions.
    ``doubts``: why a simulation may spread differently.
    """

    name: str
    sources: tuple[Weighed, ...]
    combined_sd_mm: float
    shifts: tuple[Shift, ...]
    mean_mm: float
    within_tolerance: float
    doubts: tuple[Caveat, ...] = field(metadata=LEFT_OUT)


def _kinds(doubts: tuple[Caveat, ...]) -> list[str]:
    return [doubt.kind for doubt in doubts]


@dataclass(frozen=True, slots=True)
class BudgetAgainstRun:
    """A budget against a run.

    ``ratio``: combined over simulated standard deviation; None where nothing spreads in the run.
    ``agreement``: "differs": the whole interval lies more than ``WITHIN`` off 1; "agrees": no part
    of it does.
    ``doubts``: those of the budget, and what the run itself has shown.
    """

    budget: FeederBudget = field(metadata=AMONG)
    simulated: SimulatedError
    ratio: float | None
    ratio_ci95: Interval | None
    agreement: Agreement | None
    doubts: tuple[Caveat, ...] = field(metadata={"plain": _kinds})


@dataclass(frozen=True, slots=True)
class BudgetPoint:
    """One line speed with every feeder's budget against its run."""

    line_speed_mm_s: float
    feeders: tuple[BudgetAgainstRun, ...]


@dataclass(frozen=True, slots=True, repr=False)
class Budgets:
    """Error budgets at some line speeds.

    ``steady``: false where it has a speed profile, faults or adjustments, which budgets leave out.
    ``carriers``: of each run.
    ``points``: rising in speed.
    ``what_if``: None where it was not asked for.
    """

    feedsim: str
    title: str
    scenario: Scenario = field(metadata=AS_WRITTEN)
    steady: bool
    carriers: int
    points: tuple[BudgetPoint, ...]
    what_if: WhatIf | None


def budgets_at(
    scenario: Scenario, speed_mm_s: float, *, units: System = "metric"
) -> list[FeederBudget]:
    """Return the budget of each feeder, settings that are ``"auto"`` solved at that speed.

    ``units``: of the words in the doubts.
    """
    return [budget_of(s) for s in checked_feeders(steady(scenario, speed_mm_s), units)]


def budget_of(checked: CheckedFeeder) -> FeederBudget:
    """Return the budget of a feeder at the highest speed of its line, its settings as they are."""
    at, tolerance = checked.steadily, checked.scenario.acceptance.placement_tolerance
    sources, shifts = placement_sources(at), [*placement_shifts(at), *lag_shifts(at)]
    return FeederBudget(
        name=checked.scenario.feeder[checked.number].name,
        sources=tuple(_weighed(source, combined_sd(sources)) for source in sources),
        combined_sd_mm=combined_sd(sources),
        shifts=tuple(shifts),
        mean_mm=mean_shift(shifts),
        within_tolerance=1.0 - placement_spread(at).share_outside(-tolerance, tolerance),
        doubts=tuple(caveats_of(checked)),
    )


def _weighed(source: Source, combined_sd_mm: float) -> Weighed:
    as_it_is = {f.name: getattr(source, f.name) for f in fields(source)}
    share = source.share_of(combined_sd_mm)
    return Weighed(**as_it_is, contribution_mm=source.contribution_mm, share=share)


def compared(budget: FeederBudget, simulated: SimulatedError) -> BudgetAgainstRun:
    """Compare a budget with a run of the same feeder at the same speed."""
    sd, ends = simulated.sd_mm, simulated.sd_ci95_mm
    doubts = budget.doubts
    if simulated.late_engages:
        doubts += (late_engages(simulated.late_engages, simulated.placed),)
    if simulated.stops:
        doubts += (stops(simulated.stops),)
    if not sd or ends is None:
        return BudgetAgainstRun(budget, simulated, None, None, None, doubts)
    whole = budget.combined_sd_mm
    ratio = Interval(whole / ends.high, whole / ends.low if ends.low > 0.0 else float("inf"))
    low, high = 1.0 - WITHIN, 1.0 + WITHIN
    agreement: Agreement = "open"
    if ratio.high < low or ratio.low > high:
        agreement = "differs"
    elif low <= ratio.low and ratio.high <= high:
        agreement = "agrees"
    return BudgetAgainstRun(budget, simulated, whole / sd, ratio, agreement, doubts)
