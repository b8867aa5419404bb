"""``feedsim run`` as its user meets it."""

from __future__ import annotations

import csv
import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from feedsim.answers.run import tables
from feedsim.metrics.plain import as_object
from feedsim.running.run import run_scenario
from feedsim.scenario import scenario_from_dict

SCENARIOS = Path(__file__).parents[2] / "scenarios"
CARD = SCENARIOS / "membership_card.toml"
FILES = {
    "run.sha256",
    "results.json",
    "carriers.csv",
    "overview.png",
    "overview.svg",
    "timing.png",
    "timing.svg",
}

Run = Callable[..., object]


@pytest.mark.usefixtures("drawn")
@pytest.mark.parametrize("path", sorted(SCENARIOS.glob("*.toml")), ids=lambda p: p.stem)
def test_every_scenario_of_the_project_runs(path: Path, tmp_path: Path, feedsim: Run) -> None:
    ended = feedsim("run", path, "--carriers", 150, "--out", tmp_path / "out")
    assert ended.status == 0
    assert "ACCEPTED" in ended.out or "NOT DECIDED" in ended.out
    assert "Traceback" not in ended.err
    results = json.loads((tmp_path / "out" / "results.json").read_text("utf-8"))
    assert results["carriers"] == 150
    for feeder in results["feeders"]:
        missed = feeder["missed"]["by_cause"]
        assert feeder["placed"] + sum(missed.values()) == 150


def test_a_run_writes_its_files_below_plots(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, feedsim: Run
) -> None:
    monkeypatch.chdir(tmp_path)
    ended = feedsim("run", CARD, "--carriers", 60, "--trace")
    assert ended.status == 0
    assert {p.name for p in (tmp_path / "plots/membership_card").iterdir()} == {
        *FILES,
        "events.csv",
    }


def test_several_feeders_have_products_too(tmp_path: Path, feedsim: Run) -> None:
    ended = feedsim("run", SCENARIOS / "two_feeders.toml", "--carriers", 60, "--out", tmp_path)
    assert "\nProducts\n" in ended.out
    data = {name for name in FILES if not name.endswith(("png", "svg"))} | {"products.csv"}
    stems = ["product", *(f"{stem}-{n}" for stem in ("overview", "timing") for n in (0, 1))]
    pictures = {f"{stem}.{kind}" for stem in stems for kind in ("png", "svg")}
    assert {p.name for p in tmp_path.iterdir()} == data | pictures
    with (tmp_path / "products.csv").open(encoding="ascii") as file:
        assert len(list(csv.DictReader(file))) == 60


def test_files_of_an_earlier_run_are_named(tmp_path: Path, feedsim: Run) -> None:
    first = feedsim("run", CARD, "--carriers", 30, "--out", tmp_path, "--trace")
    assert first.err == ""
    second = feedsim("run", CARD, "--carriers", 30, "--out", tmp_path)
    assert second.err == "note: from an earlier run, left as they are: events.csv\n"
    assert (tmp_path / "events.csv").exists()


def test_json_alone_on_standard_output_equals_the_file(tmp_path: Path, feedsim: Run) -> None:
    ended = feedsim("run", CARD, "--carriers", 60, "--out", tmp_path, "--json")
    assert ended.out == (tmp_path / "results.json").read_text("utf-8")
    assert "wrote" in ended.err


def test_results_hold_the_scenario_to_run_it_again(tmp_path: Path, feedsim: Run) -> None:
    changes = ("--speed", "71 m/min", "--seed", 9, "--set", "feeder.0.insert.gap=66 mm")
    feedsim("run", CARD, "--carriers", 80, "--out", tmp_path, *changes)
    stored = json.loads((tmp_path / "results.json").read_text("utf-8"))
    again = as_object(run_scenario(scenario_from_dict(stored["scenario"])).figures())
    assert json.loads(json.dumps(again)) == stored


@pytest.mark.usefixtures("drawn")
def test_same_scenario_and_seed_same_bytes(tmp_path: Path, feedsim: Run) -> None:
    for folder in ("a", "b"):
        feedsim("run", CARD, "--carriers", 80, "--out", tmp_path / folder, "--trace")
    for name in (*FILES, "events.csv"):
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes(), name
    feedsim("run", CARD, "--carriers", 80, "--out", tmp_path / "c", "--seed", 2)
    assert (tmp_path / "a/carriers.csv").read_bytes() != (tmp_path / "c/carriers.csv").read_bytes()


@pytest.mark.usefixtures("both_drawn")
def test_same_bytes_in_another_process(tmp_path: Path, feedsim: Run) -> None:
    feedsim("run", CARD, "--carriers", 80, "--out", tmp_path / "a")
    call = [sys.executable, "-m", "feedsim", "run", str(CARD), "--carriers", "80"]
    subprocess.run([*call, "--out", str(tmp_path / "b")], check=True, capture_output=True)
    for name in FILES:
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes(), name


def test_gate_turns_a_result_that_is_not_accepted_into_a_status(
    tmp_path: Path, feedsim: Run
) -> None:
    # a stage position past the nose limit of 95 mm is a hazard in every cycle
    bad = ("--set", "feeder.0.settings.stage_position=96 mm")
    call = ("run", CARD, "--carriers", 60, "--out", tmp_path)
    assert feedsim(*call, "--gate").status == 0
    assert feedsim(*call, *bad).status == 0
    ended = feedsim(*call, *bad, "--gate")
    assert ended.status == 1
    assert "NOT ACCEPTED" in ended.out
    assert "jam" in ended.out


def test_csv_rows_are_the_counted_carriers(tmp_path: Path, feedsim: Run) -> None:
    two = SCENARIOS / "two_feeders.toml"
    feedsim("run", two, "--carriers", 40, "--out", tmp_path)
    with (tmp_path / "carriers.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [int(r["carrier"]) for r in rows] == [k for k in range(20, 60) for _ in range(2)]
    assert {r["feeder"] for r in rows} == {"0", "1"}


def test_a_long_run_writes_the_carriers_that_matter_and_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, feedsim: Run
) -> None:
    def run(*options: object) -> tuple[str, list[dict[str, str]] | None]:
        out = tmp_path / "-".join(map(str, options)).strip("-")
        ended = feedsim("run", CARD, *late, "--carriers", 300, "--out", out, *options)
        if not (file := out / "carriers.csv").exists():
            return ended.out, None
        with file.open(encoding="ascii") as lines:
            return ended.out, list(csv.DictReader(lines))

    late = ("--set", "feeder.0.insert.misfeed=10 %", "--set", "feeder.0.eye.missed=5 %")
    monkeypatch.setattr(tables, "_MOST_ROWS", 299)
    text, some = run()
    assert "carriers missed or at risk, of 300" in text
    _, every = run("--records", "all")
    assert some is not None
    assert every is not None
    assert len(every) == 300
    # what can be seen in a row: a miss, a stray, a double
    seen = [
        r for r in every if r["outcome"] != "placed" or r["strays"] != "0" or r["double"] == "1"
    ]
    assert 20 < len(seen) <= len(some) < 200
    assert all(row in some for row in seen)
    assert all(row in every for row in some)
    text, none = run("--records", "none")
    assert none is None
    assert "carriers.csv: not written" in text
    monkeypatch.setattr(tables, "_MOST_ROWS", 300)
    assert run("--seed", 1)[1] == every


def test_inches_where_asked_for(tmp_path: Path, feedsim: Run) -> None:
    ended = feedsim("run", CARD, "--carriers", 60, "--out", tmp_path, "--units", "inch")
    assert " in" in ended.out
    assert "ft/min" in ended.out
    assert " mm" not in ended.out


def test_frozen_leads_make_the_stage_walk(tmp_path: Path, feedsim: Run) -> None:
    # at 60 m/min the leads are worth 12 ms · 1000 mm/s = 12 mm; frozen there, the stage stands
    # 12 ms · 333.3 mm/s = 4 mm further at 80 m/min
    frozen = [
        word
        for key, value in (
            ("engage_distance", "348 mm"),
            ("engage_lead", "0 ms"),
            ("disengage_distance", "48 mm"),
            ("disengage_lead", "0 ms"),
        )
        for word in ("--set", f"feeder.0.settings.{key}={value}")
    ]
    for speed, stage in (("60 m/min", 60.0), ("80 m/min", 64.0)):
        feedsim("run", CARD, "--carriers", 400, "--out", tmp_path, "--speed", speed, *frozen)
        results = json.loads((tmp_path / "results.json").read_text("utf-8"))
        mean = results["feeders"][0]["stage_position"]["mean_mm"]
        assert mean == pytest.approx(stage, abs=0.1)


def test_no_progress_bar_where_nobody_sees_it(tmp_path: Path, feedsim: Run) -> None:
    ended = feedsim("run", CARD, "--carriers", 60, "--out", tmp_path)
    assert ended.err == ""


@pytest.mark.parametrize(
    ("more", "what"),
    [(["--trace"], "every event of a run"), (["--log", "samples"], "a log of its signals")],
)
def test_the_compiled_engine_is_refused_where_events_are_kept(
    feedsim, tmp_path, monkeypatch, more, what
):
    monkeypatch.setenv("FEEDSIM_ENGINE", "events")  # which the option changes for the process
    ended = feedsim("run", CARD, *more, "--engine", "compiled", "--out", tmp_path / "out")
    assert ended.status == 2
    assert ended.err.startswith(
        f"error: the compiled engine cannot be used: {what} needs the order"
    )
    assert not (tmp_path / "out").exists()
