"""``feedsim trial plan`` and ``feedsim trial fit`` as their user meets them."""

from __future__ import annotations

import csv
import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from feedsim.scenario import load_scenario

SCENARIOS = Path(__file__).parents[2] / "scenarios"
CARD = SCENARIOS / "trial_reply_card.toml"
DATA = SCENARIOS / "trial_reply_card.csv"
SPEEDS = {24: 49, 36: 49, 48: 49, 60: 3000}  # m/min: carriers

Run = Callable[..., Any]


def hidden() -> list[str]:
    """Return the faults that the comment of the scenario names, as arguments."""
    found = re.findall(r'^#   ([a-z_0-9.]+="[^"]+") ', CARD.read_text("utf-8"), re.MULTILINE)
    assert len(found) == 5
    return [word for fault in found for word in ("--set", fault)]


def remade(tmp_path: Path, feedsim: Run) -> list[str]:
    """Make the bundled file again, as the comment of the scenario says."""
    lines = ["line_speed_m_per_min,carriers,missed,placement_error_mm,stage_position_mm"]
    for speed, carriers in SPEEDS.items():
        out = tmp_path / str(speed)
        ended = feedsim("run", CARD, "--speed", f"{speed} m/min", "--seed", speed,
                        "--carriers", carriers, *hidden(), "--out", out)  # fmt: skip
        assert ended.status == 0
        with (out / "carriers.csv").open(encoding="ascii") as file:
            rows = list(csv.DictReader(file))
        placed = [row for row in rows if row["outcome"] == "placed"]
        lines.append(f"{speed},{carriers},{len(rows) - len(placed)},,")
        for row in placed[:49]:
            error, stage = float(row["placement_error_mm"]), float(row["stage_position_mm"])
            lines.append(f"{speed},,,{error:.1f},{stage:.1f}")
    return lines


def test_the_bundled_file_is_what_it_says(tmp_path: Path, feedsim: Run) -> None:
    assert remade(tmp_path, feedsim) == DATA.read_text("ascii").splitlines()


def test_the_whole_loop(tmp_path: Path, feedsim: Run) -> None:
    new = tmp_path / "corrected.toml"
    ended = feedsim("trial", "fit", CARD, DATA, "--out", tmp_path / "fit", "--write", new)
    assert ended.status == 0, ended.err
    assert "of jitter that the scenario does not explain" in " ".join(ended.out.split())
    assert "carrier_eye.response" in ended.out
    assert "line.encoder.scale_error" in ended.out
    assert ended.out.endswith(f"wrote {new}, with the settings to type in\n")
    files = {"trial_fit.sha256", "trial_fit.json", "trial_fit.png", "trial_fit.svg"}
    assert {path.name for path in (tmp_path / "fit").iterdir()} == files
    found = json.loads((tmp_path / "fit/trial_fit.json").read_text("utf-8"))
    (feeder,) = found["feeders"]
    # what is hidden: tests/theory/test_trial_coverage.py derives it
    truth = (-0.004 * 450.2, 1.3e-3, 0.0, 0.6e-3)
    sides = (feeder["engage"], feeder["disengage"])
    estimates = [side[name] for side in sides for name in ("distance_mm", "lead_s")]
    for estimate, value in zip(estimates, truth, strict=True):
        assert estimate["low"] < value < estimate["high"]
    assert feeder["missed"]["probability"] < 1e-3

    tolerance = load_scenario(CARD).acceptance.placement_tolerance
    assert mean(feedsim, CARD, 60, tmp_path) > tolerance
    for speed in (24, 36, 48, 60):
        assert abs(mean(feedsim, new, speed, tmp_path)) < 0.2 * tolerance


def mean(feedsim: Run, scenario: Path, speed: int, tmp_path: Path) -> float:
    """Return the mean error of a scenario on the line as it is in truth."""
    ended = feedsim("run", scenario, "--speed", f"{speed} m/min", "--carriers", 1200, *hidden(),
                    "--json", "--out", tmp_path / "run")  # fmt: skip
    (placed,) = json.loads(ended.out)["feeders"]
    return float(placed["placement_error"]["mean_mm"])


def test_a_plan_is_filled_in_and_fitted(tmp_path: Path, feedsim: Run) -> None:
    plan = tmp_path / "plan"
    ended = feedsim("trial", "plan", CARD, "--out", plan)
    assert ended.status == 0
    assert "Engage distance 379.925 mm (7598 counts), engage lead 11.75 ms." in ended.out
    assert "To show, with 95 % confidence, that line speed is accepted" in ended.out
    assert "locked out" in ended.out
    path = plan / "trial_plan.csv"
    lines = path.read_text("ascii").splitlines()
    # again, while nothing has been filled in
    assert feedsim("trial", "plan", CARD, "--out", plan).status == 0
    ended = feedsim("trial", "fit", CARD, path, "--out", tmp_path / "fit")
    assert ended.status == 2
    assert "there is nothing measured in it" in ended.err
    assert "rows are blank" in ended.err
    errors = ("0.3,70.1", "0.5,70.3", "0.4,70.0")
    filled = [
        line.replace(",,,", ",1,,")  # a tally: one missed
        if (k - 1) % 50 == 0
        else line.removesuffix(",") + errors[k % 3]
        for k, line in enumerate(lines)
        if k
    ]
    filled = [lines[0], *filled]
    path.write_text("\n".join(filled) + "\n")
    ended = feedsim("trial", "fit", CARD, path, "--out", tmp_path / "fit")
    assert ended.status == 0, ended.err
    assert "Missed: 4 of" in ended.out
    # what has been filled in is not written over
    ended = feedsim("trial", "plan", CARD, "--out", plan)
    assert ended.status == 2
    assert "has been filled in" in ended.err
    assert path.read_text("ascii").splitlines() == filled
    assert feedsim("trial", "plan", CARD, "--out", plan, "--force").status == 0
    assert path.read_text("ascii").splitlines() == lines


def test_plan_as_json_and_with_other_wishes(tmp_path: Path, feedsim: Run) -> None:
    ended = feedsim(
        "trial", "plan", CARD, "--json", "--out", tmp_path, "--speeds", "30,50 m/min",
        "--confidence", "90 %", "--spread-within", "50 %", "--set", "acceptance.missed=5 %",
    )  # fmt: skip
    found = json.loads(ended.out)
    assert [speed["speed_mm_s"] for speed in found["speeds"]] == pytest.approx(
        [500.0, 2500.0 / 3.0]
    )
    assert found["confidence"] == 0.9
    missed = found["showing"][0]
    assert missed["without_any"] == 45  # tests/published/test_sample_sizes.py
    assert missed["plan"] == {"n": 45, "most": 0}
    assert (tmp_path / "trial_plan.csv").exists()


def test_fit_as_json_is_its_file(tmp_path: Path, feedsim: Run) -> None:
    ended = feedsim("trial", "fit", CARD, DATA, "--json", "--out", tmp_path)
    assert (tmp_path / "trial_fit.json").read_text("utf-8") == ended.out
    assert "wrote trial_fit.json" in ended.err


def test_inches_all_through(tmp_path: Path, feedsim: Run) -> None:
    for words in (("plan",), ("fit", DATA)):
        command, *data = words
        ended = feedsim("trial", command, CARD, *data, "--units", "inch", "--out", tmp_path / "x")
        assert ended.status == 0
        text = ended.out.split("What it can come from")[0]
        assert "ft/min" in text
        assert not re.search(r"\d mm|[^f]m/min", text)


def test_settings_that_are_auto_are_written_as_numbers(tmp_path: Path, feedsim: Run) -> None:
    keys = ("engage_distance", "engage_lead", "disengage_distance", "disengage_lead")
    numbers = re.compile(r'^((?:dis)?engage_\w+) = "[^"]*"', re.MULTILINE)
    text = numbers.sub(r'\1 = "auto"', CARD.read_text("utf-8"))
    old, new = tmp_path / "auto.toml", tmp_path / "new.toml"
    old.write_text(text)
    assert feedsim("trial", "fit", old, DATA, "--out", tmp_path / "x", "--write", new).status == 0
    typed = tmp_path / "typed.toml"
    assert (
        feedsim("trial", "fit", CARD, DATA, "--out", tmp_path / "x", "--write", typed).status == 0
    )
    settings = [load_scenario(path).feeder[0].settings for path in (new, typed)]
    for key in keys:
        assert getattr(settings[0], key) == getattr(settings[1], key)
    assert 'engage_lead = "auto"' not in new.read_text()


def test_a_file_that_is_there_is_not_written_over(tmp_path: Path, feedsim: Run) -> None:
    new = tmp_path / "corrected.toml"
    new.write_text("mine")
    ended = feedsim("trial", "fit", CARD, DATA, "--out", tmp_path / "x", "--write", new)
    assert ended.status == 2
    assert "--force" in ended.err
    assert new.read_text() == "mine"
    assert not (tmp_path / "x").exists()
    ended = feedsim("trial", "fit", CARD, DATA, "--out", tmp_path / "x", "--write", new, "--force")
    assert ended.status == 0
    assert new.read_text().startswith("# A reply card")
    assert "folder" in feedsim("trial", "fit", CARD, DATA, "--write", tmp_path).err


@pytest.mark.parametrize("place", [f"{'a' * 300}/x.toml", "a" * 300, "file/x.toml"])
def test_a_corrected_scenario_that_cannot_be_written_leaves_nothing(
    place: str, tmp_path: Path, feedsim: Run
) -> None:
    (tmp_path / "file").write_text("no folder")
    out = tmp_path / "out"
    ended = feedsim("trial", "fit", CARD, DATA, "--out", out, "--write", tmp_path / place)
    assert ended.status == 2
    assert not out.exists()
    assert [path.name for path in tmp_path.iterdir()] == ["file"]


def test_nothing_to_correct_writes_nothing(tmp_path: Path, feedsim: Run) -> None:
    data = tmp_path / "t.csv"
    rows = "".join(f"{v},{e}\n" for v in (24, 40, 60) for e in (-0.2, 0.2))
    data.write_text(f"line_speed_m_per_min,placement_error_mm\n{rows}")
    new = tmp_path / "new.toml"
    ended = feedsim("trial", "fit", CARD, data, "--out", tmp_path / "x", "--write", new)
    assert ended.status == 0
    assert "nothing to correct" in ended.out
    assert not new.exists()


def test_other_files_of_a_scenario_have_to_lie_beside_the_new_one(
    tmp_path: Path, feedsim: Run
) -> None:
    scenario = tmp_path / "recorded.toml"
    data = tmp_path / "t.csv"
    rows = "".join(f"{v},{5 + e}\n" for v in (24, 40, 60) for e in (-0.2, 0.2))
    data.write_text(f"line_speed_m_per_min,placement_error_mm\n{rows}")
    scenario.write_text((SCENARIOS / "recorded.toml").read_text())
    record = SCENARIOS / "recorded_pitches.csv"
    (tmp_path / record.name).write_bytes(record.read_bytes())
    far, near = tmp_path / "far" / "new.toml", tmp_path / "new.toml"
    ended = feedsim("trial", "fit", scenario, data, "--out", tmp_path / "x", "--write", far)
    assert ended.status == 2
    assert f"write it to the folder of {scenario}" in ended.err
    ended = feedsim("trial", "fit", scenario, data, "--out", tmp_path / "x", "--write", near)
    assert ended.status == 0, ended.err
    assert near.exists()


@pytest.mark.parametrize(
    ("words", "fragment"),
    [
        (("plan", CARD, "--confidence", "20 %"), "--confidence"),
        (("plan", CARD, "--confidence", "sure"), "--confidence"),
        (("plan", CARD, "--spread-within", "0 %"), "--spread-within"),
        (("plan", CARD, "--speeds", "fast"), "--speeds"),
        (("plan", CARD, "--set", "acceptance.mised=1 %"), "no such key"),
        (("plan", "nowhere.toml"), "no such file"),
        (("fit", CARD, "nowhere.csv"), "no such file"),
        (("fit", CARD, SCENARIOS), "is a folder"),
        (("fit", CARD), "DATA"),
    ],
)
def test_wrong_calls(
    words: tuple[object, ...], fragment: str, tmp_path: Path, feedsim: Run
) -> None:
    ended = feedsim("trial", *words, "--out", tmp_path / "out")
    assert ended.status == 2
    assert fragment in ended.err
    assert list(tmp_path.iterdir()) == []


def test_rows_left_out_and_outliers_kept_reach_what_is_written(
    tmp_path: Path, feedsim: Run
) -> None:
    lines = DATA.read_text("ascii").splitlines()
    lines[2] = lines[2].replace(",2.4,", ",9.4,")
    assert lines[2].endswith("9.4,70.3")
    data = tmp_path / "slip.csv"
    data.write_text("\n".join(lines) + "\n")
    written = {}
    for name, words in {
        "found": (),
        "asked": ("--without", "3"),
        "kept": ("--keep-outliers",),
    }.items():
        new = tmp_path / f"{name}.toml"
        ended = feedsim("trial", "fit", CARD, data, *words, "--out", tmp_path / "o", "--write", new)
        assert ended.status == 0, ended.err
        assert ("row 3 (24 m/min)" in ended.out) is (name != "asked")
        written[name] = new.read_text("utf-8")
    assert written["found"] == written["asked"]
    assert written["kept"] != written["found"]


@pytest.mark.parametrize("rows", ["", "x", "0", "3-1", "1.5", "17;203", "5000", "2-99999999", "-3"])
def test_rows_that_cannot_be_left_out(rows: str, tmp_path: Path, feedsim: Run) -> None:
    new = tmp_path / "new.toml"
    ended = feedsim("trial", "fit", CARD, DATA, f"--without={rows}", "--write", new)
    assert ended.status == 2
    assert ended.err.startswith("error: --without: ")
    assert ended.out == ""
    assert not new.exists()


def test_logs_beside_a_trial_part_delays_from_slip(feedsim: Run, tmp_path: Path) -> None:
    """The machine's carrier eye is 0.8 ms slower than the scenario has it: 0.8 mm at 1 m/s."""
    card = SCENARIOS / "learn_card.toml"
    real = ("--set", "carrier_eye.response=1.3 ms", "--set", "run.warm_up=0")
    rows = ["line_speed_m_per_min,placement_error_mm,stage_position_mm"]
    logs: list[str | Path] = []
    for speed in (40, 60):
        out = tmp_path / str(speed)
        at = ("--set", f"line.speed={speed} m/min", "--carriers", "80", "--out", out)
        assert feedsim("run", card, *real, *at, "--log", "samples").status == 0
        logs += ["--log", out / "log.csv"]
        with (out / "carriers.csv").open() as file:
            for row in csv.DictReader(file):
                if row["placement_error_mm"]:
                    cells = (row["placement_error_mm"], row["stage_position_mm"])
                    rows.append(",".join((str(speed), *cells)))
    data = tmp_path / "trial.csv"
    data.write_text("\n".join(rows) + "\n", "utf-8")
    ended = feedsim("trial", "fit", card, data, *logs, "--out", tmp_path / "out")
    assert ended.status == 0, ended.err
    said = " ".join(
        ended.out.split("With 40/log.csv, 60/log.csv: what no settings show")[1].split()
    )
    delay = said.split("carrier eye's own delay")[1].split()
    assert abs(float(delay[0]) - 1.3) < 0.4
    assert "Added by trial.csv" in said
    names = {path.name for path in (tmp_path / "out").iterdir()}
    assert names >= {"trial_fit.json", "trial_fit.png", "learn.json", "learn.png"}
    with_json = feedsim("trial", "fit", card, data, *logs, "--json", "--out", tmp_path / "out")
    assert "what no settings show" in with_json.err
    wrong = feedsim("trial", "fit", card, data, "--log", data, "--out", tmp_path / "none")
    assert wrong.status == 2
    assert not (tmp_path / "none").exists()
