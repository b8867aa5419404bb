"""``feedsim compare`` as its user meets it."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from pathlib import Path

import pytest

from feedsim.answers.compare.study import results, setups
from feedsim.cli import main

SCENARIOS = Path(__file__).parents[2] / "scenarios"
CARD = SCENARIOS / "membership_card.toml"
HAND = SCENARIOS / "hand_fed.toml"
LATCHED = "carrier_eye.capture=latched; feeder.0.eye.capture=latched"
FEW = ("--carriers", 150, "--speeds", "12,24 m/min", "--jobs", 1)
FILES = {"compare.json", "compare.csv", "compare.png", "compare.svg", "compare.sha256"}

Run = Callable[..., object]


def test_a_comparison_writes_its_files_and_says_what_is_decided(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, feedsim: Run
) -> None:
    monkeypatch.chdir(tmp_path)
    ended = feedsim("compare", HAND, "--but", LATCHED, *FEW)
    assert ended.status == 0
    assert ended.err == ""
    folder = tmp_path / "plots/hand_fed/compare"
    assert {p.name for p in folder.iterdir()} == FILES
    # a scan of 10 ms spreads either eye by v·10 ms/√12: 0.58 mm at 12 m/min, 1.15 at 24
    assert "B spreads less at 12 and 24 m/min" in ended.out or (
        "B spreads less at every speed from 12 to 24 m/min" in ended.out
    )
    assert "Jam risk      no difference seen at any speed" in ended.out
    with (folder / "compare.csv").open(encoding="utf-8") as file:
        assert len(list(csv.DictReader(file))) == 2


@pytest.mark.usefixtures("drawn")
def test_same_bytes_from_one_job_and_from_two(tmp_path: Path, feedsim: Run) -> None:
    for jobs in (1, 2):
        ended = feedsim("compare", CARD, "--but", "controller.motion_cycle=2 ms", "--carriers", 80,
                        "--speeds", "40,90,150 m/min", "--jobs", jobs,
                        "--out", tmp_path / str(jobs))  # fmt: skip
        assert ended.status == 0
    for name in FILES:
        one, two = ((tmp_path / jobs / name).read_bytes() for jobs in "12")
        assert one == two, name


def test_a_setup_of_a_comparison_is_a_run_of_its_own(tmp_path: Path, feedsim: Run) -> None:
    feedsim("compare", HAND, "--but", LATCHED, *FEW, "--out", tmp_path)
    points = json.loads((tmp_path / "compare.json").read_text("utf-8"))["points"]
    changes = [word for change in LATCHED.split("; ") for word in ("--set", change)]
    run = feedsim("run", HAND, *changes, "--carriers", 150, "--speed", "24 m/min", "--json",
                  "--out", tmp_path / "run")  # fmt: skip
    alone = {k: v for k, v in json.loads(run.out).items() if k != "scenario"}
    assert points[1]["results"][1] == {"setup": "B", **alone}
    # and the difference of the hours is that of the two
    hourly = [result["complete"]["per_hour"] for result in points[1]["results"]]
    assert points[1]["differences"][0]["complete_per_hour"] == hourly[1] - hourly[0]


def test_a_scenario_compared_with_itself_differs_by_exactly_nothing(
    tmp_path: Path, feedsim: Run
) -> None:
    ended = feedsim("compare", HAND, HAND, *FEW, "--out", tmp_path)
    plain = json.loads((tmp_path / "compare.json").read_text("utf-8"))
    for point in plain["points"]:
        (difference,) = point["differences"]
        assert difference["complete_per_hour"] == 0.0
        for figure, d in difference["feeders"][0].items():
            if figure.startswith("placement"):
                assert (d["difference_mm"], d["ci95_mm"], d["exact"]) == (0.0, [0.0, 0.0], True)
            elif figure not in {"name", "first_name"}:
                assert (d["difference"], d["only_first"], d["only_other"]) == (0.0, 0, 0)
    assert "Mean error    exactly the same on these carriers at every speed" in ended.out
    assert "Missed        no difference seen at any speed" in ended.out


TICKLESS = ("controller.motion_cycle=0 ms", "controller.scan=0 ms",
            "feeder.0.settings.engage_distance=360 mm",
            "feeder.0.settings.engage_lead=0 ms")  # fmt: skip


def test_a_shift_that_the_cards_make_exact_is_said_to_be_exact(
    tmp_path: Path, feedsim: Run
) -> None:
    # No tick: every card lies 0.2 mm, four counts of 500/10000 mm, further back.
    sets = [word for change in TICKLESS for word in ("--set", change)]
    call = ("compare", CARD, "--but", "later: feeder.0.settings.engage_distance=360.2 mm", *sets,
            "--carriers", 100, "--speeds", "10 m/min", "--jobs", 1, "--out", tmp_path)  # fmt: skip
    ended = feedsim(*call)
    said = " ".join(ended.out.split())  # however the lines are broken
    assert "+0.200 mm, exact on these carriers (every one moved by as much)" in said
    assert "Spread exactly the same on these carriers at 10 m/min" in said
    plain = json.loads((tmp_path / "compare.json").read_text("utf-8"))
    d = plain["points"][0]["differences"][0]["feeders"][0]["placement_mean"]
    assert d["difference_mm"] == pytest.approx(0.2, abs=1e-9)
    assert d["ci95_mm"][0] == d["ci95_mm"][1] == d["difference_mm"]
    low, high = d["unpaired_ci95_mm"]
    assert high - low > 0.01
    # the twin: with a motion tick of 5 ms (0.83 mm) some cards move by a tick, others not at all
    ended = feedsim(*call, "--set", "controller.motion_cycle=5 ms")
    assert "exact on these carriers" not in " ".join(ended.out.split())


def test_all_setups_take_the_cards_and_limits_of_the_first(tmp_path: Path, feedsim: Run) -> None:
    other = tmp_path / "other.toml"
    text = CARD.read_text("utf-8").replace("seed = 1", "seed = 9").replace("5000", "77")
    other.write_text(text + "\n[acceptance]\nmissed = '50 %'\n", "utf-8")
    ended = feedsim("compare", CARD, other, "--set", "run.warm_up=5", "--speeds", "60 m/min",
                    "--jobs", 1, "--json", "--out", tmp_path / "out",
                    "--set", "run.carriers=60")  # fmt: skip
    assert ended.status == 0
    assert ended.err.startswith("note: B has seed and acceptance from A, not its own\n")
    plain = json.loads(ended.out)
    assert [result["seed"] for result in plain["points"][0]["results"]] == [1, 1]
    (difference,) = plain["points"][0]["differences"]
    assert difference["feeders"][0]["placement_mean"]["exact"]
    assert ended.out == (tmp_path / "out/compare.json").read_text("utf-8")


def test_speeds_and_replications_are_those_of_the_first(tmp_path: Path, feedsim: Run) -> None:
    ended = feedsim("compare", CARD, HAND, "--carriers", 30, "--jobs", 1, "--json",
                    "--set", "sweep.speeds=['30 m/min', '60 m/min']",
                    "--replications", 2, "--out", tmp_path)  # fmt: skip
    plain = json.loads(ended.out)
    assert [p["line_speed_mm_s"] for p in plain["points"]] == [500.0, 1000.0]
    assert [r["carriers"] for p in plain["points"] for r in p["results"]] == [60] * 4
    assert list(plain["highest_accepted_speed_mm_s"]) == ["A", "B"]


def test_names_and_changes_are_told_apart() -> None:
    assert setups.read_but("a.b=c") == ("", ("a.b=c",))
    assert setups.read_but(" quick : a.b=c ;d=e; ") == ("quick", ("a.b=c", "d=e"))
    # a colon in a value is one
    assert setups.read_but("title=now: later") == ("", ("title=now: later",))
    assert setups.read_but("now: title=a: b") == ("now", ("title=a: b",))
    # a semicolon between quotes parts nothing
    assert setups.read_but("""title="a; 'b"; seed_='c;d'""") == (
        "",
        ("""title="a; 'b\"""", "seed_='c;d'"),
    )


WRONG = {
    "one setup only": ([CARD], "SCENARIO: needs two setups or more"),
    "no such file": ([CARD, "nowhere.toml"], "nowhere.toml: there is no such file"),
    "no such key": ([CARD, "--but", "carrier_eye.captur=latched"],
                    '--but: carrier_eye.captur: there is no such key; the nearest'),
    "no such value": ([CARD, "--but", "a name: controller.scan=long"], "--but: controller.scan:"),
    "no equals sign": ([CARD, "--but", "controller.scan"], "--but: "),
    "nothing changed": ([CARD, "--but", "name:"], "--but: found 'name:'"),
    "no name": ([CARD, "--but", ": line.acceleration=1 m/s^2"], "a name of 1 to 40 letters"),
    "an open quote": ([CARD, "--but", "title='open"], "--but: a quote is not closed"),
    "a geometry that cannot be": ([CARD, "--but", "feeder.0.settings.stage_position=130 mm"],
                                  "--but: feeder.0.settings.stage_position"),
    "other cards": ([CARD, "--but", "seed=4"], "--but seed: is the same for all setups"),
    "other limits": ([CARD, "--but", "acceptance.missed=5 %"], "--but acceptance.missed: is the"),
    "another speed": ([CARD, "--but", "line.speed=5 m/min"], "--but line.speed: is the same"),
    "feeders that differ in number": ([CARD, SCENARIOS / "two_feeders.toml"],
                                      "two_feeders: has 2 feeders, membership_card has 1 feeder"),
    "too many": ([CARD, *["--but", "title=x"] * 8], "SCENARIO: 9 setups are too many"),
    "falling speeds": ([CARD, CARD, "--speeds", "60:20:10 m/min"], "--speeds: found"),
    "a wrong --set": ([CARD, CARD, "--set", "line.sped=1"], "line.sped: there is no such key"),
}  # fmt: skip


@pytest.mark.parametrize(("words", "says"), WRONG.values(), ids=WRONG)
def test_wrong_calls(words: list[object], says: str, tmp_path: Path, feedsim: Run) -> None:
    ended = feedsim("compare", *words, "--out", tmp_path / "out")
    assert ended.status == 2
    assert ended.out == ""
    assert ended.err.startswith("error: ")
    assert says in ended.err
    assert list(tmp_path.iterdir()) == []


def test_all_faults_of_all_setups_come_at_once(tmp_path: Path, feedsim: Run) -> None:
    ended = feedsim("compare", CARD, "--but", "line.sped=1", "--but", "controller.scn=2 ms",
                    "--out", tmp_path / "out")  # fmt: skip
    assert "line.sped" in ended.err
    assert "controller.scn" in ended.err


def test_an_interrupt_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, feedsim: Run
) -> None:
    def run_at_speed(*call: object) -> object:
        raise KeyboardInterrupt

    monkeypatch.setattr(results, "_run_at_speed", run_at_speed)
    ended = feedsim("compare", HAND, HAND, *FEW, "--out", tmp_path / "out")
    assert ended.status == main.INTERRUPTED
    assert "nothing was written" in ended.err
    assert list(tmp_path.iterdir()) == []


def test_setups_of_different_length_are_refused(tmp_path: Path, feedsim: Run) -> None:
    ended = feedsim("compare", SCENARIOS / "recorded.toml", "--but", "carrier.after_record=end",
                    "--out", tmp_path / "out")  # fmt: skip
    assert ended.status == 2
    assert "record of carriers ends; give --carriers" in ended.err
    assert list(tmp_path.iterdir()) == []


def test_stops_of_each_setup_are_shown_side_by_side(tmp_path: Path, feedsim: Run) -> None:
    ended = feedsim("compare", SCENARIOS / "stops.toml", "--but", "supervision.clearing_time=10 s",
                    "--carriers", 400, "--speeds", "60 m/min", "--jobs", 1, "--out",
                    tmp_path)  # fmt: skip
    assert ended.status == 0
    assert "Stops of the line" in ended.out
    (point,) = json.loads((tmp_path / "compare.json").read_text("utf-8"))["points"]
    a, b = (results["stops"] for results in point["results"])
    assert a["count"] == b["count"] > 0
    assert b["availability"] > a["availability"]
    head = (tmp_path / "compare.csv").read_text("utf-8").splitlines()[0]
    assert "availability_setup" in head
