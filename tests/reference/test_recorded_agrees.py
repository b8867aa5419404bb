"""The engine against the plain second implementation where carriers come as recorded."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from feedsim.arrivals import Recorded
from feedsim.draws.line_draws import RunDraws
from feedsim.machine import Machine
from feedsim.records.outcome import Outcome
from feedsim.simulation.line import simulate
from tests.machines import arriving
from tests.random_machines import random_machine
from tests.reference.plain_line import plain_run
from tests.reference.test_engine_agrees import compare

CARRIERS = 40


def recorded(seed: int, *, repeats: bool) -> Machine:
    """Return a random machine whose carriers come by a record, some of them close behind."""
    machine = random_machine(seed)
    rng = np.random.default_rng(seed)
    c = machine.carriers
    count = 15 if repeats else CARRIERS
    record = np.maximum(
        rng.normal(c.pitch_mm, 0.2 * (c.pitch_mm - c.length_mm), count), c.length_mm
    )
    carriers = arriving(
        replace(c, missing=0.0), Recorded, record_mm=tuple(record.tolist()), repeats=repeats
    )
    return replace(machine, carriers=carriers)


@pytest.mark.parametrize("repeats", [True, False])
def test_engine_agrees_with_the_plain_implementation_on_records(repeats: bool) -> None:
    seen: set[int] = set()
    for seed in range(40):
        machine = recorded(seed, repeats=repeats)
        draws = RunDraws(machine, seed, replication=seed % 3)
        ours = simulate(machine, draws, carriers=CARRIERS)
        plain = plain_run(machine, draws, CARRIERS)
        assert ours.start_time_s == pytest.approx(plain.start_time_s, abs=1e-9), seed
        for a, b in zip(ours.feeders, plain.feeders, strict=True):
            compare(a, b)
            seen |= set(a.outcome.tolist())
    assert {Outcome.PLACED, Outcome.NOT_STAGED, Outcome.MERGED, Outcome.NOT_SEEN} <= seen


def test_a_planted_difference_is_found() -> None:
    machine = recorded(3, repeats=True)
    first, second = (
        simulate(machine, RunDraws(machine, 3, replication=r), carriers=CARRIERS) for r in (0, 1)
    )
    with pytest.raises(AssertionError):
        compare(first.feeders[0], second.feeders[0])
