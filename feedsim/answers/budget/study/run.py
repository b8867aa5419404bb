"""How much the placement spreads in a run at a steady speed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from feedsim.metrics.intervals import Interval
from feedsim.metrics.rows import placed_rows
from feedsim.running.run import ScenarioRun, run_scenario
from feedsim.scenario import Scenario, at_line_speed, scenario_from_dict

_DISTURBING = ("fault", "adjust")


@dataclass(frozen=True, slots=True)
class SimulatedError:
    """The placement error of one feeder in a run.

    ``sd_ci95_mm``, ``mean_ci95_mm``: by batch means. ``late_engages``: inserts placed whose
    clutch closed after its point, since the mark or the feeder came late. ``stops``: of the line.
    """

    placed: int
    sd_mm: float | None
    sd_ci95_mm: Interval | None
    mean_mm: float | None
    mean_ci95_mm: Interval | None
    late_engages: int
    stops: int


def steady(scenario: Scenario, speed_mm_s: float) -> Scenario:
    """Return the scenario at a steady line speed (mm/s).

    Its speed profile, planned faults and adjustments are left out.
    """
    line = scenario.line.model_copy(update={"profile": ()})
    left_out = {name: () for name in _DISTURBING if name in Scenario.model_fields}
    return at_line_speed(scenario.model_copy(update={"line": line, **left_out}), speed_mm_s)


def is_steady(scenario: Scenario) -> bool:
    """Return whether :func:`steady` leaves nothing out."""
    return steady(scenario, scenario.line.speed) == scenario


def run_spread(scenario: Mapping[str, Any], speed_mm_s: float) -> list[SimulatedError]:
    """Run a scenario (as plain data) at a steady speed in a worker; return each feeder's errors."""
    ran = run_scenario(steady(scenario_from_dict(dict(scenario)), speed_mm_s))
    return [_simulated(ran, number) for number in range(len(ran.results.feeders))]


def _simulated(ran: ScenarioRun, number: int) -> SimulatedError:
    rows, error = ran.records.feeders[number], ran.results.feeders[number].placement_error
    late = rows.late_engage[placed_rows(rows, ran.records.warm_up)]
    return SimulatedError(
        placed=error.n,
        sd_mm=error.sd_mm,
        sd_ci95_mm=error.sd_ci95_mm,
        mean_mm=error.mean_mm,
        mean_ci95_mm=error.mean_ci95_mm,
        late_engages=int(np.count_nonzero(late)),
        stops=ran.results.stops.count,
    )
