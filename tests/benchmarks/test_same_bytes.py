"""Both engines write the same bytes: every scenario that ships, random ones, a million carriers.

Takes some minutes. Run with ``pytest -m benchmark -s tests/benchmarks/test_same_bytes.py``. A part
of it that takes seconds is in ``tests/reference/test_compiled_agrees.py``.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Callable
from io import BytesIO
from pathlib import Path

import pytest

import feedsim
from feedsim.answers.answer import Answer
from feedsim.answers.sweep.answer import sweep_csv
from feedsim.compiled.cache import compiled_driver
from feedsim.compiled.choice import why_not
from feedsim.compiled.engine import run_line
from feedsim.draws.line_draws import RunDraws
from feedsim.files.new_files import Content
from feedsim.running.engines import ENGINE, ENGINES
from feedsim.running.run import machine_of
from feedsim.scenario import Scenario
from feedsim.simulation.line import simulate
from tests.flat import differences
from tests.random_machines import filtered_machine, hurried_machine, random_machine
from tests.random_scenarios import scenario_of_all_keys
from tests.rules import rules_met

pytestmark = pytest.mark.benchmark

CARD = Path(__file__).parents[2] / "scenarios" / "membership_card.toml"
MACHINES = (random_machine, filtered_machine, hurried_machine)
SCENARIOS = sorted((Path(__file__).parents[2] / "scenarios").glob("*.toml"))


def written(content: Content) -> bytes:
    if isinstance(content, bytes):
        return content
    file = BytesIO()
    content(file)
    return file.getvalue()


def of_run(line: feedsim.Line) -> dict[str, bytes]:
    return {name: written(content) for name, content in feedsim.run(line).files().items()}


def of_sweep(line: feedsim.Line) -> dict[str, bytes]:
    at = line.scenario.line.speed
    speeds = ",".join(repr(at * share) for share in (0.5, 1.0, 1.5))
    found = feedsim.sweep(line.but({"run.carriers": 1500}), f"{speeds} mm/s")
    return {"sweep.json": found.json().encode(), "sweep.csv": written(sweep_csv(found))}


def of_limit(line: feedsim.Line) -> dict[str, bytes]:
    found = feedsim.limit(line.but({"run.carriers": 1000}), within=0.2, at_most=30_000)
    return {"limit.json": found.json().encode()}


@pytest.mark.parametrize("asked", [of_run, of_sweep, of_limit], ids=lambda asked: asked.__name__)
@pytest.mark.parametrize("path", SCENARIOS, ids=lambda path: path.stem)
def test_same_bytes_from_both_engines(
    path: Path, asked: Callable[[feedsim.Line], dict[str, bytes]], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Answer, "pictures", lambda *_, **__: {})
    line = feedsim.load(path)
    if reason := why_not(machine_of(line.scenario)):
        monkeypatch.setenv(ENGINE, "compiled")
        with pytest.raises(feedsim.FeedsimError, match="cannot run this line"):
            asked(line)
        pytest.skip(f"one engine: {reason}")
    files = []
    for engine in ENGINES:
        monkeypatch.setenv(ENGINE, engine)
        files.append(asked(line))
    assert files[0].keys() == files[1].keys()
    for name, content in files[0].items():
        digest = hashlib.sha256(content).hexdigest()[:12]
        print(f"\n    {path.stem}: {name} {digest}, {len(content)} bytes")  # noqa: T201
        assert content == files[1][name], name


def test_2000_random_machines_give_the_same_records() -> None:
    driver = compiled_driver()
    seen: Counter[str] = Counter()
    machines = [m(seed) for m in MACHINES for seed in range(10_000, 10_000 + 2000 // len(MACHINES))]
    machines += [machine_of(scenario) for scenario in random_scenarios(100)]
    for number, machine in enumerate(machines):
        ours = run_line(machine, RunDraws(machine, number), carriers=60, driver=driver)
        theirs = simulate(machine, RunDraws(machine, number), carriers=60)
        assert differences(ours, theirs) == [], number
        seen.update(rules_met(machine, ours))
    for rule, times in sorted(seen.items()):
        print(f"    {rule}: {times}")  # noqa: T201
    assert min(seen.values()) >= 20, seen


def random_scenarios(count: int) -> list[Scenario]:
    """Return scenarios drawn from all keys, without what stops a line."""
    drawn = (scenario_of_all_keys(seed, stops=False) for seed in range(20_000, 20_000 + count))
    return [scenario for scenario in drawn if not why_not(machine_of(scenario))]


def test_random_scenarios_give_the_same_files(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Answer, "pictures", lambda *_, **__: {})
    for scenario in random_scenarios(500):
        files = []
        for engine in ENGINES:
            monkeypatch.setenv(ENGINE, engine)
            files.append(of_run(feedsim.Line(scenario)))
        assert files[0] == files[1], scenario.title


def test_a_million_carriers_give_the_same_records_and_results(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    changes = {"carrier.missing": "0.1 %", "run.carriers": 1_000_000}
    line = feedsim.load(CARD, changes | {"feeder.0.double_check.false_alarm": "0.01 %"})
    runs = []
    for engine in ENGINES:
        monkeypatch.setenv(ENGINE, engine)
        runs.append(feedsim.run(line))
    one, other = (run.ran.records for run in runs)
    assert len(one.carriers.eye_time_s) >= 1_000_000
    assert differences(one, other) == []
    assert runs[0].json() == runs[1].json()
