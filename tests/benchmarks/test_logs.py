"""A million rows of a log, and a hundred logs of healthy machines."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

import feedsim
from feedsim.answers.learn.study.acts import compared_acts
from feedsim.logs import read_log
from feedsim.logs.log import Shape
from feedsim.running.run import machine_of
from tests.logged import logged
from tests.random_machines import random_machine
from tests.workable_scenarios import workable_scenario

pytestmark = pytest.mark.benchmark

ROWS = 1_000_000
READ = """
import resource, sys, time
from feedsim.logs import read_log
begun = time.process_time()
log = read_log(sys.argv[1], feeders=["one"])
spent = time.process_time() - begun
assert len(log.encoder.value) > 100_000
print(spent, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3)
"""


def samples(path: Path) -> None:
    with path.open("w") as file:
        file.write("time_s,carrier_eye,encoder_count,feeder.0.eye,feeder.0.clutch,")
        file.write("feeder.0.command_mm,feeder.0.actual_mm\n")
        for k in range(ROWS):
            on = int(k % 260 < 210)
            eye, clutch = int(k % 260 < 120), int(k % 260 > 90)
            feed = k * 0.6
            file.write(f"{k / 1000:.6f},{on},{20 * k},{eye},{clutch},{feed:.2f},{feed - 1:.2f}\n")


def events(path: Path) -> None:
    with path.open("w") as file:
        file.write("time_s,signal,value\n")
        for k in range(ROWS // 2):
            file.write(f"{k / 1000:.6f},encoder_count,{20 * k}\n")
            if k % 2:
                file.write(f"{k / 1000:.6f},feeder.0.actual_mm,{k * 0.6:.2f}\n")
            else:
                file.write(f"{k / 1000:.6f},carrier_eye,{k // 2 % 2}\n")


@pytest.mark.parametrize("write", [samples, events])
@pytest.mark.parametrize("commas", [False, True])
def test_a_million_rows(write, commas: bool, tmp_path: Path) -> None:
    """In under 10 s of processor time and 500 MB, decimal commas too."""
    path = tmp_path / "log.csv"
    write(path)
    if commas:
        text = path.read_text()
        head, _, body = text.partition("\n")
        body = body.replace(",", ";").replace(".", ",").replace("feeder,0,", "feeder.0.")
        path.write_text(head.replace(",", ";") + "\n" + body)
    ran = subprocess.run(
        [sys.executable, "-c", READ, path], capture_output=True, text=True, check=True
    )
    seconds, megabytes = map(float, ran.stdout.split())
    print(f"\n    {write.__name__}, commas {commas}: {seconds:.1f} s, {megabytes:.0f} MB")  # noqa: T201
    assert seconds < 10.0
    assert megabytes < 500.0


@pytest.mark.parametrize("seed", range(50))
def test_healthy_machines_draw_no_accusation(seed: int, tmp_path: Path) -> None:
    """A line such as engineers build, and an odd one, in both shapes."""
    workable = machine_of(workable_scenario(seed))
    for line in (workable, random_machine(seed)):
        for shape, rate_hz in (("samples", 1000.0), ("events", 10_000.0)):
            path = logged(line, tmp_path, carriers=60, seed=seed, shape=shape, rate_hz=rate_hz)
            names = [f"f{n}" for n in range(len(line.feeders))]
            found = compared_acts(read_log(path, feeders=names), line)
            assert found.faults == (), (shape, found.faults)


LEARN = """
import resource, sys, time
import feedsim
line = feedsim.load(sys.argv[1])
begun = time.process_time()
found = feedsim.learn(line, sys.argv[2])
spent = time.process_time() - begun
assert not any(read.faults for read in found.program)
print(spent, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3)
"""


@pytest.mark.parametrize(
    ("name", "shape", "rate_hz", "carriers"),
    [
        ("membership_card", "samples", 1e3, 3800),
        ("membership_card", "samples", 1e4, 380),
        ("membership_card", "events", 1e4, 1500),
        ("two_feeders", "samples", 1e3, 2400),
        ("two_feeders", "events", 1e3, 700),
        ("hand_fed", "samples", 1e3, 660),
        ("hand_fed", "events", 1e3, 370),
        ("coupon", "samples", 1e3, 4000),
    ],
)
def test_a_million_rows_are_learned_from(
    name: str, shape: Shape, rate_hz: float, carriers: int, tmp_path: Path
) -> None:
    """One feeder and several, scanned eyes, laid by hand: in under 10 s of processor and 500 MB."""
    scenario = f"scenarios/{name}.toml"
    line = machine_of(feedsim.load(scenario).scenario)
    path = logged(line, tmp_path, carriers=carriers, seed=7, shape=shape, rate_hz=rate_hz)
    with path.open() as file:
        rows = sum(1 for _ in file)
    ran = subprocess.run(
        [sys.executable, "-c", LEARN, scenario, path], capture_output=True, text=True, check=True
    )
    seconds, megabytes = map(float, ran.stdout.split())
    print(f"\n    {name}, {shape}, {rows:,} rows: {seconds:.1f} s, {megabytes:.0f} MB")  # noqa: T201
    assert rows > 900_000
    assert seconds < 10.0
    assert megabytes < 500.0
