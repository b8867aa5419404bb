"""The plan of a trial on the line: what to run, and what to expect if the scenario is right."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from feedsim.answers.trial.study.expected import (
    Allowance,
    ExpectedAtSpeed,
    allowance_of,
    expected_at,
)
from feedsim.criteria import Figure
from feedsim.machine import Machine
from feedsim.metrics.fits import known_covariance
from feedsim.metrics.machine_settings import MachineSettings, machine_settings
from feedsim.metrics.sample_sizes import (
    Plan,
    chance_to_pass,
    plan_for,
    size_allowing,
    size_by_measuring,
    size_for_spread,
)
from feedsim.metrics.student import student_interval
from feedsim.quantities import System, display_unit
from feedsim.running.run import criteria_of, machine_of
from feedsim.scenario import Scenario

CHANCE = 0.9
"""Probability of passing a plan, if the scenario is right."""

_PARTS = (0.4, 0.6, 0.8, 1.0)


@dataclass(frozen=True, slots=True)
class Showing:
    """What it takes to show that a share is as small as it must be.

    ``limit``: largest share, of carriers missed, cycles at risk, inserts out of tolerance.
    ``expected``: the scenario's at the fastest speed, for the worst feeder.
    ``without_any``: carriers to run without a single case, and ``chance_without_any`` the
        probability of that, if the scenario is right; None if the limit is 0, which no number
        shows.
    ``plan``: the shortest that is passed with a chance of 90 %, and ``chance`` its own; None for
        none.
    ``measuring``: for the share within tolerance, how many to measure if errors are normal, with
        mean and spread as expected; None if no number would do.
    ``chance``: its own chance.
    ``chance_without_any``: probability of that, if the scenario is right.
    """

    figure: Figure
    limit: float
    expected: float
    without_any: int | None
    chance_without_any: float | None
    plan: Plan | None
    chance: float | None
    measuring: int | None


@dataclass(frozen=True, slots=True)
class PlannedSpeed:
    """Numbers of carriers at one speed: to count, and of these to measure at each feeder."""

    speed_mm_s: float
    counted: int
    measured: int


@dataclass(frozen=True, slots=True)
class FeederPlan:
    """What to expect at one feeder if the scenario is right, with the settings to type in.

    ``placement``, ``stage``: mean and standard deviation at each speed, with their bands.
    ``distance_mm``, ``lead_s``: half width of the trial's intervals of engage distance and lead.
    ``settings``: to type in for the trial.
    """

    name: str
    settings: MachineSettings
    placement: tuple[Allowance, ...]
    stage: tuple[Allowance, ...]
    distance_mm: float
    lead_s: float | None


@dataclass(frozen=True, slots=True)
class TrialPlan:
    """A trial before it is run.

    ``spread_within``: largest half width of a spread's interval, as a share of it.
    """

    title: str
    confidence: float
    spread_within: float
    speeds: tuple[PlannedSpeed, ...]
    showing: tuple[Showing, ...]
    feeders: tuple[FeederPlan, ...]


def speeds_for(scenario: Scenario, *, units: System) -> tuple[float, ...]:
    """Return four speeds (mm/s) up to line speed, in round numbers of the unit of display.

    The slowest is 0.4 of the fastest: far enough apart to tell lengths from times, and the two
    between show whether the line is straight.
    """
    factor, top = display_unit("speed", units).factor, scenario.line.speed
    shown = [_round(part * top * factor) for part in _PARTS[:-1]]
    return (*(v / factor for v in shown), top)


def _round(value: float) -> float:
    return round(value, 1 - math.floor(math.log10(value)))


def plan_trial(
    scenario: Scenario,
    speeds_mm_s: Sequence[float],
    *,
    confidence: float = 0.95,
    spread_within: float = 0.25,
) -> TrialPlan:
    """Plan a trial at some speeds, rising.

    ``confidence``: one-sided for acceptance figures, two-sided for intervals and bands.
    ``spread_within``: wanted half width of each standard deviation's interval, as a share of it.
    """
    machine, allowed = machine_of(scenario), criteria_of(scenario)
    n = size_for_spread(spread_within, confidence=confidence)
    expected = [
        [expected_at(machine, number, speed_mm_s=speed, allowed=allowed) for speed in speeds_mm_s]
        for number in range(len(machine.feeders))
    ]
    showing = _showing(scenario, [row[-1] for row in expected], confidence=confidence)
    missed = showing[0]
    counted = max(n, missed.plan.n if missed.plan else missed.without_any or 0)
    slower = [PlannedSpeed(speed, n, n) for speed in speeds_mm_s[:-1]]
    return TrialPlan(
        title=scenario.title,
        confidence=confidence,
        spread_within=spread_within,
        speeds=(*slower, PlannedSpeed(speeds_mm_s[-1], counted, n)),
        showing=showing,
        feeders=tuple(
            _feeder(scenario, machine, number, row, n=n, confidence=confidence)
            for number, row in enumerate(expected)
        ),
    )


def _showing(
    scenario: Scenario, expected: Sequence[ExpectedAtSpeed], *, confidence: float
) -> tuple[Showing, ...]:
    """Return what it takes to show each acceptance figure, that of missed carriers first."""
    accept = scenario.acceptance
    worst = max(expected, key=lambda there: abs(there.error.mean_mm) + 3.0 * there.error.sd_mm)
    measuring = None
    if 0.0 < accept.within_tolerance < 1.0:
        room = accept.placement_tolerance - abs(worst.error.mean_mm)
        room /= max(worst.error.sd_mm, 1e-9)
        measuring = size_by_measuring(room, accept.within_tolerance, confidence=confidence)
    missed, jam_risk, outside = (
        max(shares)
        for shares in zip(*((x.missed, x.jam_risk, x.outside) for x in expected), strict=True)
    )
    show = partial(_to_show, confidence=confidence)
    return (
        show("missed", accept.missed, missed),
        show("jam_risk", accept.jam_risk, jam_risk),
        show("within_tolerance", 1.0 - accept.within_tolerance, outside, measuring),
    )


def _to_show(
    figure: Figure,
    limit: float,
    expected: float,
    measuring: int | None = None,
    *,
    confidence: float,
) -> Showing:
    if not 1e-7 <= limit < 1.0:
        return Showing(figure, limit, expected, None, None, None, None, measuring)
    without = size_allowing(0, limit, confidence=confidence)
    plan = plan_for(limit, expected, confidence=confidence, chance=CHANCE)
    return Showing(
        figure=figure,
        limit=limit,
        expected=expected,
        without_any=without,
        chance_without_any=chance_to_pass(Plan(without, 0), expected),
        plan=plan,
        chance=None if plan is None else chance_to_pass(plan, expected),
        measuring=measuring,
    )


def _feeder(
    scenario: Scenario,
    machine: Machine,
    number: int,
    expected: Sequence[ExpectedAtSpeed],
    *,
    n: int,
    confidence: float,
) -> FeederPlan:
    distance, lead = _will_be_known(expected, n=n, confidence=confidence)
    band = partial(allowance_of, n, confidence=confidence, bands=4 * len(expected))
    return FeederPlan(
        name=scenario.feeder[number].name,
        settings=machine_settings(machine.feeders[number].settings, machine.encoder),
        placement=tuple(band(there.error) for there in expected),
        stage=tuple(band(there.stage) for there in expected),
        distance_mm=distance,
        lead_s=lead,
    )


def _will_be_known(
    expected: Sequence[ExpectedAtSpeed], *, n: int, confidence: float
) -> tuple[float, float | None]:
    """Return the half widths of the trial's intervals of distance (mm) and lead (s)."""
    speeds = np.repeat([there.speed_mm_s for there in expected], n)
    sds = np.repeat([max(there.error.sd_mm, 1e-9) for there in expected], n)
    design = np.ones((len(speeds), 1))
    if len(expected) > 1:
        design = np.column_stack([design, speeds])
    sd = np.sqrt(np.diag(known_covariance(design, sds)))
    dof = len(speeds) - design.shape[1]
    halves = [
        student_interval(0.0, float(each), dof=dof, confidence=confidence).high for each in sd
    ]
    return halves[0], halves[1] if len(halves) > 1 else None
