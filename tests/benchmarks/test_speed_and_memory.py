"""Speed and memory, measured in one run and reported, never failed on a clock.

Run with ``pytest -m benchmark -s tests/benchmarks``.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from statistics import median

import numpy as np
import pytest
import simpy

from feedsim.answers.sweep.study import SweepPlan, run_sweep
from feedsim.draws.line_draws import RunDraws
from feedsim.running.axes import parse_speeds
from feedsim.running.engines import ENGINE
from feedsim.running.executor import Local
from feedsim.running.run import machine_of, run_scenario
from feedsim.scenario import load_scenario
from feedsim.simulation.line import simulate

pytestmark = pytest.mark.benchmark

CARD = Path(__file__).parents[2] / "scenarios" / "membership_card.toml"
MOST_MB = 600
EVERY_SOURCE = (
    "carrier.missing=0.1 %",
    "feeder.0.double_check.false_alarm=0.01 %",
)


def seconds(job: Callable[[], object]) -> float:
    start = time.perf_counter()
    job()
    return time.perf_counter() - start


def report(text: str) -> None:
    print(f"\n    {text}")  # noqa: T201 - a benchmark is there to be read


def test_carriers_per_raw_timeout() -> None:
    timeouts, carriers = 300_000, 30_000
    machine = machine_of(load_scenario(CARD, overrides=EVERY_SOURCE))

    def raw() -> None:
        env = simpy.Environment()

        def ticking() -> object:
            while True:
                yield env.timeout(1.0)

        env.process(ticking())
        env.run(until=timeouts)

    ratios = []
    for _ in range(5):
        plain = seconds(raw) / timeouts
        ours = seconds(lambda: simulate(machine, RunDraws(machine, 1), carriers=carriers))
        ratios.append(ours / carriers / plain)
    report(f"one carrier costs {median(ratios):.1f} raw SimPy timeouts (goal: at most 50)")


def test_the_compiled_engine_against_the_event_engine(monkeypatch: pytest.MonkeyPatch) -> None:
    # records and results, every random source on, machine code at hand
    def each(engine: str, carriers: int) -> float:
        monkeypatch.setenv("FEEDSIM_ENGINE", engine)
        scenario = load_scenario(CARD, overrides=(*EVERY_SOURCE, f"run.carriers={carriers}"))
        start = time.process_time()
        run_scenario(scenario)
        return (time.process_time() - start) / carriers

    each("compiled", 1000)
    pairs = [(each("events", 10_000), each("compiled", 300_000)) for _ in range(5)]
    events, compiled = (min(column) for column in zip(*pairs, strict=True))
    report(f"compiled {1.0 / compiled:.0f} carriers a second (goal: at least 1,000,000)")
    report(f"{events / compiled:.1f} times the event engine (goal: at least 40)")
    sizes = (10_000, 100_000, 1_000_000, 10_000_000)
    times = {n: min(each("compiled", n) for _ in range(3 if n < sizes[-1] else 1)) for n in sizes}
    a_carrier = ", ".join(f"{1e6 * each_s:.2f} µs of {n:,}" for n, each_s in times.items())
    report(f"a carrier costs {a_carrier} (goal: the same)")


def test_the_closed_forms_of_a_limit_against_carriers() -> None:
    # in a process of its own, where the first time loads what they need; and what one carrier costs
    # the event engine there, so that a slow machine is told from slow forms
    code = (
        "import time\n"
        "from feedsim.answers.limit.study.closed import in_closed_form\n"
        "from feedsim.draws.line_draws import RunDraws\n"
        "from feedsim.running.run import machine_of\n"
        "from feedsim.scenario import load_scenario\n"
        "from feedsim.simulation.line import simulate\n"
        f"s = load_scenario({str(CARD)!r})\n"
        "m = machine_of(s)\n"
        "def took(work):\n"
        "    start = time.process_time()\n"
        "    work()\n"
        "    return time.process_time() - start\n"
        "first = took(lambda: in_closed_form(s))\n"
        "pairs = [(took(lambda: in_closed_form(s)),\n"
        "          took(lambda: simulate(m, RunDraws(m, 1), carriers=5000)) / 5000)\n"
        "         for _ in range(7)]\n"
        "print(first, *map(min, zip(*pairs)))\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    first, warm, carrier = map(float, done.stdout.split())
    report(f"closed forms of a limit: {first:.2f} s first, {warm:.3f} s again (goal: 0.1 s)")
    report(f"again they cost as much as {warm / carrier:.0f} carriers on the event engine")


@pytest.mark.parametrize(
    ("engine", "carriers"),
    [("events", 1_000_000), ("compiled", 1_000_000), ("compiled", 20_000_000)],
)
def test_memory_of_a_long_run(engine: str, carriers: int, monkeypatch: pytest.MonkeyPatch) -> None:
    changes = (*EVERY_SOURCE, f"run.carriers={carriers}")
    # of Linux's own figure, which begins anew with a program; a child's ru_maxrss has its parent's
    code = (
        "from pathlib import Path\n"
        "from feedsim.scenario import load_scenario\n"
        "from feedsim.running.run import run_scenario\n"
        f"s = load_scenario({str(CARD)!r}, overrides={changes!r})\n"
        f"assert run_scenario(s).results.carriers == {carriers}\n"
        "lines = Path('/proc/self/status').read_text().splitlines()\n"
        "print(next(line.split()[1] for line in lines if line.startswith('VmHWM')))\n"
    )
    monkeypatch.setenv("FEEDSIM_ENGINE", engine)
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    megabytes = int(done.stdout) / 1024.0
    report(f"{carriers:,} carriers, {engine}: {megabytes:.0f} MB at most (goal: under {MOST_MB})")
    assert megabytes < MOST_MB


def test_start_up_and_commands_with_figures(tmp_path: Path) -> None:
    # as of an installed package: Python keeps what it has compiled of the modules, and the engine
    # is chosen (the suite asks for the event engine)
    unlike = {"PYTHONDONTWRITEBYTECODE", ENGINE}
    environment = {n: v for n, v in os.environ.items() if n not in unlike}
    environment["PYTHONPYCACHEPREFIX"] = str(tmp_path / "modules")

    def command(*words: str) -> Callable[[], object]:
        call = [sys.executable, *words]
        return lambda: subprocess.run(
            call, check=True, capture_output=True, cwd=tmp_path, env=environment
        )

    def took(*words: str, times: int = 3) -> tuple[float, float]:
        """Return what a command takes (s), and how much of it is work of a processor."""
        command("-m", "feedsim", *words)()
        found = []
        for _ in range(times):
            before = os.times()
            each = seconds(command("-m", "feedsim", *words))
            after = os.times()
            work = sum(after[2:4]) - sum(before[2:4])
            found.append((each, work))
        return sorted(found)[times // 2]

    card = str(CARD)
    commands = {
        ("--help",): 0.3,
        ("run", card): 2.0,
        ("sweep", card, "--speeds", "40:100:10 m/min"): 2.5,
        ("limit", card): 3.0,
    }
    command("-m", "feedsim", "run", card, "--engine", "compiled", "--carriers", "10")()
    bare = median(seconds(command("-c", "pass")) for _ in range(5))
    for words, goal in commands.items():
        each, work = took(*words)
        named = " ".join(word for word in words if word != card)
        report(
            f"feedsim {named}: {each:.2f} s, {work:.2f} s of work (goal: {goal} s); "
            f"a bare Python takes {bare:.2f} s"
        )


def _much_work(_: int) -> float:
    """Run a line so often that a process has some seconds of work; return what it took (s)."""
    scenario = load_scenario(CARD, overrides=("run.carriers=1000000",))
    run_scenario(scenario)
    return seconds(lambda: [run_scenario(scenario) for _ in range(8)])


def test_two_jobs_against_one(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FEEDSIM_ENGINE", "compiled")
    scenario = load_scenario(CARD, overrides=("run.carriers=1000000",))
    sweep = SweepPlan(scenario, (parse_speeds("35:130:5 m/min"),), 1)

    def run(jobs: int) -> tuple[float, float, float]:
        """Return what it took (s), and what was work of this process and of others."""
        before = os.times()
        took = seconds(
            lambda: run_sweep(
                sweep, where=Local(jobs), known={}, on_point=lambda *_: None, on_lost=lambda _: None
            )
        )
        spent = [after - early for early, after in zip(before, os.times(), strict=True)]
        return took, sum(spent[:2]), sum(spent[2:4])

    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as both:
        alone_s = both.submit(_much_work, 0).result()
        together_s = max(both.map(_much_work, range(2)))
    ceiling = 2.0 * alone_s / together_s
    report(f"two processes with nothing in common do {ceiling:.2f} times the work of one here")
    run_scenario(scenario)  # or the first one would load the engine
    pairs = [(run(1), run(2)) for _ in range(3)]
    ones, twos = (np.array(column) for column in zip(*pairs, strict=True))
    ratios = ones[:, 0] / twos[:, 0]
    works = ones[:, 1] / np.maximum(twos[:, 1], twos[:, 2])  # this process and the other one
    each, each_work = (", ".join(f"{r:.2f}" for r in np.sort(column)) for column in (ratios, works))
    report(f"20 points of 1,000,000 carriers: 2 jobs are {each} times as fast (goal: 1.7)")
    report(f"that is {median(ratios) / ceiling:.2f} of what this machine gives")
    report(f"by work of processors, for a machine that does nothing else: {each_work}")
    one, here, there = median(ones[:, 1]), median(twos[:, 1]), median(twos[:, 2])
    report(f"one job is {one:.1f} s of work; of two, {here:.1f} s here and {there:.1f} there")
