"""One feeder's budget against speed, in the units of a figure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from feedsim.answers.budget.study.budget import BudgetAgainstRun
from feedsim.answers.budget.study.run import steady
from feedsim.arrays import Floats
from feedsim.machine import SAME_TRAVEL_MM
from feedsim.probability.distribution import Distribution
from feedsim.quantities import System, display_unit
from feedsim.running.run import machine_of
from feedsim.scenario import Scenario
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.sources import Source, combined_sd, placement_sources, placement_spread


@dataclass(frozen=True, slots=True)
class CauseShare:
    """One cause: its share of the variance at each speed of the curve (%).

    ``grows``: whether it is a time, whose effect grows with speed.
    """

    cause: str
    percent: Floats
    grows: bool


@dataclass(frozen=True, slots=True)
class RunSpread:
    """One run: its standard deviation with the interval, in units of length of the figure."""

    speed: float
    sd: float
    low: float
    high: float
    doubted: bool
    differs: bool


@dataclass(frozen=True, slots=True)
class BudgetView:
    """What is drawn, speeds and lengths in display units; columns of shape (n,), ``speeds`` rising.

    ``bands`` come from the bottom up: times first, then lengths. ``allowed``: the largest standard
    deviation that keeps the wanted share in tolerance; NaN: none does.
    """

    name: str
    line_speed: float
    speeds: Floats
    bands: tuple[CauseShare, ...]
    combined: Floats
    runs: tuple[RunSpread, ...]
    allowed: Floats
    allowed_words: str
    speed_unit: str
    length_unit: str


def budget_view(
    scenario: Scenario,
    row: Sequence[tuple[float, BudgetAgainstRun]],
    *,
    curve: Sequence[tuple[float, _CurvePoint]],
    units: System,
) -> BudgetView:
    """Gather the data of one feeder's figure.

    By line speed (mm/s), ``row`` has the budgets compared with runs, ``curve`` the closed form
    alone, closely spaced.
    """
    length, speed = display_unit("length", units), display_unit("speed", units)
    accept = scenario.acceptance
    tolerance = f"±{accept.placement_tolerance * length.factor:.4g} {length.label}"
    allowed = np.array([point.allowed_sd_mm for _, point in curve], np.float64)  # of None: NaN
    return BudgetView(
        name=row[0][1].budget.name,
        line_speed=scenario.line.speed * speed.factor,
        speeds=np.array([v * speed.factor for v, _ in curve]),
        bands=tuple(_bands([point for _, point in curve])),
        combined=np.array([point.combined_sd_mm for _, point in curve]) * length.factor,
        runs=tuple(_runs(row, speed.factor, length.factor)),
        allowed=allowed * length.factor,
        allowed_words=f"{100.0 * accept.within_tolerance:.6g} % within {tolerance}",
        speed_unit=speed.label,
        length_unit=length.label,
    )


def _bands(curve: Sequence[_CurvePoint]) -> list[CauseShare]:
    """Return a band for each cause: the largest time lowest, the largest length highest."""
    causes = dict.fromkeys(source.cause for point in curve for source in point.sources)
    bands = []
    for cause in causes:
        mine = [[s for s in point.sources if s.cause == cause] for point in curve]
        percent = np.array(
            [
                100.0 * sum(s.share_of(point.combined_sd_mm) for s in found)
                for found, point in zip(mine, curve, strict=True)
            ]
        )
        grows = any(source.unit == "s" for found in mine for source in found)
        bands.append(CauseShare(cause, percent, grows))
    times = sorted((b for b in bands if b.grows), key=lambda band: -band.percent[-1])
    lengths = sorted((b for b in bands if not b.grows), key=lambda band: band.percent[0])
    return [*times, *lengths]


def _runs(
    row: Sequence[tuple[float, BudgetAgainstRun]], speed_factor: float, length_factor: float
) -> list[RunSpread]:
    runs = []
    for speed, compared in row:
        simulated = compared.simulated
        if simulated.sd_mm is None or simulated.sd_ci95_mm is None:
            continue
        low, high = simulated.sd_ci95_mm
        runs.append(
            RunSpread(
                speed=speed * speed_factor,
                sd=simulated.sd_mm * length_factor,
                low=low * length_factor,
                high=high * length_factor,
                doubted=bool(compared.doubts),
                differs=compared.agreement == "differs",
            )
        )
    return runs


@dataclass(frozen=True, slots=True)
class _CurvePoint:
    """One feeder at one speed: its sources, their sum, and the sum that the tolerance allows."""

    sources: tuple[Source, ...]
    combined_sd_mm: float
    allowed_sd_mm: float | None


def curves_at(scenario: Scenario, speed_mm_s: float) -> list[_CurvePoint]:
    """Return the points of the curves for each feeder, without the rest of the budget."""
    machine = machine_of(steady(scenario, speed_mm_s))
    accept = scenario.acceptance
    found = []
    for feeder in machine.feeders:
        at = FeederAtSpeed(machine, feeder)
        sources, error = placement_sources(at), placement_spread(at, late=False)
        scale = allowed_scale(error, accept.placement_tolerance, within=accept.within_tolerance)
        allowed = None if scale is None else scale * sd_of(error)
        found.append(_CurvePoint(sources, combined_sd(sources), allowed))
    return found


def sd_of(error: Distribution) -> float:
    """Return the standard deviation of a distribution without its rare values (its own unit)."""
    return error._replace(rarely=()).sd


def allowed_scale(error: Distribution, tolerance_mm: float, *, within: float) -> float | None:
    """Return the factor by which an error on target may spread more (below 1: must spread less).

    Its shape stays; its mean is left out. ``error`` and the tolerance, either side of the target,
    in mm; ``within``: the share that has to lie within, 0…1. None where nothing spreads, or where
    no finite spread does (``within`` 0 or 1).
    """
    centred = error.shifted(-error._replace(rarely=()).average)
    if not 0.0 < within < 1.0 or centred.share_outside(-SAME_TRAVEL_MM, SAME_TRAVEL_MM) == 0.0:
        return None

    def out(scale: float) -> float:
        reach = tolerance_mm / scale
        return centred.share_outside(-reach, reach) - (1.0 - within)

    low = high = 1.0
    while out(low) > 0.0:
        low *= 0.5
    while out(high) < 0.0:
        high *= 2.0
    from scipy.optimize import brentq

    return float(brentq(out, low, high, rtol=1e-6))
