"""Lines that stop, as their user meets them."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from pathlib import Path

import pytest

from feedsim.metrics.plain import as_object
from feedsim.running.run import run_scenario
from feedsim.scenario import scenario_from_dict

SCENARIOS = Path(__file__).parents[2] / "scenarios"
STOPS, CARD = SCENARIOS / "stops.toml", SCENARIOS / "membership_card.toml"

Run = Callable[..., object]


def table(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="ascii", newline="") as file:
        return list(csv.DictReader(file))


def test_stops_are_told_and_written(tmp_path: Path, feedsim: Run) -> None:
    ended = feedsim("run", STOPS, "--carriers", 1000, "--out", tmp_path, "--trace")
    assert ended.status == 0
    assert "Stops\n" in ended.out
    assert "availability" in ended.out
    results = json.loads((tmp_path / "results.json").read_text("utf-8"))
    stops, rows = results["stops"], table(tmp_path / "stops.csv")
    counted = [row for row in rows if float(row["restarted_s"]) > 6.0]
    assert stops["count"] == len(counted) == sum(stops["by_rule"].values())
    assert {"jam", "emergency_stop"} <= stops["by_rule"].keys()
    down = sum(float(row["downtime_s"]) for row in counted)
    assert abs(down - stops["downtime_s"]) < 1e-6 * down
    lost = results["feeders"][0]["missed"]["by_cause"]["line_stop"]
    assert stops["lost_carriers"] == lost > 0
    events = table(tmp_path / "events.csv")
    emergency = next(row for row in rows if row["rule"] == "emergency_stop")
    during = [
        event["event"]
        for event in events
        if float(emergency["time_s"]) <= float(event["time_s"]) <= float(emergency["restarted_s"])
        and event["part"] == "line"
    ]
    assert during == ["trips", "at_rest", "cleared", "homed", "restarts"]


def test_a_run_with_stops_can_be_run_again(tmp_path: Path, feedsim: Run) -> None:
    feedsim("run", STOPS, "--carriers", 400, "--out", tmp_path)
    stored = json.loads((tmp_path / "results.json").read_text("utf-8"))
    again = as_object(run_scenario(scenario_from_dict(stored["scenario"])).figures())
    assert json.loads(json.dumps(again)) == stored


def test_same_seed_same_bytes(tmp_path: Path, feedsim: Run) -> None:
    for folder in ("a", "b"):
        feedsim("run", STOPS, "--carriers", 400, "--out", tmp_path / folder, "--trace")
    for name in ("results.json", "stops.csv", "events.csv", "carriers.csv"):
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()


@pytest.mark.usefixtures("drawn")
def test_a_timing_diagram_around_a_stop(tmp_path: Path, feedsim: Run) -> None:
    feedsim("run", STOPS, "--carriers", 350, "--around", 299, "--out", tmp_path)
    picture = (tmp_path / "timing.svg").read_text("utf-8")
    assert "line stop" in picture


def test_the_best_rule_is_found_by_a_sweep(tmp_path: Path, feedsim: Run) -> None:
    # Nothing comes from carrier 60 on: each carrier that the rule waits for is one more missed.
    fault = '{carrier = 60, kind = "no_insert"}'
    ended = feedsim(
        "sweep",
        CARD,
        "--vary",
        "supervision.misses_in_a_row=1:10:3",
        "--set",
        f"fault=[{fault}]",
        "--set",
        "run.carriers=120",
        "--out",
        tmp_path,
    )
    assert ended.status == 0
    rows = table(tmp_path / "sweep.csv")
    assert [row["stops"] for row in rows] == ["1"] * 4
    not_staged = [int(row["missed_not_staged"]) for row in rows]
    assert not_staged == [1, 4, 7, 10]
    assert "Stops of the line" in ended.out


def test_a_line_that_never_gets_going_says_so(tmp_path: Path, feedsim: Run) -> None:
    weak = (
        "--set",
        "feeder.0.servo.max_acceleration=10 m/s^2",
        "--set",
        "supervision.drive_overload=true",
    )
    ended = feedsim("run", CARD, "--carriers", 200, "--out", tmp_path, *weak)
    assert ended.status == 0
    assert "THE RUN WAS GIVEN UP: 5 stops in a row" in ended.out
    results = json.loads((tmp_path / "results.json").read_text("utf-8"))
    assert results["stops"]["gave_up"].endswith("drive overload")
    # the caption says how many came, and the hazards count each that tripped
    came = 200 - results["stops"]["never_came"]
    assert 0 <= came < 50
    assert f"given up after {came} of 200 carriers" in ended.out
    assert ", 200 carriers," not in ended.out
    assert results["feeders"][0]["hazards"]["drive_overload"]["count"] == 5
    assert results["accepted"] is False


def test_a_scenario_without_supervision_has_no_table_of_stops(tmp_path: Path, feedsim: Run) -> None:
    feedsim("run", CARD, "--carriers", 50, "--out", tmp_path)
    results = json.loads((tmp_path / "results.json").read_text("utf-8"))
    nothing = {"count": 0, "downtime_s": 0.0, "availability": 1.0, "by_rule": {}}
    assert results["stops"] == nothing
    assert not (tmp_path / "stops.csv").exists()
    assert not {"supervision", "fault", "adjust"} & results["scenario"].keys()


def test_the_old_name_of_supervision_is_noted_once(tmp_path: Path, feedsim: Run) -> None:
    old = tmp_path / "old.toml"
    old.write_text(STOPS.read_text("utf-8").replace("[supervision]", "[guard]"), "utf-8")
    ended = feedsim("check", old, "--set", "guard.misses_in_a_row=5")
    note = "note: [guard] is now called [supervision]; the old name is still read\n"
    assert (ended.status, ended.err) == (0, note)
