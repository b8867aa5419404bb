"""``feedsim learn`` on real files and on wrong ones."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from feedsim.answers.data import described

SCENARIOS = Path(__file__).parent.parent.parent / "scenarios"
CARD = SCENARIOS / "learn_card.toml"
LOGS = tuple(str(SCENARIOS / f"learn_card_{speed}.csv") for speed in (40, 60))
Run = Callable[..., Any]
HIDDEN = {  # what the logs were made with: the head of learn_card.toml
    "controller.motion_cycle": 0.0042,
    "feeder.0.clutch.ramp_in": 0.026,
    "feeder.0.servo.command_delay": 0.0016,
    "feeder.0.servo.loop_gain": 150.0,
    "feeder.0.insert.gap": 64.0,
    "carrier.pitch_sd": 6.0,
}


def test_says_writes_and_draws_what_it_learned(feedsim: Run, tmp_path: Path) -> None:
    new = tmp_path / "new.toml"
    ended = feedsim("learn", CARD, *LOGS, "--out", tmp_path / "out", "--write", new)
    assert ended.status == 0
    assert "DIFFERS" in ended.out
    assert "Cannot be told" in ended.out
    assert {path.name for path in (tmp_path / "out").iterdir()} >= {"learn.json", "learn.png"}
    found = json.loads((tmp_path / "out/learn.json").read_text("utf-8"))
    Draft202012Validator(described("learn")).validate(found)
    rows = {row["key"]: row for row in found["learned"] if row["key"]}
    for key, truth in HIDDEN.items():
        assert rows[key]["verdict"] == "differs", key
        width = rows[key]["high"] - rows[key]["low"]
        # of one seed: within the width about the middle, 4 sd, of each
        assert abs(rows[key]["value"] - truth) < width, key
    text = new.read_text("utf-8")
    assert "# as ordered; learned from learn_card_40.csv" in text
    assert tomllib.loads(text)["line"] == tomllib.loads(CARD.read_text("utf-8"))["line"]
    pitches = (tmp_path / "new_pitches.csv").read_text("utf-8").splitlines()
    assert pitches[1] == "pitch_mm"
    assert len(pitches) > 50
    assert feedsim("check", new).status == 0


def test_the_program_and_the_rows_say_the_same(feedsim: Run, tmp_path: Path) -> None:
    """At both speeds the planted lead, 2 ms short, closes later: by 1.3 and by 2 mm."""
    ended = feedsim("learn", CARD, *LOGS, "--out", tmp_path)
    said = " ".join(ended.out.split("Program beside its settings")[1].split())
    slow, fast = said.split("Log 2, learn_card_60.csv:")
    assert "On average closings come 1.08 mm later" in slow
    assert "another distance or lead, 60 closings of 60" in fast
    assert "On average" not in fast
    assert "engage distance 359.6 mm and lead 9.7 ms; the scenario has 360.025 mm and 12" in fast
    assert "does not show the motion cycle" not in said
    forward = next(line for line in ended.out.splitlines() if "velocity feedforward" in line)
    assert forward.count("%") == 2


def test_ticks_that_a_short_log_does_not_show_are_said(feedsim: Run, tmp_path: Path) -> None:
    """19 acts are too few for the motion cycle of 4.2 ms; by the scenario's 1 ms all are late."""
    log = tmp_path / "cut.csv"
    log.write_text("".join(Path(LOGS[0]).read_text("utf-8").splitlines(True)[:4304]), "utf-8")
    said = " ".join(feedsim("learn", CARD, log, "--out", tmp_path / "out").out.split())
    assert "does not show the motion cycle, so this takes the scenario's" in said
    assert "whole ticks or" not in said
    fits = re.findall(r"fit a motion cycle of ([0-9.]+) ms or a little more", said)
    assert fits
    assert all(3.0 < float(cycle) <= 4.2 for cycle in fits)
    assert "motion cycle (at most" not in said  # of ticks that are not regular nothing is known


def test_swapped_motion_is_refused_and_nothing_written(feedsim: Run, tmp_path: Path) -> None:
    log, new = tmp_path / "swapped.csv", tmp_path / "new.toml"
    text = Path(LOGS[0]).read_text("utf-8")
    log.write_text(
        text.replace("command_mm,feeder.0.actual", "actual_mm,feeder.0.command", 1), "utf-8"
    )
    ended = feedsim("learn", CARD, log, "--write", new, "--out", tmp_path / "out")
    assert ended.status == 2
    assert "feeder.0.actual_mm: is ahead of feeder.0.command_mm" in " ".join(ended.err.split())
    assert not new.exists()
    assert not (tmp_path / "out").exists()


def test_a_clock_that_jumps_by_an_hour_is_no_wrong_unit(feedsim: Run, tmp_path: Path) -> None:
    lines = Path(LOGS[0]).read_text("utf-8").splitlines()
    rows = [line.split(",", 1) for line in lines[1:]]
    moved = [f"{float(t) + 3600.0 * (n >= 4000):.6f},{rest}" for n, (t, rest) in enumerate(rows)]
    log = tmp_path / "jump.csv"
    log.write_text("\n".join([lines[0], *moved, ""]), "utf-8")
    ended = feedsim("learn", CARD, log, "--out", tmp_path / "out")
    assert ended.status == 0
    assert "3600 s before row 4002" in " ".join(ended.out.split())


def test_nothing_is_written_where_nothing_differs(feedsim: Run, tmp_path: Path) -> None:
    out = tmp_path / "run"
    settings = ("--set", "run.warm_up=0", "--carriers", "60")
    assert feedsim("run", CARD, *settings, "--log", "samples", "--out", out).status == 0
    new = tmp_path / "new.toml"
    ended = feedsim("learn", CARD, out / "log.csv", "--out", tmp_path / "out", "--write", new)
    assert ended.status == 0
    assert "Nothing in the log differs" in ended.out
    assert "was not written" in ended.out
    assert not new.exists()


@pytest.mark.parametrize("units", ["metric", "inch"])
def test_units(feedsim: Run, tmp_path: Path, units: str) -> None:
    ended = feedsim("learn", CARD, LOGS[1], "--units", units, "--out", tmp_path)
    assert ended.status == 0
    assert ("ft/min" if units == "inch" else "m/min") in ended.out


def test_one_speed_cannot_part_distance_and_lead(feedsim: Run, tmp_path: Path) -> None:
    ended = feedsim("learn", CARD, LOGS[1], "--json", "--out", tmp_path)
    rows = {row["key"]: row for row in json.loads(ended.out)["learned"] if row["key"]}
    row = rows["feeder.0.settings.engage_lead"]
    assert row["verdict"] == "untold"
    assert "one speed" in row["why"]


def test_a_log_that_is_none_is_told_and_nothing_is_written(feedsim: Run, tmp_path: Path) -> None:
    log, new = tmp_path / "log.csv", tmp_path / "new.toml"
    log.write_text("time_s,carrier_eye\n0.0,0\n0.1,two\n", "utf-8")
    ended = feedsim("learn", CARD, log, "--out", tmp_path / "out", "--write", new)
    assert ended.status == 2
    assert "row 3" in ended.err
    assert not new.exists()
    assert not (tmp_path / "out").exists() or not any((tmp_path / "out").glob("*.json"))


def test_a_file_in_the_way_is_kept(feedsim: Run, tmp_path: Path) -> None:
    for name in ("new.toml", "new_pitches.csv"):
        there = tmp_path / name
        there.write_text("mine", "utf-8")
        ended = feedsim(
            "learn", CARD, LOGS[1], "--out", tmp_path / "out", "--write", tmp_path / "new.toml"
        )
        assert ended.status == 2
        assert there.read_text("utf-8") == "mine"
        there.unlink()


def test_little_in_a_log_is_said(feedsim: Run, tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    rows = "".join(f"{0.001 * n:.3f},{int(n % 270 < 200)}\n" for n in range(8000))
    log.write_text(f"time_s,carrier_eye\n{rows}", "utf-8")
    ended = feedsim("learn", CARD, log, "--out", tmp_path / "out")
    assert ended.status == 0
    for why in ("no clutch in the log", "no commanded feed", "from the carriers' length"):
        assert why in ended.out.replace("\n", " ").replace("    ", " ")


def test_too_little_of_a_log_is_refused(feedsim: Run, tmp_path: Path) -> None:
    log = tmp_path / "short.csv"
    log.write_text("".join(Path(LOGS[0]).read_text("utf-8").splitlines(True)[:11]), "utf-8")
    ended = feedsim("learn", CARD, log, "--out", tmp_path / "out")
    assert ended.status == 2
    assert "nothing can be learned from 0.0" in " ".join(ended.err.split())
    assert not (tmp_path / "out").exists()


def test_logs_of_one_name_are_told_apart(feedsim: Run, tmp_path: Path) -> None:
    """Each is named by its number; no line is wider than a page."""
    logs = []
    for number, log in enumerate(LOGS):
        (tmp_path / str(number)).mkdir()
        logs.append(tmp_path / str(number) / "an_export_of_the_third_shift_on_that_line.csv")
        logs[-1].write_text(Path(log).read_text("utf-8"), "utf-8")
    ended = feedsim("learn", CARD, *logs, "--units", "inch", "--out", tmp_path / "out")
    assert ended.status == 0
    said = ended.out.splitlines()
    assert sum(line.startswith("  line speed in log ") for line in said) == 2
    assert [line[:8] for line in said if line.endswith("line.csv:")] == ["Log 1, 0", "Log 2, 1"]
    assert max(len(line) for line in said if not line.startswith("wrote")) <= 100


def test_a_scenario_in_inches_is_written_in_inches(feedsim: Run, tmp_path: Path) -> None:
    """Whatever the answer is printed in, a file keeps its own units."""
    line, new = SCENARIOS / "imperial.toml", tmp_path / "new.toml"
    real = ("--set", 'feeder.0.insert.gap="3 in"', "--set", 'carrier.pitch_sd="0.2 in"')
    run = ("--carriers", "80", "--set", "run.warm_up=0", "--log", "samples", "--out", tmp_path)
    assert feedsim("run", line, *real, *run).status == 0
    log = tmp_path / "log.csv"
    ended = feedsim(
        "learn", line, log, "--write", new, "--units", "metric", "--out", tmp_path / "out"
    )
    assert ended.status == 0
    changed = set(new.read_text("utf-8").splitlines()) - set(line.read_text("utf-8").splitlines())
    assert any("gap = " in text for text in changed)
    assert not [text for text in changed if " mm" in text]
    assert "pitch_in" in (tmp_path / "new_pitches.csv").read_text("utf-8")
    assert feedsim("check", new).status == 0
