"""Saving from the desk: in the scenario's own folder, comments kept, over nothing unasked."""

from __future__ import annotations

import os
import shlex
import sys
from pathlib import Path
from typing import Any

import pytest

import feedsim
from tests.desk_asked import SCENARIOS, Asked


@pytest.fixture
def asked(tmp_path: Path) -> Asked:
    path = tmp_path / "line.toml"
    path.write_bytes((SCENARIOS / "membership_card.toml").read_bytes())
    return Asked(path)


def save(asked: Asked, name: str, changes: list[str], **more: Any) -> tuple[int, Any]:
    text = asked.desk.files[0].text
    got = asked.post({"text": text, "changes": changes, "name": name} | more, "/save")
    return got.status, got.json


CHANGES = ["line.speed=72 m/min", "supervision.misses_in_a_row=5", "carrier.missing=1 %"]


def test_a_new_file_says_the_same_with_its_comments(asked: Asked, tmp_path: Path) -> None:
    status, told = save(asked, "faster.toml", CHANGES)
    assert (status, told["saved"]) == (200, "faster.toml")
    written = (tmp_path / "faster.toml").read_text("utf-8")
    assert written == told["text"]
    before = (tmp_path / "line.toml").read_text("utf-8")
    comments = [line for line in before.splitlines() if line.startswith("#")]
    assert comments
    assert [line for line in written.splitlines() if line.startswith("#")] == comments
    assert feedsim.load(tmp_path / "faster.toml").scenario == (
        feedsim.load(tmp_path / "line.toml", CHANGES).scenario
    )
    assert before == asked.desk.files[0].text
    assert sorted(path.name for path in tmp_path.iterdir()) == ["faster.toml", "line.toml"]


def test_a_file_is_written_over_only_when_asked_twice(asked: Asked, tmp_path: Path) -> None:
    path = tmp_path / "line.toml"
    before = path.read_bytes()
    status, told = save(asked, "line.toml", CHANGES)
    assert (status, told["exists"]) == (409, "line.toml")
    assert path.read_bytes() == before
    path.write_bytes(before + b"# somebody else was here\n")
    status, again = save(asked, "line.toml", CHANGES, over=told["over"])
    assert status == 409  # what was agreed to be lost is no longer what stands there
    assert path.read_bytes() == before + b"# somebody else was here\n"
    status, _ = save(asked, "line.toml", CHANGES, over=again["over"])
    assert status == 200
    assert feedsim.load(path).scenario.line.speed == 1200.0


@pytest.mark.parametrize(
    "name",
    [
        "../line.toml",
        "/x.toml",
        "a/b.toml",
        "..\\x.toml",
        ".hidden.toml",
        "x.txt",
        "x.toml\n",
        "x\x00.toml",
        "..toml",
        "C:x.toml",
        "x.toml/",
    ],
)
def test_no_name_leads_out_of_the_folder(asked: Asked, tmp_path: Path, name: str) -> None:
    status, told = save(asked, name, CHANGES)
    assert status == 422, told
    assert [path.name for path in tmp_path.iterdir()] == ["line.toml"]


@pytest.mark.skipif(sys.platform == "win32", reason="links need a privilege there")
def test_a_link_is_not_followed(asked: Asked, tmp_path: Path) -> None:
    outside = tmp_path.parent / f"{tmp_path.name}-outside.toml"
    os.symlink(outside, tmp_path / "link.toml")
    assert save(asked, "link.toml", CHANGES)[0] == 422
    assert not outside.exists()


def test_what_has_a_fault_is_not_saved(asked: Asked, tmp_path: Path) -> None:
    status, told = save(asked, "wrong.toml", ["line.speed=-1 m/min"])
    assert status == 422
    assert told["faults"][0]["path"] == "line.speed"
    assert [path.name for path in tmp_path.iterdir()] == ["line.toml"]


def test_after_a_save_the_commands_name_the_file_that_was_saved(
    asked: Asked, tmp_path: Path
) -> None:
    _, told = save(asked, "faster.toml", CHANGES)
    for name, text, same in (
        ("faster.toml", told["text"], True),
        ("line.toml", asked.desk.files[0].text, True),
        ("line.toml", told["text"] + "# nobody saved this\n", False),
    ):
        found = asked.ask("command", ["seed=4"], text=text, carriers=700)
        assert found["same_file"] is same
        assert bool(found["note"]) is not same
        wanted = ["feedsim", "run", str(tmp_path / name), "--set", "seed=4", "--carriers", "700"]
        assert shlex.split(found["commands"][0]["command"]) == wanted


def test_a_free_name_is_suggested(asked: Asked, tmp_path: Path) -> None:
    (tmp_path / "line-2.toml").touch()
    assert asked.ask("written", CHANGES)["suggested"] == "line-3.toml"


def test_a_recorded_line_can_become_a_paced_one(tmp_path: Path) -> None:
    for name in ("recorded.toml", "recorded_pitches.csv"):
        (tmp_path / name).write_bytes((SCENARIOS / name).read_bytes())
    asked = Asked(tmp_path / "recorded.toml")
    changes = ["carrier.arrival=paced", "carrier.pitch=260 mm"]
    told = asked.ask("written", changes)["text"]
    (tmp_path / "paced.toml").write_text(told, "utf-8")
    assert feedsim.load(tmp_path / "paced.toml").scenario == (
        feedsim.load(tmp_path / "recorded.toml", changes).scenario
    )


def test_no_scenario_reads_a_file_of_another_folder(tmp_path: Path) -> None:
    folder = tmp_path / "own"
    folder.mkdir()
    for name in ("recorded.toml", "recorded_pitches.csv"):
        (folder / name).write_bytes((SCENARIOS / name).read_bytes())
    secret = tmp_path / "secret.csv"
    secret.write_text("pitch_mm\n260\n261\n")
    asked = Asked(folder / "recorded.toml")
    assert asked.ask("run", carriers=50)
    for name in ("../secret.csv", str(secret), "own/../../secret.csv", "\x00", "~/secret.csv"):
        faults = asked.lines("run", [f'carrier.record="{name}"'.replace("\x00", "\\u0000")])[-1]
        assert "faults" in faults, name
        assert not any("261" in fault["text"] for fault in faults["faults"])
    (folder / "copy.csv").write_text("pitch_mm\n260\n261\n")
    assert asked.ask("run", ["carrier.record=copy.csv"], carriers=50)


def test_a_file_that_the_owner_has_named_elsewhere_stays_allowed(tmp_path: Path) -> None:
    folder = tmp_path / "own"
    folder.mkdir()
    text = (SCENARIOS / "recorded.toml").read_text("utf-8")
    record = SCENARIOS / "recorded_pitches.csv"
    (folder / "line.toml").write_text(text.replace('"recorded_pitches.csv"', f"'{record}'"))
    asked = Asked(folder / "line.toml")
    assert asked.ask("run", carriers=50)
    other = SCENARIOS / "trial_reply_card.csv"
    assert "faults" in asked.lines("run", [f"carrier.record='{other}'"])[-1]


def test_a_reload_begins_with_what_stands_in_the_file_now(asked: Asked, tmp_path: Path) -> None:
    text = (tmp_path / "line.toml").read_text("utf-8").replace("60 m/min", "61 m/min")
    (tmp_path / "line.toml").write_text(text, "utf-8")
    assert asked.get("/state").json["files"][0]["text"] == text
    (tmp_path / "line.toml").unlink()
    assert asked.get("/state").json["files"][0]["text"] == asked.desk.files[0].text
