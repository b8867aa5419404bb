"""``feedsim sweep --vary`` as its user meets it."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from pathlib import Path

import pytest

CARD = Path(__file__).parents[2] / "scenarios" / "membership_card.toml"
GAP = ("--vary", "feeder.0.insert.gap=30:90:30 mm")
FEW = ("--carriers", 80)

Run = Callable[..., object]


def sweep_json(folder: Path) -> dict[str, object]:
    return json.loads((folder / "sweep.json").read_text("utf-8"))


def test_a_key_in_place_of_the_speed(tmp_path: Path, feedsim: Run) -> None:
    ended = feedsim("sweep", CARD, *FEW, *GAP, "--jobs", 1, "--out", tmp_path)
    assert ended.status == 0
    found = sweep_json(tmp_path)
    assert found["axes"] == [{"key": "feeder.0.insert.gap", "values": ["30 mm", "60 mm", "90 mm"]}]
    assert {p["line_speed_mm_s"] for p in found["points"]} == {1000.0}
    # with 30 mm the tail is held: nose at 60 − 12 of run-out + 30 of gap is far short of 100 mm
    held = [p["feeders"][0]["hazards"]["tail_held"]["share"] for p in found["points"]]
    assert held[0] > 0.9
    assert held[2] == 0.0
    with (tmp_path / "sweep.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [row["feeder.0.insert.gap_mm"] for row in rows] == ["30.0", "60.0", "90.0"]
    report = (tmp_path / "report.html").read_text("utf-8")
    assert "feeder.0.insert.gap" in report
    assert {"sweep.png", "sweep.svg"} <= {p.name for p in tmp_path.iterdir()}


@pytest.mark.usefixtures("drawn")
def test_a_point_alone_equals_the_point_of_a_map(tmp_path: Path, feedsim: Run) -> None:
    call = ("sweep", CARD, *FEW, *GAP, "--speeds", "40,60.5 m/min", "--out")
    assert feedsim(*call, tmp_path / "1", "--jobs", 1).status == 0
    assert feedsim(*call, tmp_path / "2", "--jobs", 2).status == 0
    for path in (tmp_path / "1").iterdir():
        assert path.read_bytes() == (tmp_path / "2" / path.name).read_bytes(), path.name
    point = sweep_json(tmp_path / "1")["points"][3]
    assert point.pop("varied") == {"feeder.0.insert.gap": "60 mm"}
    run = feedsim("run", CARD, *FEW, "--speed", "60.5 m/min", "--set",
                  "feeder.0.insert.gap=60 mm", "--json", "--out", tmp_path / "run")  # fmt: skip
    alone = json.loads(run.out)
    assert {k: v for k, v in alone.items() if k != "scenario"} == point


def test_words_and_numbers_and_two_keys(tmp_path: Path, feedsim: Run) -> None:
    ended = feedsim("sweep", CARD, *FEW, "--vary", "carrier_eye.capture=latched,scanned", "--vary",
                    "controller.mark_memory=1,8", "--jobs", 1, "--out", tmp_path)  # fmt: skip
    assert ended.status == 0
    points = sweep_json(tmp_path)["points"]
    assert [tuple(p["varied"].values()) for p in points] == [
        ("latched", "1"), ("latched", "8"), ("scanned", "1"), ("scanned", "8")
    ]  # fmt: skip
    assert "scanned" in ended.out


def test_the_line_speed_is_an_axis_like_any_other(tmp_path: Path, feedsim: Run) -> None:
    by_key = ("--vary", "line.speed=40,60 m/min")
    feedsim("sweep", CARD, *FEW, *by_key, "--jobs", 1, "--out", tmp_path / "a")
    feedsim("sweep", CARD, *FEW, "--speeds", "40,60 m/min", "--jobs", 1, "--out", tmp_path / "b")
    assert sweep_json(tmp_path / "a") == sweep_json(tmp_path / "b")


@pytest.mark.parametrize(
    ("call", "fragment"),
    [
        (("--vary", "feeder.0.insert.gap=90:30:30 mm"), "rises"),
        (("--vary", "feeder.0.insert.gap=30:90:0 mm"), "a step above 0"),
        (("--vary", "feeder.0.insert.gap=30:90:30"), "a length with its unit"),
        (("--vary", "feeder.0.insert.gapp=30,60 mm"), "no such key"),
        (("--vary", "feeder.0.insert.gap=1:5000:1 mm"), "at most 1000"),
        (("--vary", "feeder.0.settings.stage_position=60,200 mm"), "stage_position=200 mm"),
        ((*GAP, *GAP), "cannot cross"),
        ((*GAP, "--vary", "seed=1,2", "--speeds", "40 m/min"), "cannot cross"),
        ((*GAP, "--cluster", "tcp://127.0.0.1:8786", "--jobs", "2"), "--cluster"),
        ((*GAP, "--cluster", "somewhere"), "--cluster"),
    ],
)
def test_wrong_calls(call: tuple[str, ...], fragment: str, tmp_path: Path, feedsim: Run) -> None:
    ended = feedsim("sweep", CARD, *FEW, *call, "--out", tmp_path / "out")
    assert ended.status == 2
    assert ended.err.startswith("error: --")
    assert fragment in ended.err
    assert [p.name for p in tmp_path.rglob("*") if p.is_file() and not p.name.startswith(".")] == []
