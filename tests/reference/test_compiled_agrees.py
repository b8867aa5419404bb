"""The compiled engine against the event engine, bit for bit, and against the plain implementation.

The same cards, and each column of every record the same bytes: the two share the closed forms of
the motion, and differ in who works through the line, and in what order.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from feedsim.compiled.cache import compiled_driver
from feedsim.compiled.choice import why_not
from feedsim.compiled.engine import Driver, run_line
from feedsim.compiled.feeder import MORE_INSERTS, PAUSE, run_feeder
from feedsim.compiled.state import Lane
from feedsim.draws.line_draws import RunDraws
from feedsim.machine import Machine
from feedsim.running.run import machine_of
from feedsim.scenario import load_scenario
from feedsim.simulation.line import simulate
from tests.flat import UNCOMPILED, differences
from tests.random_machines import filtered_machine, random_machine
from tests.reference.plain_line import plain_run
from tests.reference.test_engine_agrees import compare

CARRIERS = 40
SCENARIOS = sorted((Path(__file__).parents[2] / "scenarios").glob("*.toml"))
MACHINES = (random_machine, filtered_machine)


@pytest.fixture(scope="module")
def compiled() -> Iterator[Driver]:
    with pytest.MonkeyPatch.context() as patch:
        place = Path(__file__).parents[2] / ".pytest_cache" / "engine"
        patch.setenv("FEEDSIM_CACHE", str(place))
        yield compiled_driver()


def unlike(machine: Machine, seed: int, driver: Driver, carriers: int = CARRIERS) -> list[str]:
    ours = run_line(machine, RunDraws(machine, seed), carriers=carriers, driver=driver)
    return differences(ours, simulate(machine, RunDraws(machine, seed), carriers=carriers))


@pytest.mark.parametrize("machines", MACHINES)
def test_the_uncompiled_functions_give_the_same_records(
    machines: Callable[[int], Machine],
) -> None:
    for seed in range(2000, 2020):
        assert unlike(machines(seed), seed, UNCOMPILED) == [], seed


@pytest.mark.parametrize("machines", MACHINES)
def test_compiled_they_give_the_same_records(
    machines: Callable[[int], Machine], compiled: Driver
) -> None:
    for seed in range(3000, 3100):
        assert unlike(machines(seed), seed, compiled) == [], seed


@pytest.mark.parametrize("path", SCENARIOS, ids=lambda path: path.stem)
def test_each_scenario_that_nothing_can_stop_gives_the_same_records(
    path: Path, compiled: Driver
) -> None:
    machine = machine_of(load_scenario(path))
    if path.stem == "stops":
        assert why_not(machine)
        return
    assert why_not(machine) == ""
    assert unlike(machine, 7, compiled, carriers=600) == []


def test_the_machines_that_were_hard_for_the_event_engine(compiled: Driver) -> None:
    # a clutch that opens as it closes; late marks whose point moves away (test_engine_agrees.py)
    for seed in (5088, 1901, 2318):
        assert unlike(filtered_machine(seed), seed, compiled, carriers=30) == [], seed


def test_the_plain_implementation_agrees_with_the_compiled_engine_too(compiled: Driver) -> None:
    for seed in range(4000, 4020):
        machine = filtered_machine(seed)
        draws = RunDraws(machine, seed)
        ours = run_line(machine, draws, carriers=CARRIERS, driver=compiled)
        for a, b in zip(ours.feeders, plain_run(machine, draws, CARRIERS).feeders, strict=True):
            compare(a, b)


def test_these_machines_do_all_that_the_engine_knows(compiled: Driver) -> None:
    seen: Counter[str] = Counter()
    for seed in range(3000, 3100):
        machine = filtered_machine(seed)
        records = run_line(machine, RunDraws(machine, seed), carriers=CARRIERS, driver=compiled)
        seen["empty"] += machine.start_empty
        seen["profile"] += bool(machine.line.profile)
        for number, rows in enumerate(records.feeders):
            fed = machine.feeders[number]
            seen.update(f"outcome {o}" for o in rows.outcome.tolist())
            seen["polled"] += fed.eye.polled
            seen["travel ramp"] += fed.clutch.travel_ramp
            seen["lag"] += np.isfinite(fed.servo.loop_gain_per_s)
            seen["correction"] += fed.settings.stage_correction
            for name in ("late_engage", "late_opening", "strays", "double", "called_double"):
                seen[name] += int(getattr(rows, name).sum())
    assert all(seen[f"outcome {o}"] >= 20 for o in range(7)), seen
    assert min(seen.values()) >= 20, seen


def test_a_run_that_goes_on_after_a_pause_or_for_want_of_inserts_is_the_same() -> None:
    # the uncompiled functions with few inserts at a time and a pause behind every mark
    machine = random_machine(12)
    told: list[int] = []

    def halting(lane: Lane, feed: Any, master: Any, marks: Any, cards: Any, rows: Any) -> int:
        lane.pauses = min(lane.pauses, lane.next_mark + 1)
        end = run_feeder(lane, feed, master, marks, cards[: lane.next_insert + 3], rows)
        return PAUSE if end == MORE_INSERTS else end

    driver = UNCOMPILED._replace(run=halting)
    draws = RunDraws(machine, 12)
    ours = run_line(machine, draws, carriers=CARRIERS, driver=driver, progress=told.append)
    assert differences(ours, simulate(machine, draws, carriers=CARRIERS)) == []
    assert len(told) > CARRIERS / 2


def test_a_planted_difference_is_found() -> None:
    machine = random_machine(2001)
    slower = replace(machine, controller=replace(machine.controller, scan_s=0.004))
    ours = run_line(slower, RunDraws(machine, 1), carriers=CARRIERS, driver=UNCOMPILED)
    assert differences(ours, simulate(machine, RunDraws(machine, 1), carriers=CARRIERS))
