"""The compiled engine against the event engine, bit for bit, and against the plain implementation.

The same cards, and each column of every record the same bytes: the two share the closed forms of
the motion, and differ in who works through the line, and in what order.
"""

from __future__ import annotations

import signal
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from feedsim.compiled.cache import compiled_driver
from feedsim.compiled.choice import why_not
from feedsim.compiled.driver import Driver
from feedsim.compiled.engine import run_blocks, run_line
from feedsim.draws.line_draws import MOST_AT_ONCE, RunDraws
from feedsim.machine import Machine
from feedsim.records.columns import RunRecords
from feedsim.running.run import machine_of
from feedsim.scenario import load_scenario
from feedsim.simulation.line import simulate
from tests.flat import UNCOMPILED, differences
from tests.random_machines import filtered_machine, hurried_machine, random_machine
from tests.reference.plain_line import plain_run
from tests.reference.test_engine_agrees import compare
from tests.rules import rules_met

CARRIERS = 40
SCENARIOS = sorted((Path(__file__).parents[2] / "scenarios").glob("*.toml"))
MACHINES = (random_machine, filtered_machine, hurried_machine)


@pytest.fixture(scope="module")
def compiled() -> Driver:
    return compiled_driver()


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
    for seed in range(3000, 3080):
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
    drawn = [(make, seed) for seed in range(3000, 3050) for make in MACHINES]
    drawn += [(filtered_machine, seed) for seed in range(3050, 3120)]
    for make, seed in drawn:
        machine = make(seed)
        records = run_line(machine, RunDraws(machine, seed), carriers=CARRIERS, driver=compiled)
        seen.update(rules_met(machine, records))
    assert min(seen.values()) >= 20, seen


class _FewAtOnce(RunDraws):
    """The same cards, three at a time."""

    def carrier_blocks(self, *, expected: int = 0) -> Iterator[Any]:
        return few_at_once(super().carrier_blocks(expected=expected))

    def insert_blocks(self, feeder: int, *, expected: int = 0) -> Iterator[Any]:
        return few_at_once(super().insert_blocks(feeder, expected=expected))


def few_at_once(blocks: Iterator[Any]) -> Iterator[Any]:
    for block in blocks:
        for begin in range(0, len(block[0]), 3):
            yield tuple(column[begin : begin + 3] for column in block)


@pytest.mark.parametrize("block", [1, 7, CARRIERS])
def test_a_run_in_blocks_is_the_same_whatever_is_at_hand(block: int) -> None:
    told: list[int] = []
    for seed in range(2000, 2012):
        machine = filtered_machine(seed)
        blocks = run_blocks(
            machine,
            _FewAtOnce(machine, seed),
            carriers=CARRIERS,
            block=block,
            driver=UNCOMPILED,
            progress=told.append,
        )
        whole = simulate(machine, RunDraws(machine, seed), carriers=CARRIERS)
        assert differences(in_a_row(list(blocks)), whole) == [], seed
    assert told[-1] == CARRIERS
    assert len(told) >= 12 * CARRIERS / 3


def test_an_interrupt_is_met_between_the_carriers_at_hand() -> None:
    machine = random_machine(2001)
    told: list[int] = []

    def interrupt(carriers: int) -> None:
        told.append(carriers)
        signal.raise_signal(signal.SIGINT)

    # a process started in the background may have it ignored
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        with pytest.raises(KeyboardInterrupt):
            run_line(
                machine,
                RunDraws(machine, 1),
                carriers=10_000_000,
                driver=UNCOMPILED,
                progress=interrupt,
            )
    finally:
        signal.signal(signal.SIGINT, before)
    assert len(told) == 1
    assert told[0] <= MOST_AT_ONCE


class _FewSeen(RunDraws):
    """Carriers of which the eye sees those up to number 3, and every 500th."""

    def carrier_blocks(self, *, expected: int = 0) -> Iterator[Any]:
        first = 0
        for *block, missed in few_at_once(super().carrier_blocks(expected=expected)):
            numbers = np.arange(first, first := first + len(missed))
            yield *block, missed | ((numbers > 3) & (numbers % 500 > 0))


@pytest.mark.parametrize("last", [1500, 1501])
def test_blocks_do_not_wait_for_a_row_that_stays_open(last: int) -> None:
    # an insert that is engaged lies in a feed that rests until the next mark comes, if one does
    machine = replace(random_machine(2001), supervision=None)
    passed: list[int] = []
    waiting: list[int] = []

    def handed_over() -> Iterator[tuple[int, RunRecords]]:
        for first, records in run_blocks(
            machine,
            _FewSeen(machine, 1),
            carriers=last,
            block=20,
            driver=UNCOMPILED,
            progress=passed.append,
        ):
            waiting.append(passed[-1] - first if len(records.carriers.eye_time_s) > 1 else 0)
            yield first, records

    blocks = list(handed_over())
    assert max(waiting) <= 3 * 20
    alone = [first for first, block in blocks if len(block.carriers.eye_time_s) == 1]
    assert set(alone) - {1500}, "no row was open for long"
    whole = run_line(machine, _FewSeen(machine, 1), carriers=last, driver=UNCOMPILED)
    assert differences(in_a_row(blocks), whole) == []


def in_a_row(blocks: list[tuple[int, RunRecords]]) -> RunRecords:
    """Put blocks of one run where they belong; the last one has the books."""
    first = np.concatenate([f + np.arange(len(b.carriers.eye_time_s)) for f, b in blocks])
    last = len(first) - 1 - np.unique(first[::-1], return_index=True)[1]

    def of(parts: list[Any]) -> Any:
        columns = {f.name: [getattr(part, f.name) for part in parts] for f in fields(parts[0])}
        together = {name: np.concatenate(c) for name, c in columns.items() if name != "books"}
        gated = {name: c[last] if len(c) else c for name, c in together.items()}
        return replace(parts[-1], **gated)

    records = [block for _, block in blocks]
    return replace(
        records[0],
        carriers=of([block.carriers for block in records]),
        feeders=tuple(of(list(each)) for each in zip(*(b.feeders for b in records), strict=True)),
    )


def test_a_planted_difference_is_found() -> None:
    machine = random_machine(2001)
    slower = replace(machine, controller=replace(machine.controller, scan_s=0.004))
    ours = run_line(slower, RunDraws(machine, 1), carriers=CARRIERS, driver=UNCOMPILED)
    assert differences(ours, simulate(machine, RunDraws(machine, 1), carriers=CARRIERS))
