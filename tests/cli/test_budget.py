"""``feedsim budget`` as its user meets it."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from pathlib import Path

import pytest

SCENARIOS = Path(__file__).parents[2] / "scenarios"
CARD = SCENARIOS / "membership_card.toml"
FEW = ("--carriers", 400, "--jobs", 1)
FILES = {
    "budget.json",
    "budget.csv",
    "budget.png",
    "budget.svg",
    "sources.png",
    "sources.svg",
    "budget.sha256",
}
# no knob but few: what is 0 cannot be halved
BARE = """
title = "few knobs"
[run]
carriers = 400
master = "virtual"
[line]
speed = "60 m/min"
[carrier]
length = "210 mm"
pitch = "300 mm"
pitch_sd = "4 mm"
[carrier_eye]
off_response = "0 ms"
[controller]
scan = "0 ms"
[[feeder]]
name = "card feeder"
eye_to_placement = "400 mm"
insert_eye_to_placement = "120 mm"
[feeder.insert]
length = "85.6 mm"
gap = "70 mm"
gap_sd = "4 mm"
[feeder.eye]
off_response = "0 ms"
[feeder.clutch]
ramp_in = "0 ms"
ramp_out = "0 ms"
[feeder.servo]
loop_gain = "inf 1/s"
max_acceleration = "inf m/s^2"
[feeder.settings]
target_offset = "20 mm"
stage_position = "60 mm"
stage_correction = true
[sweep]
speeds = ["30 m/min", "90 m/min"]
"""

WROTE = "wrote budget.json, budget.csv, budget.png, budget.svg, sources.png, sources.svg"
Run = Callable[..., object]


def test_the_budget_of_line_speed_in_full_and_what_dominates(tmp_path: Path, feedsim: Run) -> None:
    ended = feedsim("budget", CARD, *FEW, "--out", tmp_path)
    assert ended.status == 0
    assert "card feeder at 60 m/min: error budget of the placement" in ended.out
    lines = [" ".join(line.split()) for line in ended.out.splitlines()]
    # by hand, feedsim/MODEL.md section 13.4 at 1000 mm/s: a tick of 1 ms 0.5/√3 = 0.289 mm; all
    # √(2·(0.01 + 0.1²/3 + 1/12 + 0.05²/12) + 0.01 + 0.09988²) = 0.462 mm, and 0.0833/0.2137 = 39 %
    assert "closing tick rectangular, ±0.5 ms 0.2887 ms +1 mm/ms 0.289 mm 39.0 %" in lines
    assert "combined 0.462 mm 100 %" in lines
    words = " ".join(lines)
    assert "Slow, at 20 m/min the motion cycle has" in words
    assert "Fast, at 120 m/min the motion cycle has" in words
    assert "spend on the motion cycle" in words
    assert f"{WROTE} to {tmp_path}" in ended.out
    assert {file.name for file in tmp_path.iterdir()} == FILES


def test_speeds_side_by_side_and_their_files(tmp_path: Path, feedsim: Run) -> None:
    ended = feedsim("budget", CARD, *FEW, "--out", tmp_path, "--speeds", "40,80 m/min", "--json")
    assert ended.status == 0
    found = json.loads(ended.out)
    assert (tmp_path / "budget.json").read_text("utf-8") == ended.out
    assert [p["line_speed_mm_s"] for p in found["points"]] == pytest.approx([2000 / 3, 4000 / 3])
    for point in found["points"]:
        (feeder,) = point["feeders"]
        assert sum(s["share"] for s in feeder["sources"]) == pytest.approx(1.0)
        assert feeder["simulated"]["placed"] > 300
        low, high = feeder["ratio_ci95"]
        assert low < feeder["ratio"] < high
    rows = [*csv.DictReader((tmp_path / "budget.csv").read_text("utf-8").splitlines())]
    assert len(rows) == sum(len(p["feeders"][0]["sources"]) for p in found["points"])
    text = feedsim("budget", CARD, *FEW, "--out", tmp_path, "--speeds", "40,80 m/min").out
    assert "share of the variance (%)" in text
    assert any(line.split() == ["m/min", "40", "80"] for line in text.splitlines())


def test_one_speed_is_written_in_full(tmp_path: Path, feedsim: Run) -> None:
    ended = feedsim("budget", CARD, *FEW, "--out", tmp_path, "--speeds", "90 m/min")
    assert "card feeder at 90 m/min: error budget" in ended.out
    assert "other speeds" not in ended.out


@pytest.mark.usefixtures("drawn")
def test_the_same_bytes_from_one_job_and_from_two(tmp_path: Path, feedsim: Run) -> None:
    for jobs in (1, 2):
        feedsim(
            "budget", CARD, "--carriers", 200, "--speeds", "40,80 m/min", "--jobs", jobs,
            "--out", tmp_path / str(jobs),
        )  # fmt: skip
    for name in FILES:
        one, two = ((tmp_path / jobs / name).read_bytes() for jobs in ("1", "2"))
        assert one == two, name


def test_what_if(tmp_path: Path, feedsim: Run) -> None:
    bare = tmp_path / "bare.toml"
    bare.write_text(BARE, "utf-8")
    ended = feedsim("budget", bare, "--jobs", 1, "--out", tmp_path, "--what-if")
    assert ended.status == 0
    found = json.loads((tmp_path / "budget.json").read_text("utf-8"))["what_if"]
    assert {change["key"] for change in found["changes"]} == {
        "controller.motion_cycle", "carrier.pitch_sd", "feeder.0.insert.gap_sd"
    }  # fmt: skip
    best = found["changes"][0]
    assert best["key"] == "controller.motion_cycle"
    # corrected and latched, one tick is left: 0.5/√3 = 0.289 mm at 1000 mm/s, and half of that
    assert found["as_it_is"]["combined_sd_mm"]["card feeder"] == pytest.approx(0.5 / 3**0.5)
    assert best["combined_sd_mm"]["card feeder"] == pytest.approx(0.25 / 3**0.5)
    lines = [line.split() for line in ended.out.splitlines()]
    (row,) = (line for line in lines if line[:1] == ["controller.motion_cycle"])
    assert row[1:7] == ["1", "ms", "->", "0.5", "ms", "0.144"]


def test_a_run_up_that_is_too_short_is_told(tmp_path: Path, feedsim: Run) -> None:
    short = ("--set", "feeder.0.insert_eye_to_placement=66 mm", "--carriers", 2000, "--jobs", 1)
    ended = feedsim("budget", CARD, *short, "--speeds", "90 m/min", "--out", tmp_path)
    assert ended.status == 0
    words = " ".join(ended.out.split())
    assert "! The run-up is too short at 90 m/min" in words
    assert "THEY DIFFER by more than 3 %, see below" in words


def test_inches_and_several_feeders(tmp_path: Path, feedsim: Run) -> None:
    ended = feedsim(
        "budget", SCENARIOS / "two_feeders.toml", *FEW, "--units", "inch", "--out", tmp_path,
        "--speeds", "150,300 ft/min",
    )  # fmt: skip
    assert "leaflet feeder: share of the variance (%), standard deviations (in)" in ended.out
    assert "m/min" not in ended.out.replace("ft/min", "")
    assert {f"budget-{n}.{kind}" for n in (0, 1) for kind in ("png", "svg")} < {
        file.name for file in tmp_path.iterdir()
    }


def test_the_profile_of_a_line_is_left_out_and_that_is_said(tmp_path: Path, feedsim: Run) -> None:
    ended = feedsim(
        "budget", SCENARIOS / "from_standstill.toml", "--jobs", 1, "--speeds", "60 m/min",
        "--out", tmp_path,
    )  # fmt: skip
    assert "its speed profile, faults and adjustments are" in ended.out
    assert json.loads((tmp_path / "budget.json").read_text("utf-8"))["steady"] is False


@pytest.mark.parametrize(
    ("call", "fragment"),
    [
        (("--speeds", "3"), "--speeds"),
        (("--speeds", "60:20:10 m/min"), "--speeds"),
        (("--carriers", "0"), "run.carriers"),
        (("--jobs", "0"), "--jobs"),
        (("--units", "cubit"), "--units"),
        (("--set", "feeder.0.insert.gapp=60 mm"), "no such key"),
        (("--set", "line.speed=60"), "line.speed"),
    ],
)
def test_wrong_calls(call: tuple[str, ...], fragment: str, tmp_path: Path, feedsim: Run) -> None:
    ended = feedsim("budget", CARD, *call, "--out", tmp_path / "out")
    assert ended.status == 2
    assert fragment in ended.err
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_cannot_be_is_told_before_anything_is_run(
    tmp_path: Path, feedsim: Run
) -> None:
    (tmp_path / "file").write_text("")
    ended = feedsim("budget", CARD, "--out", tmp_path / "file" / "out")
    assert ended.status == 2
    assert "cannot make this folder" in ended.err
