"""``feedsim sweep`` as its user meets it."""

from __future__ import annotations

import csv
import json
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from feedsim import load, rehearse
from feedsim.answers.sweep import study
from feedsim.answers.sweep.study import highest_accepted
from feedsim.cli.main import INTERRUPTED
from tests.unit.sweep_points import point

SCENARIOS = Path(__file__).parents[2] / "scenarios"
CARD = SCENARIOS / "membership_card.toml"
FEW = ("--carriers", 120, "--speeds", "40,60,150 m/min")
FILES = {
    "sweep.json", "sweep.csv", "sweep.png", "sweep.svg", "rows.png", "rows.svg", "sweep.sha256",
    "report.html",
}  # fmt: skip

Run = Callable[..., object]


def same_files(a: Path, b: Path) -> None:
    assert {p.name for p in a.iterdir()} == {p.name for p in b.iterdir()}
    for path in a.iterdir():
        assert path.read_bytes() == (b / path.name).read_bytes(), path.name


def test_a_sweep_writes_its_files_and_says_how_far_it_is_accepted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, feedsim: Run
) -> None:
    monkeypatch.chdir(tmp_path)
    ended = feedsim("sweep", CARD, *FEW, "--jobs", 1)
    assert ended.status == 0
    folder = tmp_path / "plots/membership_card/sweep"
    assert {p.name for p in folder.iterdir()} == FILES
    assert "Accepted so far at every speed of the sweep up to 60 m/min" in ended.out
    with (folder / "sweep.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [float(r["line_speed_mm_s"]) for r in rows] == pytest.approx(
        [v * 1000.0 / 60.0 for v in (40, 60, 150)], rel=1e-12
    )


def test_the_points_of_a_report_lead_to_their_pages(tmp_path: Path, feedsim: Run) -> None:
    few = ("--carriers", 120, "--speeds", "60,150 m/min")
    assert feedsim("sweep", CARD, *few, "--jobs", 1, "--pages", "--out", tmp_path).status == 0
    report = (tmp_path / "report.html").read_text("utf-8")
    led_to = set(re.findall(r'href="([^"]+)"', report))
    assert led_to == {"point-0.html", "point-1.html"}
    # what the command does that the report names: none missed at 60 m/min, tails held at 150
    line = load(CARD).but({"run.carriers": 120})
    slow = rehearse(line.but({"line.speed": "60 m/min"}))
    fast = rehearse(line.but({"line.speed": "150 m/min"}), first_hazard=True)
    for place, page in enumerate((slow, fast)):
        bare = replace(page.lines[0], name="Membership card on A5 letter", changes=())
        made = replace(page, lines=(bare,))
        assert (tmp_path / f"point-{place}.html").read_text("utf-8") == made.html()
    assert fast.choice.because == "hazard"


def test_pages_of_very_many_points_are_refused_before_any_work(
    tmp_path: Path, feedsim: Run
) -> None:
    ended = feedsim("sweep", CARD, "--speeds", "20:61:1 m/min", "--pages", "--out", tmp_path / "x")
    assert ended.status == 2
    assert "--pages" in ended.err
    assert "42 points" in ended.err
    assert "at most 40" in ended.err
    assert not (tmp_path / "x").exists()


@pytest.mark.usefixtures("drawn")
def test_same_bytes_from_one_job_and_from_two(tmp_path: Path, feedsim: Run) -> None:
    for jobs in (1, 2):
        folder = tmp_path / str(jobs)
        assert feedsim("sweep", CARD, *FEW, "--jobs", jobs, "--out", folder).status == 0
    same_files(tmp_path / "1", tmp_path / "2")


def test_a_point_alone_equals_the_point_in_the_sweep(tmp_path: Path, feedsim: Run) -> None:
    feedsim("sweep", CARD, *FEW, "--jobs", 1, "--out", tmp_path)
    plain = json.loads((tmp_path / "sweep.json").read_text("utf-8"))
    assert plain["islands"] == []
    together = next(row for row in plain["closed_form"] if row["mechanism"] == "all together")
    assert plain["closed_form_refused"][0]["from_mm_s"] == pytest.approx(
        together["speed_mm_s"],
        rel=1e-6,  # the end of one mechanism, where they are as near
    )
    assert plain["closed_form_refused"][-1]["to_mm_s"] is None
    point = plain["points"][2]
    (errors,) = point.pop("placement_errors")
    run = feedsim("run", CARD, "--carriers", 120, "--speed", "150 m/min", "--json",
                  "--out", tmp_path / "run")  # fmt: skip
    alone = json.loads(run.out)
    assert {k: v for k, v in alone.items() if k != "scenario"} == point
    placed = errors["below"] + sum(errors["counts"]) + errors["above"]
    assert placed == point["feeders"][0]["placement_error"]["n"]


def test_the_same_cards_at_every_speed_and_all_replications_in_a_point(
    tmp_path: Path, feedsim: Run
) -> None:
    feedsim("sweep", CARD, "--carriers", 60, "--speeds", "30,60 m/min", "--replications", 2,
            "--jobs", 1, "--out", tmp_path)  # fmt: skip
    points = json.loads((tmp_path / "sweep.json").read_text("utf-8"))["points"]
    assert [p["line_speed_mm_s"] for p in points] == [500.0, 1000.0]
    assert [(p["replications"], p["carriers"]) for p in points] == [(2, 120), (2, 120)]
    # the same pitches pass at half the speed in twice the time
    assert points[0]["duration_s"] == pytest.approx(2.0 * points[1]["duration_s"], rel=1e-9)
    # and the second run had random numbers of its own
    alone = feedsim("run", CARD, "--carriers", 60, "--speed", "30 m/min", "--json",
                    "--out", tmp_path / "run")  # fmt: skip
    assert points[0]["duration_s"] != pytest.approx(
        2.0 * json.loads(alone.out)["duration_s"], rel=1e-6
    )


def interrupt_after(points: int, monkeypatch: pytest.MonkeyPatch) -> None:
    ran = study.run_point
    done = 0

    def run_point(*call: object) -> object:
        nonlocal done
        if done == points:
            raise KeyboardInterrupt
        done += 1
        return ran(*call)  # type: ignore[arg-type]

    monkeypatch.setattr(study, "run_point", run_point)


@pytest.mark.usefixtures("drawn")
def test_an_interrupted_sweep_goes_on_to_the_same_bytes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, feedsim: Run
) -> None:
    call = ("sweep", CARD, *FEW, "--jobs", 1, "--out")
    feedsim(*call, tmp_path / "whole")
    with monkeypatch.context() as patch:
        interrupt_after(2, patch)
        ended = feedsim(*call, tmp_path / "parts")
    assert ended.status == INTERRUPTED
    assert "2 of 3 points are kept" in ended.err
    assert "--resume runs the others" in ended.err
    assert {p.name for p in (tmp_path / "parts").iterdir()} == {".feedsim"}
    # what is kept is of this sweep alone
    other = feedsim(*call, tmp_path / "parts", "--resume", "--set", "seed=5")
    assert other.status == 2
    assert "another scenario" in other.err
    with monkeypatch.context() as patch:
        interrupt_after(1, patch)  # only one point is left to run
        assert feedsim(*call, tmp_path / "parts", "--resume").status == 0
    same_files(tmp_path / "whole", tmp_path / "parts")
    again = feedsim(*call, tmp_path / "parts", "--resume")
    assert again.status == 2
    assert "no unfinished sweep" in again.err


def test_the_highest_accepted_speed_has_none_refused_below_it() -> None:
    three = [point(v, accepted=a).results for v, a in ((1.0, True), (2.0, False), (3.0, True))]
    assert highest_accepted(three) == 1.0
    assert highest_accepted(three[1:]) is None
    assert highest_accepted([three[0], point(1.0, accepted=False).results]) is None
    assert highest_accepted([three[0], three[2]]) == 3.0


def test_json_alone_on_standard_output_equals_the_file(tmp_path: Path, feedsim: Run) -> None:
    ended = feedsim("sweep", CARD, *FEW, "--jobs", 1, "--out", tmp_path, "--json")
    assert ended.out == (tmp_path / "sweep.json").read_text("utf-8")


@pytest.mark.parametrize(
    ("speeds", "fragment"),
    [
        ("120:20:10 m/min", "rises"),
        ("20:120:0 m/min", "above 0"),
        ("20:120:-5 m/min", "above 0"),
        ("20:120:10", "a range such as"),
        ("20:120 m/min", "a range such as"),
        ("20,fast m/min", "a range such as"),
        ("20:120:10 mm", "a range such as"),
        ("1:2000:0.1 m/min", "at most 1000"),
        ("", "a range such as"),
    ],
)
def test_wrong_speeds(speeds: str, fragment: str, tmp_path: Path, feedsim: Run) -> None:
    ended = feedsim("sweep", CARD, "--speeds", speeds, "--out", tmp_path / "out")
    assert ended.status == 2
    assert ended.err.startswith("error: --speeds")
    assert fragment in ended.err
    assert list(tmp_path.iterdir()) == []
