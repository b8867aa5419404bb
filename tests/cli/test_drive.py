"""``feedsim drive`` as its user meets it."""

from __future__ import annotations

import csv
import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from feedsim.scenario.csv_numbers import ALONE

SCENARIOS = Path(__file__).parents[2] / "scenarios"
SIZING = SCENARIOS / "drive_sizing.toml"
FEW = ("--set", "run.carriers=12", "--set", "run.warm_up=3")

Run = Callable[..., object]

KEYS = {  # as users are promised
    "peak_torque_n_m",
    "rms_torque_n_m",
    "peak_speed_rpm",
    "rms_power_w",
    "peak_power_w",
    "reflected_inertia_kg_m2",
    "inertia_ratio",
    "friction_limited_acceleration_mm_s2",
}
ROTORS = (3e-6, 6e-6, 1.8e-5, 3.2e-5, 1.1e-4, 2.9e-4, 2.4e-3)  # kg·m², of drive_motors.csv


def test_the_answer_has_demand_candidates_practice_and_cautions(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, feedsim: Run
) -> None:
    monkeypatch.chdir(tmp_path)
    ended = feedsim("drive", SIZING, *FEW, "--speeds", "60,120 m/min")
    assert ended.status == 0
    assert ended.err == ""
    text = re.sub(r"\s+", " ", ended.out)
    assert "Candidates at 60 m/min" in text
    assert "Candidates at 120 m/min" in text
    assert "motor A, 50 W FAIL" in text
    assert "motor E, 750 W pass" in text
    assert "Highest line speed of each candidate" in text
    # (0.6·2 − 0.8)/0.005 = 80 m/s² while it is held, 1.2/0.005 after; 2 m/s / 80 m/s² = 25 ms
    assert "80 m/s² while the magazine holds it, 240 m/s² after" in text
    assert "The insert slips from 120 m/min on" in text
    assert "the shortest ramp that it follows there is 25 ms" in text
    assert "servo.max_acceleration is" in text
    assert "taken from it" in text
    assert "By common practice (no source)" in text
    assert "A motor maker's own data and curves, and a licensed engineer, decide" in text
    assert "no safety function" in text
    *lines, _ = ended.out.splitlines()  # the last tells the files and where they are
    assert max(len(line) for line in lines) <= 100
    folder = tmp_path / "plots/drive_sizing/drive"
    assert {p.name for p in folder.iterdir()} == {
        "drive.sha256",
        "drive.json",
        "drive.csv",
        "cycle.csv",
        "drive-time.png",
        "drive-time.svg",
        "drive-limits.png",
        "drive-limits.svg",
    }
    with (folder / "drive.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 2 * 7
    assert set(rows[0]) >= KEYS
    assert float(rows[0]["line_speed_mm_s"]) == 1000.0
    with (folder / "cycle.csv").open(encoding="utf-8", newline="") as file:
        over_time = [row for row in csv.DictReader(file) if row["candidate"] == "motor E, 750 W"]
    slow = [row for row in over_time if float(row["line_speed_mm_s"]) == 1000.0]
    # the feed reaches the line's speed, and the clutch closes again after 260 mm at 1 m/s
    assert max(float(row["feed_speed_mm_s"]) for row in slow) == pytest.approx(1000.0, rel=1e-6)
    assert float(slow[-1]["time_s"]) == pytest.approx(0.260, abs=0.008)
    (row,) = [row for row in rows if row["candidate"] == "motor E, 750 W"][:1]
    peak = max(abs(float(row["torque_n_m"])) for row in slow)
    assert peak == pytest.approx(float(row["peak_torque_n_m"]), rel=1e-3)


def test_json_has_the_promised_keys_for_each_speed_and_candidate(
    tmp_path: Path, feedsim: Run
) -> None:
    folder = tmp_path / "a"
    ended = feedsim("drive", SIZING, *FEW, "--speeds", "40,60 m/min", "--json", "--out", folder)
    assert ended.status == 0
    found = json.loads(ended.out)
    assert ended.err.startswith("wrote drive.json, drive.csv,")
    assert (folder / "drive.json").read_text("utf-8") == ended.out
    (feeder,) = found["feeders"]
    assert [p["line_speed_mm_s"] for p in feeder["speeds"]] == pytest.approx([2000.0 / 3.0, 1000.0])
    for point in feeder["speeds"]:
        assert len(point["candidates"]) == 7
        for one, rotor in zip(point["candidates"], ROTORS, strict=True):
            assert set(one) >= KEYS
            assert set(one["criteria"]) == {
                "peak_torque", "rms_torque", "speed", "inertia_ratio", "duty",
            }  # fmt: skip
            assert one["passes"] == all(c["met"] for c in one["criteria"].values())
            assert one["rms_torque_n_m"] < one["peak_torque_n_m"]
            assert one["friction_limited_acceleration_mm_s2"] == pytest.approx(80_000.0)
            ratio = one["reflected_inertia_kg_m2"] / rotor
            assert one["inertia_ratio"] == pytest.approx(ratio, rel=1e-12)
    first, second = feeder["speeds"]
    # the highest speed of the feed is that of the line: ω = n·v/r
    assert second["candidates"][0]["peak_speed_rpm"] == pytest.approx(1432.394, rel=1e-4)
    assert first["cycle_s"] > second["cycle_s"]
    assert feeder["max_acceleration_mm_s2"] == pytest.approx(
        feeder["candidates"][4]["available_acceleration_mm_s2"]
    )
    for one in feeder["candidates"]:
        highest = one["highest_line_speed_mm_s"]
        at_60 = next(c for c in second["candidates"] if c["name"] == one["name"])
        assert at_60["passes"] == (highest is not None and highest >= 1000.0)


def test_inches(tmp_path: Path, feedsim: Run) -> None:
    ended = feedsim(
        "drive", SIZING, *FEW, "--speeds", "200 ft/min", "--units", "inch", "--out", tmp_path / "a"
    )
    assert ended.status == 0
    assert "200 ft/min" in ended.out
    assert "lbf·in" in ended.out
    assert "in/s²" in ended.out
    for metric in ("N·m", "kg·cm²", "m/min", " m/s²"):
        assert metric not in ended.out


def test_a_scenario_without_a_drive_says_what_to_give(tmp_path: Path, feedsim: Run) -> None:
    ended = feedsim("drive", SCENARIOS / "membership_card.toml", "--out", tmp_path / "a")
    assert ended.status == 2
    assert ended.out == ""
    assert "feeder.0.drive: the scenario has no drive; write [feeder.drive]" in ended.err
    assert not (tmp_path / "a").exists()


def test_a_step_of_speed_is_refused(tmp_path: Path, feedsim: Run) -> None:
    change = "feeder.0.clutch.ramp_in=0 ms"
    ended = feedsim("drive", SIZING, "--set", change, "--out", tmp_path / "a")
    assert ended.status == 2
    assert "feeder.0.clutch.ramp_in: is 0, a step of speed that no motor can follow" in ended.err


def test_a_bad_table_of_motors_ends_with_a_message(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, feedsim: Run
) -> None:
    monkeypatch.chdir(tmp_path)
    table = (SCENARIOS / "drive_motors.csv").read_text("utf-8")
    Path("a.toml").write_text(SIZING.read_text("utf-8"), "utf-8")
    bad = {
        "rated_torque_n_m": ("rated_torque_kg", "does not say the unit of a torque"),
        ",rotor_inertia_kg_cm2": (",inertia", 'column "rotor_inertia_kg_m2" is missing'),
        ",0.48,": (",0.1,", "row 2: peak_torque"),
        ",0.03,": (",0,", 'row 2: rotor_inertia: found "0"'),
        ",0.16,": (',"0,16",', "a decimal point; decimal commas need semicolons between the cells"),
        "0.64,1.9,": ("0,64,1,9,", "names 8; decimal commas need semicolons between the cells"),
        ",50,": (",1e300,", f"such as 1.25, {ALONE}; nothing beyond 1000000000 W"),
        ",100,": (",1e-300,", f"such as 1.25, {ALONE}; at least "),
    }
    for old, (new, fragment) in bad.items():
        Path("drive_motors.csv").write_text(table.replace(old, new, 1), "utf-8")
        ended = feedsim("drive", "a.toml")
        assert ended.status == 2, old
        assert ended.out == ""
        assert "Traceback" not in ended.err
        assert fragment in ended.err
        assert "error: feeder.0.drive.motors: " in ended.err


def test_a_mechanism_without_candidates_is_told_alone(tmp_path: Path, feedsim: Run) -> None:
    text = SIZING.read_text("utf-8")
    for line in ('motors = "drive_motors.csv"\n', 'chosen = "motor E, 750 W"\n'):
        text = text.replace(line, "")
    text = text.replace('max_acceleration = "auto"', 'max_acceleration = "100 m/s^2"')
    path = tmp_path / "alone.toml"
    path.write_text(text, "utf-8")
    ended = feedsim("drive", path, *FEW, "--speeds", "60 m/min", "--out", tmp_path / "a")
    assert ended.status == 0
    assert "What the axis needs" in ended.out
    assert "Candidates" not in ended.out
    assert {p.name for p in (tmp_path / "a").iterdir()} == {
        "drive.sha256",
        "drive.json", "drive.csv", "cycle.csv", "drive-time.png", "drive-time.svg",
    }  # fmt: skip
    with (tmp_path / "a" / "drive.csv").open(encoding="utf-8", newline="") as file:
        (row,) = csv.DictReader(file)
    assert float(row["rms_torque_n_m"]) > 0.0
