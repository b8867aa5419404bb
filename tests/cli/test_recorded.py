"""Recorded carriers as their user meets them: files, runs, sweeps in several processes, limits."""

from __future__ import annotations

import csv
import json
import re
import shutil
from collections.abc import Callable
from itertools import accumulate
from pathlib import Path

import pytest

SCENARIOS = Path(__file__).parents[2] / "scenarios"
LOGGED = [
    float(row["pitch_mm"])
    for row in csv.DictReader((SCENARIOS / "recorded_pitches.csv").read_text("utf-8").splitlines())
]

Run = Callable[..., object]


@pytest.fixture
def line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return a copy of the bundled scenario with its record, in a folder below the current one."""
    monkeypatch.chdir(tmp_path)
    folder = tmp_path / "line"
    folder.mkdir()
    for name in ("recorded.toml", "recorded_pitches.csv"):
        shutil.copy(SCENARIOS / name, folder)
    return Path("line/recorded.toml")


def edges(folder: Path) -> list[float]:
    with (folder / "carriers.csv").open(encoding="utf-8") as file:
        return [float(row["leading_edge_mm"]) for row in csv.DictReader(file)]


def test_carriers_come_as_logged_and_again(line: Path, tmp_path: Path, feedsim: Run) -> None:
    ended = feedsim("run", line, "--carriers", 900, "--set", "run.warm_up=0", "--out", "out")
    assert ended.status == 0
    assert len(LOGGED) == 400
    assert edges(tmp_path / "out") == list(accumulate((LOGGED * 3)[:900]))


def test_a_run_ends_with_its_record(line: Path, tmp_path: Path, feedsim: Run) -> None:
    call = ("run", line, "--set", "carrier.after_record=end", "--json", "--out", "out")
    results = json.loads(feedsim(*call).out)
    assert results["carriers"] == 380  # 400, and 20 of them warm up
    assert edges(tmp_path / "out") == list(accumulate(LOGGED))[20:]
    # also with one carrier left, and with the picture around the last one
    for more in (("--set", "run.warm_up=399"), ("--around", 399)):
        assert feedsim(*call, *more).status == 0
    for more in (("--set", "run.warm_up=400"), ("--around", 400)):
        ended = feedsim(*call, *more)
        assert ended.status == 2
        assert "400" in ended.err
        assert "Traceback" not in ended.err


def test_results_run_again_without_the_file(line: Path, tmp_path: Path, feedsim: Run) -> None:
    from feedsim.metrics.plain import as_object
    from feedsim.running.run import run_scenario
    from feedsim.scenario import scenario_from_dict

    results = json.loads(feedsim("run", line, "--carriers", 500, "--json", "--out", "out").out)
    (tmp_path / "line/recorded_pitches.csv").unlink()
    assert results["scenario"]["carrier"]["record"] == [f"{pitch:.10g} mm" for pitch in LOGGED]
    again = as_object(run_scenario(scenario_from_dict(results["scenario"])).figures())
    assert json.loads(json.dumps(again)) == results


@pytest.mark.usefixtures("drawn")
def test_a_sweep_takes_the_record_along(line: Path, tmp_path: Path, feedsim: Run) -> None:
    call = ("sweep", line, "--speeds", "60,80 m/min", "--carriers", 420, "--replications", 2)
    for jobs in (1, 2):
        assert feedsim(*call, "--jobs", jobs, "--out", f"out{jobs}").status == 0
    here, there = tmp_path / "out1", tmp_path / "out2"
    assert {p.name for p in here.iterdir()} == {p.name for p in there.iterdir()}
    for path in here.iterdir():
        assert path.read_bytes() == (there / path.name).read_bytes(), path.name
    # 174.2 mm is closer than the cycle of 175.6 mm at 60 m/min; at 80 m/min it takes 182.3 mm,
    # and two more are closer: in either replication once a lap of 400, and 420 are counted
    points = json.loads((here / "sweep.json").read_text("utf-8"))["points"]
    missed = [point["feeders"][0]["missed"]["count"] for point in points]
    assert missed[0] in (1, 2, 3)
    assert missed[1] in (5, 6, 7, 8)


@pytest.mark.parametrize("key", ["--set", "--vary"])
def test_another_record_by_an_override(key: str, line: Path, tmp_path: Path, feedsim: Run) -> None:
    even = "pitch_mm\n" + "250\n" * 3
    for folder in (tmp_path, tmp_path / "line"):  # --set: beside the scenario; --vary: right here
        (folder / "even.csv").write_text(even, "utf-8")
    if key == "--set":
        call = ("run", line, "--set", "carrier.record=even.csv")
    else:
        call = ("sweep", line, "--vary", "carrier.record=even.csv", "--jobs", 1)
    ended = feedsim(*call, "--carriers", 50, "--set", "run.warm_up=0", "--json", "--out", "out")
    assert ended.status == 0
    results = json.loads(ended.out)
    # 50 carriers at 250 mm and 1000 mm/s
    point = results if key == "--set" else results["points"][0]
    assert point["duration_s"] == pytest.approx(12.5, rel=1e-9)


def test_check_tells_the_record(line: Path, tmp_path: Path, feedsim: Run) -> None:
    said = " ".join(feedsim("check", line).out.split())
    assert (
        "The record has 400 pitches: mean 220 mm, standard deviation 7.97 mm, the shortest "
        "174.2 mm, the longest 269.9 mm. Then it begins again" in said
    )
    assert "No warnings" in said
    said = " ".join(
        feedsim("check", line, "--units", "inch", "--set", "carrier.after_record=end").out.split()
    )
    assert "the shortest 6.858 in, the longest 10.63 in. Then the run ends." in said


@pytest.mark.parametrize(("changes", "fragment"), [
    # gaps from 26.2 mm: 27 mm at 1000 mm/s
    (("carrier_eye.off_response=27 ms",), "0.25 % of the recorded carriers follow too closely"),
    # 1000 mm after the mark: at most 5 of the recorded ones
    (("feeder.0.eye_to_placement=1000 mm", "controller.mark_memory=4"), "Up to 5 carriers can be"),
    # after a misfeed the cycle takes 175.6 + 155.6 mm, more than any pitch: H/(1 + H) is lost, H
    # near p/(1 - p) (MODEL.md, section 13, fact 11), which is just under p
    (("feeder.0.insert.misfeed=2 %",), "is allowed: eyes and singulator 1.9"),
    (('carrier.record=["220 mm"]',), "the spread of carrier.record is below"),
])  # fmt: skip
def test_check_warns_by_the_record(
    changes: tuple[str, ...], fragment: str, line: Path, feedsim: Run
) -> None:
    words = [word for change in changes for word in ("--set", change)]
    said = " ".join(feedsim("check", line, *words).out.split())
    assert fragment in said.split("warning", 1)[-1]


@pytest.mark.parametrize(("changes", "of_400"), [
    (("acceptance.missed=0.1 %",), 1), (("line.speed=80 m/min",), 3), (("line.speed=87 m/min",), 4),
])  # fmt: skip
def test_check_tells_how_many_of_the_record_are_lost(
    changes: tuple[str, ...], of_400: int, line: Path, feedsim: Run
) -> None:
    # 1, 3 and 4 of 400 are closer than 175.6, 182.3 and 184.6 mm, each alone: whoever comes while
    # the feeder is busy is lost, and one pitch that lies within the 2 mm of the gap to half
    words = [word for change in changes for word in ("--set", change)]
    said = " ".join(feedsim("check", line, *words).out.split())
    found = re.search(r"([0-9.]+) % of the carriers come during a cycle, and are lost", said)
    assert found is not None
    assert float(found[1]) == pytest.approx(100.0 * of_400 / 400.0, abs=0.15)


def test_a_misfeed_costs_only_carriers_that_come_too_soon_after_it(
    line: Path, feedsim: Run
) -> None:
    # with 50 mm of gap a second insert is there after 155.6 + 135.6 mm; 1 of 4 pitches is shorter
    pitches = 'carrier.record=["250 mm", "300 mm", "300 mm", "300 mm"]'
    changes = ("feeder.0.insert.misfeed=2 %", "feeder.0.insert.gap=50 mm", pitches,
               "acceptance.missed=0.1 %")  # fmt: skip
    words = [word for change in changes for word in ("--set", change)]
    said = " ".join(feedsim("check", line, *words).out.split())
    # p(1 - p)/4 + p^2 and what is beyond: 0.0053 carriers come too soon, of 1.0053
    assert "is allowed: eyes and singulator 0.53 %" in said


def test_a_missing_record_is_told_with_its_path(line: Path, tmp_path: Path, feedsim: Run) -> None:
    (tmp_path / "line/recorded_pitches.csv").unlink()
    ended = feedsim("run", line, "--set", "seed=-1")
    assert ended.status == 2
    assert 'error: carrier.record: "line/recorded_pitches.csv": there is no such file' in ended.err
    assert "error: seed: found -1" in ended.err
