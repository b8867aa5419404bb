"""``feedsim limit`` as its user meets it."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from scipy.stats import norm

from feedsim.answers.limit import answer
from feedsim.answers.limit.study import closed
from feedsim.running.executor import Local
from feedsim.scenario import scenario_to_dict
from feedsim.settings.limits import TOGETHER

SCENARIOS = Path(__file__).parents[2] / "scenarios"
CARD = SCENARIOS / "membership_card.toml"
# looser figures, so that few carriers decide
LOOSE = (
    "--carriers", 300, "--within", "6 %", "--at-most", 60_000,
    "--set", "acceptance.within_tolerance=97 %", "--set", "acceptance.missed=3 %",
    "--set", "acceptance.jam_risk=3 %",
)  # fmt: skip

Run = Callable[..., object]

pytestmark = pytest.mark.usefixtures("quick_engine")
_CLOSED: dict[str, Any] = {}
_SEARCHED: dict[str, Any] = {}


@pytest.fixture(autouse=True)
def _searched_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Work out once what several commands ask: closed forms, and a search in this process."""
    forms, search = closed.in_closed_form, answer.searched

    def in_closed_form(scenario: Any) -> Any:
        given = scenario_to_dict(scenario)
        del given["run"]["carriers"]  # no matter how many are run
        key = json.dumps(given)
        if key not in _CLOSED:
            _CLOSED[key] = forms(scenario)
        return _CLOSED[key]

    def searched(line: Any, *rest: Any, where: Any, **what: Any) -> Any:
        if where != Local(1):
            return search(line, *rest, where=where, **what)
        key = json.dumps([scenario_to_dict(line.scenario), what["within"], what["at_most"]])
        if key not in _SEARCHED:
            _SEARCHED[key] = search(line, *rest, where=where, **what)
        return _SEARCHED[key]

    monkeypatch.setattr(closed, "in_closed_form", in_closed_form)
    monkeypatch.setattr(answer, "searched", searched)


def test_two_answers_that_agree_and_the_binding_mechanism(feedsim: Run) -> None:
    ended = feedsim("limit", CARD, *LOOSE, "--jobs", 1, "--json")
    assert ended.status == 0
    found = json.loads(ended.out)
    assert found["closed_form"][0]["mechanism"] == "placement error"
    assert TOGETHER in [row["mechanism"] for row in found["closed_form"]]
    speeds = [row["speed_mm_s"] for row in found["closed_form"]]
    assert speeds == sorted(speeds)
    simulated = found["simulated"]
    low, high = simulated["accepted_speed_mm_s"], simulated["refused_speed_mm_s"]
    assert low < found["closed_form_speed_mm_s"] < high
    assert found["agree"] is True
    looked = sum(point["feeders"][0]["carriers"] for point in simulated["seen"])
    assert looked == simulated["carriers"] <= 60_000
    text = feedsim("limit", CARD, *LOOSE, "--jobs", 1).out
    assert "Placement error binds first" in text
    assert "The two agree" in text
    assert "refused (each at 95 %)" in text


def test_the_same_answer_from_one_job_and_from_two(feedsim: Run) -> None:
    one, two = (feedsim("limit", CARD, *LOOSE, "--jobs", jobs, "--json").out for jobs in (1, 2))
    assert one == two


def test_a_limit_that_the_closed_forms_do_not_know_is_told_as_a_finding(
    tmp_path: Path, feedsim: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FEEDSIM_ENGINE", "events")  # the one for lines that change as they run
    # a point that somebody moves by 20 mm while the line runs puts inserts out of any tolerance
    moved = '[[adjust]]\ncarrier = 5\nset = {"feeder.0.settings.engage_distance" = "340 mm"}\n'
    file = tmp_path / "moved.toml"
    file.write_text(CARD.read_text("utf-8") + moved, "utf-8")
    ended = feedsim("limit", file, *LOOSE, "--jobs", 1)
    assert ended.status == 0
    assert "THE TWO DISAGREE" in ended.out
    assert "leave out [[adjust]]" in ended.out


def test_carriers_that_run_out_are_told(feedsim: Run) -> None:
    ended = feedsim("limit", CARD, "--carriers", 300, "--at-most", 5000, "--jobs", 1, "--json")
    found = json.loads(ended.out)["simulated"]
    assert found["ran_out"] is True
    assert found["carriers"] <= 5000


@pytest.mark.parametrize(
    ("carriers", "at_most", "speeds"),
    [(1, 4, 1), (1, 5, 1), (1, 10**30, 10), (300, 1200, 1), (300, 2399, 1), (300, 2400, 2)],
)
def test_any_number_of_carriers_gets_an_answer(
    carriers: int, at_most: int, speeds: int, feedsim: Run
) -> None:
    # a look takes four runs: as many speeds are looked at as that leaves
    call = ("limit", CARD, "--carriers", carriers, "--at-most", at_most, "--jobs", 1)
    ended = feedsim(*call)
    assert ended.status == 0
    assert "carriers at" in ended.out
    found = json.loads(feedsim(*call, "--json").out)["simulated"]
    assert len(found["seen"]) >= speeds
    assert found["carriers"] <= at_most
    if at_most < 10**6:
        assert found["ran_out"] is True
        assert len(found["seen"]) == speeds


def test_a_narrow_stretch_of_locked_ticks_is_not_stepped_over(feedsim: Run) -> None:
    # scanned eyes: near 14.7 m/min a narrow stretch is out of tolerance, just above it is not
    ended = feedsim("limit", SCENARIOS / "hand_fed.toml", "--within", "5 %", "--jobs", 1, "--json")
    found = json.loads(ended.out)
    assert found["agree"] is True
    refused, end = found["closed_form_refused"], found["simulated"]["refused_speed_mm_s"]
    assert len(refused) > 2
    assert refused[0]["to_mm_s"] < refused[1]["from_mm_s"]
    # the search calls nothing above the first stretch it was led to the limit
    assert refused[0]["from_mm_s"] <= end < refused[-1]["from_mm_s"]
    speeds = found["simulated"]["accepted_speeds_mm_s"]
    assert speeds == sorted(speeds)
    assert speeds[-1] == found["simulated"]["accepted_speed_mm_s"] < end


@pytest.mark.parametrize(("allowed", "far"), [("2 ppm", False), ("0.05 ppm", True)])
def test_it_proposes_no_search_that_nobody_can_run(feedsim: Run, allowed: str, far: bool) -> None:
    # none seen of n carriers shows a share below L from n = z²·(1 − L)/L on: 1.9 and 77 millions
    calm = ("feeder.0.insert.misfeed=0 %", "feeder.0.insert.double=0 %", "acceptance.jam_risk=50 %")
    keys = [word for key in (f"acceptance.missed={allowed}", *calm) for word in ("--set", key)]
    few = ("--carriers", 200, "--at-most", 20_000, "--jobs", 1)
    said = " ".join(feedsim("limit", CARD, *few, *keys).out.split())
    assert ("To decide it, with some to spare: --carriers" in said) != far
    assert ("What decides sooner is a limit in [acceptance]" in said) == far


def test_no_limit_and_no_speed_at_all_are_told(feedsim: Run) -> None:
    # for sure by doubles; of so few missed nothing is known
    rough = ("--set", "feeder.0.insert.double=20 %", "--set", "acceptance.missed=0.001 %")
    nothing = feedsim("limit", CARD, *LOOSE, "--jobs", 1, *rough)
    assert "too much even at a crawl" in nothing.out
    assert "To decide it" not in nothing.out  # it is decided
    assert "do not separate" not in nothing.out
    assert "refused for sure" in nothing.out
    assert "no speed tried is accepted" in nothing.out


def test_settings_that_are_right_at_one_speed_have_a_window(feedsim: Run) -> None:
    # 359.925 mm less 12 ms of lead at 60 m/min, the lead left out: right at 60 m/min alone
    ended = feedsim("limit", CARD, *LOOSE, "--jobs", 1, "--json", "--set",
                    "feeder.0.settings.engage_distance=347.925 mm", "--set",
                    "feeder.0.settings.engage_lead=0 ms")  # fmt: skip
    found = json.loads(ended.out)
    low, high = found["closed_form_window_mm_s"]
    assert low < 1000.0 < high < 1100.0
    simulated = found["simulated"]
    assert 1000.0 <= simulated["accepted_speed_mm_s"] < high < simulated["refused_speed_mm_s"]
    assert found["agree"] is True


def test_inches_and_several_feeders(feedsim: Run) -> None:
    ended = feedsim("limit", SCENARIOS / "two_feeders.toml", *LOOSE, "--jobs", 1, "--units", "inch")
    assert "ft/min  leaflet feeder: " in ended.out
    assert "m/min" not in ended.out.replace("ft/min", "")


def test_the_file_is_what_is_printed(tmp_path: Path, feedsim: Run) -> None:
    ended = feedsim("limit", CARD, *LOOSE, "--jobs", 1, "--json", "--out", tmp_path / "out")
    assert (tmp_path / "out/limit.json").read_text("utf-8") == ended.out


@pytest.mark.parametrize(
    ("call", "fragment"),
    [
        (("--within", "0 %"), "--within"),
        (("--within", "2 mm"), "--within"),
        (("--at-most", "0"), "--at-most"),
        (("--at-most", "1"), "needs 20000 or more"),
        (("--carriers", "10000000"), "a look at one speed takes 4 runs of 10000000 carriers"),
        (("--carriers", "1", "--at-most", "3"), "needs 4 or more"),
        (("--carriers", "0"), "run.carriers"),
        (("--set", "feeder.0.insert.gapp=60 mm"), "no such key"),
    ],
)
def test_wrong_calls(call: tuple[str, ...], fragment: str, tmp_path: Path, feedsim: Run) -> None:
    ended = feedsim("limit", CARD, *call, "--out", tmp_path / "out")
    assert ended.status == 2
    assert fragment in ended.err
    assert list(tmp_path.iterdir()) == []


def test_one_jam_in_a_million_says_how_many_carriers_it_would_take(feedsim: Run) -> None:
    """None seen is below the limit from z²·(1 − L)/L on, z of all 12 looks together (scipy)."""
    rare = ("--carriers", 50, "--at-most", 8_000, "--set", "acceptance.jam_risk=1 in 1,000,000")
    text = " ".join(feedsim("limit", CARD, *rare, "--within", "20 %", "--jobs", 1).out.split())
    needed = norm.ppf(1.0 - 0.05 / 24.0) ** 2 * (1.0 - 1e-6) / 1e-6
    said = re.search(r"jam risk from 0\.0001 % at card feeder; about ([\d,]+) would", text)
    assert said is not None
    assert needed < int(said.group(1).replace(",", "")) < 1.02 * needed
    options = re.search(r"--carriers (\d+) --at-most (\d+)", text)
    assert options is not None
    each, in_all = map(int, options.groups())
    speeds = int(re.search(r"8?\d* carriers at (\d+) speeds", text).group(1))
    assert 32 * each > 1.9 * needed
    assert in_all == pytest.approx(2.0 * needed * speeds, rel=0.1)
