"""Each command over random scenarios: the slowest, what it takes as a rule, and who is refused.

Run with ``pytest -m benchmark -s tests/benchmarks/test_commands.py``. Scenarios are drawn from all
keys there are. Times are processor time on this machine, answer and words without figures,
reported and never failed on; ``SCENARIOS`` from the environment says how many (300), ``FIRST`` from
which seed on. Set ``OPENBLAS_NUM_THREADS=1`` before it, as the commands do. All 300 take hours with
``limit`` and ``budget --what-if``, and some minutes with each of the others.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable

import pytest

import feedsim
from feedsim.answers.answer import Answer
from feedsim.answers.rehearse.study.scene import Scene
from feedsim.compiled.cache import compiled_driver
from feedsim.running.engines import ENGINE
from tests.random_scenarios import scenario_of_all_keys

pytestmark = pytest.mark.benchmark

SCENARIOS, FIRST = (int(os.environ.get(*x)) for x in (("SCENARIOS", "300"), ("FIRST", "0")))

COMMANDS: dict[str, Callable[[feedsim.Line], Answer | list[Scene]]] = {
    "run": feedsim.run,
    "sweep": feedsim.sweep,
    "compare": lambda line: feedsim.compare(line, but=["free: controller.mark_memory=9"]),
    "check": feedsim.check,
    "setup": feedsim.setup,
    "explain": lambda line: feedsim.explain(line, 100),
    "rehearse": lambda line: feedsim.rehearse(line, around=100).scenes(),
    "drive": feedsim.drive,
    "trial plan": feedsim.trial_plan,
    "budget": feedsim.budget,
    "budget --what-if": lambda line: feedsim.budget(line, what_if=True),
    "limit --within 20": lambda line: feedsim.limit(line, within=0.2, at_most=30_000),
}


@pytest.mark.parametrize("command", COMMANDS)
def test_how_long_it_takes_at_most(command: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(ENGINE, raising=False)  # the suite's; users have the quicker one
    compiled_driver()
    took: list[tuple[float, int]] = []
    for seed in range(FIRST, FIRST + SCENARIOS):
        line = feedsim.Line(scenario_of_all_keys(seed))
        start = time.process_time()
        try:
            found = COMMANDS[command](line)
            if isinstance(found, Answer):
                found.text()
        except feedsim.FeedsimError:  # not for this line, as sizing a drive that it does not have
            continue
        took.append((time.process_time() - start, seed))
    assert took, "no line was for this command"
    took.sort()
    middle, slowest = took[len(took) // 2][0], took[-3:][::-1]
    words = ", ".join(f"{s:,.2f} s (seed {seed})" for s, seed in slowest)
    said = f"{len(took)} of {SCENARIOS} lines; half below {middle:.2f} s; the slowest {words}"
    print(f"\n    feedsim {command}: {said}", flush=True)  # noqa: T201
