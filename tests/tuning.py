"""Lines for feedsim tune whose best setup is known, and ways to ask about them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from itertools import product
from statistics import NormalDist
from typing import Any

from feedsim.answers.tune.study.bench import Keep, bench_of
from feedsim.answers.tune.study.results import Tuned
from feedsim.answers.tune.study.rungs import highest, speed_at
from feedsim.answers.tune.study.search import tuned
from feedsim.answers.tune.study.simulated import excess_of
from feedsim.answers.tune.study.space import Setup
from feedsim.errors import FeedsimError
from feedsim.metrics.paired_feeders import Ran
from feedsim.metrics.tally import added, tally
from feedsim.running.executor import Local
from feedsim.running.run import criteria_of, machine_of, run_once
from feedsim.scenario import Scenario, apply_overrides, at_line_speed, scenario_from_dict
from feedsim.scenario.reading import parse_toml
from feedsim.scenario.tune_text import with_tune

PLAIN = """
title = "one thing at a time"
seed = 11
[run]
carriers = 500
warm_up = 0
master = "virtual"
[line]
speed = "60 m/min"
[carrier]
length = "210 mm"
pitch = "300 mm"
pitch_sd = "3 mm"
[carrier_eye]
response = "1 ms"
[controller]
scan = "0 ms"
motion_cycle = "0 ms"
[[feeder]]
name = "card feeder"
eye_to_placement = "500 mm"
insert_eye_to_placement = "120 mm"
grip_end = "20 mm"
nose_limit = "118 mm"
[feeder.insert]
length = "85.6 mm"
gap = "70 mm"
gap_sd = "1 mm"
[feeder.clutch]
ramp_in = "20 ms"
ramp_out = "20 ms"
[feeder.servo]
loop_gain = "inf 1/s"
max_acceleration = "inf m/s^2"
[feeder.settings]
target_offset = "50 mm"
stage_position = "60 mm"
"""
"""A line on which nothing varies but pitch and gap, and nothing waits for a tick."""


def tuning(
    *overrides: str,
    knobs: Sequence[str],
    unsure: Sequence[str] = (),
    base: str = PLAIN,
    **keys: Any,
) -> Scenario:
    """Return a line with a tune table."""
    data = apply_overrides(parse_toml(base), overrides)
    return scenario_from_dict(with_tune(data, knobs=knobs, unsure=unsure, **keys))


def searched(
    scenario: Scenario,
    *,
    jobs: int = 1,
    keep: Keep | None = None,
    told: Callable[[str, float | None], None] = lambda *_: None,
) -> Tuned:
    """Return what a search finds."""
    with bench_of(scenario, where=Local(jobs), keep=keep, told=told) as bench:
        return tuned(bench, scenario)


def known_line(
    seed: int, *, edge_mm: float, assurance: float, carriers: int, **keys: Any
) -> Scenario:
    """Return a line whose robust speed is known; see :func:`known_speed`."""
    return tuning(
        f"seed={seed}",
        f"carrier_eye.edge_sd={edge_mm} mm",
        f"acceptance.within_tolerance={100.0 * WITHIN} %",
        "acceptance.missed=1 %",
        "acceptance.jam_risk=1 %",
        **{"knobs": ["carrier_eye.edge_sd=0.2,0.6 mm"]} | keys,
        unsure=["carrier_eye.response=±1 ms"],
        assurance=f"{100.0 * assurance} %",
        carriers=carriers,
    )


WITHIN, TOLERANCE_MM = 0.9, 1.5


def known_speed(edge_mm: float, assurance: float) -> float:
    """Return the robust speed (mm/s) of :func:`known_line`, derived from what it is.

    All that varies is the edge that the carrier eye sees, normal with sd σ. The response is δ
    longer than was typed in for, uniform within ±a, so that all is placed v·δ late. A machine is
    accepted while Φ((t − v·δ)/σ) − Φ((−t − v·δ)/σ) ≥ W, that is while v·|δ| ≤ u; so are u/(v·a) of
    all, which is the assurance at v = u/(a·assurance).
    """
    normal = NormalDist(0.0, edge_mm)
    low, high = 0.0, TOLERANCE_MM
    for _ in range(60):
        middle = 0.5 * (low + high)
        share = normal.cdf(TOLERANCE_MM - middle) - normal.cdf(-TOLERANCE_MM - middle)
        low, high = (middle, high) if share >= WITHIN else (low, middle)
    return low / (0.001 * assurance)


@dataclass(frozen=True)
class Race:
    """A search against a grid: speeds (mm/s) of both winners in fresh runs, and carriers."""

    grid_mm_s: float
    grid_carriers: int
    grid_values: tuple[str, ...]
    tune_mm_s: float
    tune_carriers: int
    tune_values: tuple[str, ...]

    def words(self) -> str:
        """Say how it went."""
        return (
            f"grid {self.grid_mm_s * 0.06:.1f} m/min at {', '.join(self.grid_values)}, "
            f"{self.grid_carriers:,} carriers; tune {self.tune_mm_s * 0.06:.1f} m/min at "
            f"{', '.join(self.tune_values)}, {self.tune_carriers:,} carriers"
        )


def against_a_grid(scenario: Scenario, *, carriers: int, jobs: int = 1) -> Race:
    """Search, and try every setup of the grid by simulation alone, none of the search's ways in it.

    ``carriers``: at each setup and speed of the grid, as many as the search takes there.
    """
    with bench_of(scenario, where=Local(jobs)) as bench:
        found = tuned(bench, scenario)
        space, spent, start = bench.space, 0, 0
        best: tuple[int, Setup] = (-(10**6), space.now)

        def accepted(setup: Setup, rung: int) -> bool:
            nonlocal spent
            spent += carriers
            return _accepted(space.believed(setup), speed_at(bench, rung), carriers)

        for setup in product(*(range(len(knob.values)) for knob in space.knobs)):
            with suppress(FeedsimError):  # no such line is possible
                rung = highest(partial(accepted, setup), start)
                if rung is not None:
                    best, start = max(best, (rung, setup)), rung
        speeds = []

        def fresh(setup: Setup, rung: int) -> bool:
            point = [(setup, speed_at(bench, rung))]
            runs = bench.counted(point, first=_UNSEEN, runs=_MANY, carriers=carriers)[0]
            found = excess_of(runs, criteria_of(space.scenario))
            return all(one.times <= 1.0 for one in found.values())

        for setup in (best[1], found.best_places):
            at = highest(partial(fresh, setup), best[0])
            speeds.append(0.0 if at is None else speed_at(bench, at))
    return Race(
        speeds[0], spent, space.texts(best[1]), speeds[1], found.carriers_search, found.best.values
    )


_RUNS = 4
_UNSEEN, _MANY = 5_000_000, 20
"""Cards that neither has seen, and twenty times as many: else luck would be more than 1 %."""


def _accepted(scenario: Scenario, speed_mm_s: float, carriers: int) -> bool:
    there = at_line_speed(scenario, speed_mm_s)
    run = there.run.model_copy(update={"carriers": carriers // _RUNS})
    there = there.model_copy(update={"run": run})
    machine, allowed = machine_of(there), criteria_of(there)
    rows = [
        tally(Ran(run_once(there, machine, replication=n), machine, allowed), number=0)
        for n in range(_RUNS)
    ]
    sums = added(rows)
    return (
        sums.placed > 0
        and sums.within >= allowed.within_tolerance * sums.placed
        and sums.missed <= allowed.missed * sums.carriers
        and sums.at_risk <= allowed.jam_risk * sums.cycles
    )
