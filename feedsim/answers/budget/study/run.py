"""How much the placement spreads in a run at a steady speed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from feedsim.metrics.intervals import Interval
from feedsim.metrics.rows import begins_among, placed_rows
from feedsim.metrics.spread import resolution_mm, spread
from feedsim.metrics.spread_intervals import sd_interval
from feedsim.records.columns import RunRecords
from feedsim.running.run import run_scenario
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
    return [
        simulated_of(
            ran.records,
            number,
            mean_ci95=results.placement_error.mean_ci95_mm,
            stops=ran.results.stops.count,
        )
        for number, results in enumerate(ran.results.feeders)
    ]


def simulated_of(
    records: RunRecords, number: int, *, mean_ci95: Interval | None, stops: int
) -> SimulatedError:
    """Return the placement errors in one feeder's records."""
    feeder = records.feeders[number]
    rows = placed_rows(feeder, records.warm_up)
    errors = feeder.placement_error_mm[rows]
    finest = resolution_mm(records)
    s = spread(errors, resolution=finest)
    return SimulatedError(
        placed=s.n,
        sd_mm=s.sd,
        sd_ci95_mm=sd_interval(
            errors, resolution=finest, begins=begins_among(rows, records.begins)
        ),
        mean_mm=s.mean,
        mean_ci95_mm=mean_ci95,
        late_engages=int(np.count_nonzero(feeder.late_engage[rows])),
        stops=stops,
    )
