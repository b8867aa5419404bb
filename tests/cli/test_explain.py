"""``feedsim explain`` as its user meets it."""

from __future__ import annotations

import csv
import io
import json
import math
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from feedsim.answers.run.tables import carriers_csv, counted_carriers
from feedsim.running.run import run_scenario
from feedsim.scenario import load_scenario

SCENARIOS = Path(__file__).parents[2] / "scenarios"
CARD = SCENARIOS / "membership_card.toml"

Run = Callable[..., object]


@pytest.fixture(autouse=True)
def _elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Write to the plots of a folder of the test's own."""
    monkeypatch.chdir(tmp_path)


def row_of(carrier: int) -> dict[str, str]:
    """Return a carrier's row of carriers.csv."""
    what, file = load_scenario(CARD, overrides=["run.carriers=60"]), io.BytesIO()
    records = run_scenario(what).records
    write = carriers_csv(records, counted_carriers(records))
    assert callable(write)
    write(file)
    rows = csv.DictReader(file.getvalue().decode("ascii").splitlines())
    return next(row for row in rows if row["carrier"] == str(carrier))


def test_the_story_is_that_of_carriers_csv(feedsim: Run) -> None:
    row = row_of(42)
    data = json.loads(feedsim("explain", CARD, "--carrier", 42, "--carriers", 60, "--json").out)
    assert data["carrier"] == 42
    (story,) = data["stories"]
    assert story["placement_error_mm"] == float(row["placement_error_mm"])
    total = math.fsum(part["error_mm"] for part in story["parts"])
    assert total == pytest.approx(float(row["placement_error_mm"]), abs=1e-9)
    text = feedsim("explain", CARD, "--carrier", 42, "--carriers", 60).out
    assert re.search(rf"placement error in carriers\.csv +\{total:+.3f}\n", text)
    assert text.startswith("Membership card on A5 letter\n60 m/min, seed 1\n\ncarrier 42 at card")


def test_it_writes_the_story_and_a_figure_of_its_parts(tmp_path: Path, feedsim: Run) -> None:
    assert feedsim("explain", CARD, "--carrier", 3).status == 0
    folder = tmp_path / "plots" / "membership_card" / "explain"
    names = {"explain.json", "explain.png", "explain.svg", "explain.sha256"}
    assert {path.name for path in folder.iterdir()} == names


def test_a_missed_carrier_has_no_parts_to_draw(tmp_path: Path, feedsim: Run) -> None:
    out = tmp_path / "told"
    assert feedsim("explain", CARD, "--first-miss", "--out", out).status == 0
    assert [path.name for path in out.iterdir()] == ["explain.json"]


def test_the_first_that_was_missed_or_at_risk(feedsim: Run) -> None:
    missed = feedsim("explain", CARD, "--first-miss")
    assert "carrier 423 at card feeder: MISSED, not staged" in missed.out
    assert "the eye did not see insert 423" in re.sub(r"\s+", " ", missed.out)
    risky = feedsim("explain", CARD, "--first-hazard")
    assert "carrier 422 at card feeder: PLACED" in risky.out
    assert "AT RISK in its feed cycle: stray insert" in risky.out


def test_there_may_be_none(feedsim: Run) -> None:
    ended = feedsim("explain", CARD, "--first-miss", "--carriers", 30)
    assert ended.status == 0
    assert ended.out.startswith("No carrier was missed in this run of 30.\nwrote ")
    ended = feedsim("explain", CARD, "--first-hazard", "--carriers", 30)
    assert ended.status == 0
    assert ended.out.startswith("No carrier was at risk in this run of 30.\nwrote ")
    ended = feedsim("explain", CARD, "--first-miss", "--carriers", 30, "--json")
    assert json.loads(ended.out)["stories"] == []
    assert json.loads(ended.out)["carrier"] is None


def test_speed_seed_and_keys_change_the_run(feedsim: Run) -> None:
    def error(*more: object) -> float:
        out = feedsim("explain", CARD, "--carrier", 30, "--carriers", 40, "--json", *more).out
        return float(json.loads(out)["stories"][0]["placement_error_mm"])

    plain = error()
    found = {
        error("--speed", "90 m/min"),
        error("--seed", 2),
        error("--set", "feeder.0.insert.gap=75.3 mm"),
    }
    assert len(found | {plain}) == 4


def test_one_feeder_or_each(feedsim: Run) -> None:
    two = SCENARIOS / "two_feeders.toml"
    each = feedsim("explain", two, "--carrier", 8, "--carriers", 20).out
    assert "at card feeder" in each
    assert "at leaflet feeder" in each
    one = feedsim("explain", two, "--carrier", 8, "--carriers", 20, "--feeder", 1).out
    assert "at card feeder" not in one
    assert "at leaflet feeder" in one


def test_inches(feedsim: Run) -> None:
    out = feedsim("explain", CARD, "--carrier", 8, "--carriers", 20, "--units", "inch").out
    assert "196.9 ft/min" in out
    assert " mm" not in out


@pytest.mark.parametrize(
    ("call", "fragment"),
    [
        (("--carrier", "60"), "--carrier: found 60; needs a carrier from 0 to 59"),
        (("--carrier", "-1"), "--carrier: found -1; needs a carrier from 0 to 59"),
        (("--carrier", "x"), "x"),
        ((), "explain needs one of --carrier N, --first-miss and --first-hazard"),
        (("--carrier", "3", "--first-miss"), "explain needs one of"),
        (("--first-miss", "--first-hazard"), "explain needs one of"),
        (("--carrier", "3", "--feeder", "1"), "--feeder: found 1; needs a feeder from 0 to 0"),
        (("--carrier", "3", "--speed", "60"), "--speed"),
        (("--carrier", "3", "--set", "feeder.3.insert.gap=60 mm"), "no such place"),
    ],
)
def test_wrong_calls(call: tuple[str, ...], fragment: str, feedsim: Run) -> None:
    ended = feedsim("explain", CARD, "--carriers", 40, *call)
    assert ended.status == 2
    assert fragment in ended.err
    assert ended.out == ""
