"""Three hunts over random scenarios of all keys, by simulation: limit, ``check``, ``"auto"``.

Run with ``pytest -m benchmark -s tests/benchmarks/test_hunts.py``; ``SCENARIOS`` from the
environment says over how many (500), ``FIRST`` from which seed on. The limit takes some seconds a
scenario, the others a fraction of one. Set ``OPENBLAS_NUM_THREADS=1``. How many were looked at is
told: an odd line has no limit or warnings anyway, and one that loses most of its carriers no mean.

*For sure* is meant of a whole hunt: each interval has the confidence 1 − 5 %/(all intervals of the
hunt) (Bonferroni), so that in 95 % of hunts no violation is found where there is none.
"""

from __future__ import annotations

import os
from collections.abc import Callable

import pytest

from feedsim.running.engines import ENGINE
from feedsim.scenario import Scenario, override
from tests.hunts import Hunt, hunted_auto, hunted_check, hunted_limit
from tests.random_scenarios import scenario_of_all_keys
from tests.workable_scenarios import workable_scenario

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
def test_hunt(hunt: Hunt) -> None:
    found = []
    looked = 0
    for seed in range(FIRST, FIRST + SCENARIOS):
        said = hunt(scenario_of_all_keys(seed, stops=hunt is hunted_check), scenarios=SCENARIOS)
        looked += said is not None
        if said:
            found.append(f"seed {seed}: {said}")
            print(f"\n    {found[-1]}", flush=True)  # noqa: T201
    print(f"\n    {hunt.__name__}: {looked} of {SCENARIOS} were looked at")  # noqa: T201
    assert not found
