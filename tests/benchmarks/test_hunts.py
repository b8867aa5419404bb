"""Three hunts by simulation, over random lines: ``"auto"``, ``check``, limit.

Run with ``pytest -m benchmark -s tests/benchmarks/test_hunts.py``; ``SCENARIOS`` from the
environment says over how many (500), ``FIRST`` from which seed on. The limit takes some 5 to 30 s
of processor time a line, the others about one. Set ``OPENBLAS_NUM_THREADS=1``. How many were
looked at is told, and of limit and ``check`` how many lines have each law, policy and part: they
are workable ones, most of which are accepted at some low speed and refused at some high one.
"""

from __future__ import annotations

import os
from collections.abc import Callable

import pytest

from feedsim.running.engines import ENGINE
from feedsim.scenario import Scenario, override
from tests.hunts import hunted_auto
from tests.random_scenarios import scenario_of_all_keys
from tests.speed_hunts import Hunt, hunted_check, hunted_limit
from tests.workable_scenarios import counted, workable_scenario

pytestmark = pytest.mark.benchmark

SCENARIOS, FIRST = (int(os.environ.get(*x)) for x in (("SCENARIOS", "500"), ("FIRST", "0")))


CARRIERS = 5000
"""Of each run of a line whose mean is asked, which is known to 0.01 mm then, nearly always."""


@pytest.mark.parametrize("drawn", [workable_scenario, scenario_of_all_keys])
def test_auto_leaves_what_is_said(
    drawn: Callable[..., Scenario], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(ENGINE, "compiled")
    found = []
    looked = 0
    for seed in range(FIRST, FIRST + SCENARIOS):
        line = drawn(seed, stops=False)
        if line.carrier.after_record != "end":
            line = override(line, [f"run.carriers={CARRIERS}"])
        said = hunted_auto(line)
        looked += said is not None
        if said:
            found.append(f"seed {seed}: {said}")
            print(f"\n    {found[-1]}", flush=True)  # noqa: T201
    print(f"\n    {drawn.__name__}: {looked} of {SCENARIOS} were looked at")  # noqa: T201
    assert not found


@pytest.mark.parametrize("hunt", [hunted_check, hunted_limit])
def test_hunt(hunt: Hunt, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(ENGINE, raising=False)  # the suite's; users have the quicker one
    found = []
    lines = []
    for seed in range(FIRST, FIRST + SCENARIOS):
        line = workable_scenario(seed, stops=hunt is hunted_check)
        said = hunt(line, scenarios=SCENARIOS)
        lines += [] if said is None else [line]
        if said:
            found.append(f"seed {seed}: {said}")
            print(f"\n    {found[-1]}", flush=True)  # noqa: T201
    print(f"\n    {hunt.__name__}: {len(lines)} of {SCENARIOS} were looked at")  # noqa: T201
    print(f"    {dict(sorted(counted(lines).items()))}")  # noqa: T201
    assert not found
