"""``feedsim setup`` as its user meets it."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest

SCENARIOS = Path(__file__).parents[2] / "scenarios"
CARD = SCENARIOS / "membership_card.toml"

Run = Callable[..., object]


def test_the_sheet_has_settings_derivation_margins_rules_and_cautions(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, feedsim: Run
) -> None:
    monkeypatch.chdir(tmp_path)
    ended = feedsim("setup", CARD)
    assert ended.status == 0
    text = re.sub(r"\s+", " ", ended.out)
    # 400 + 20 + slip 0.2 + half a count 0.025 − run-up 60 − insert slip 0.300
    assert "Engage distance 359.925 mm 7198 counts" in text
    # eye 0.5 + lag 1.0 + half a ramp 10 + half a cycle 0.5
    assert "Engage lead 12 ms" in text
    assert "run-up of the insert -60.000 mm" in text
    assert "Placement error binds first" in text
    assert "take 1 mm (20 counts) off the engage distance" in text
    assert "add 2 ms to the engage lead" in text
    assert "Correct the stage first" in text
    assert "no safety function" in text
    folder = tmp_path / "plots/membership_card/setup"
    assert {p.name for p in folder.iterdir()} == {"setup.html", "setup.json", "setup.sha256"}


def test_settings_stand_under_the_keys_of_results(tmp_path: Path, feedsim: Run) -> None:
    sheet = json.loads(feedsim("setup", CARD, "--json", "--out", tmp_path / "a").out)
    assert sheet == json.loads((tmp_path / "a/setup.json").read_text("utf-8"))
    run = feedsim("run", CARD, "--json", "--carriers", 50, "--out", tmp_path / "b")
    results = json.loads(run.out)
    assert sheet["feeders"][0]["settings"] == results["feeders"][0]["settings"]


def test_settings_that_were_typed_in_are_held_against_what_would_be_right(
    tmp_path: Path, feedsim: Run
) -> None:
    ended = feedsim("setup", CARD, "--out", tmp_path, "--set",
                    "feeder.0.settings.engage_lead=10 ms")  # fmt: skip
    assert re.search(r"Engage lead +10 ms +as given; 12 ms would be right", ended.out)
    assert "the placement will walk with speed" in re.sub(r"\s+", " ", ended.out)


def test_the_page_is_whole_in_itself_and_escaped(tmp_path: Path, feedsim: Run) -> None:
    evil = '<script>alert(1)</script> & "co"'
    ended = feedsim("setup", CARD, "--out", tmp_path, "--set", f"title='{evil}'", "--set",
                    f"feeder.0.name='{evil}'")  # fmt: skip
    assert ended.status == 0
    page = (tmp_path / "setup.html").read_text("utf-8")
    assert "<script" not in page
    assert "&lt;script&gt;" in page
    assert not re.search(r"(src|href)=|url\(|https?:", page)
    assert "lock it out" in page


@pytest.mark.parametrize(
    ("units", "others"),
    [("inch", r"\d (mm|m/min|mm/s|m/s²?)\b"), ("metric", r"\d (in|ft/min|in/s²?|ft/s²?)\b")],
)
@pytest.mark.parametrize("name", ["two_feeders", "imperial", "membership_card"])
def test_every_number_is_in_the_units_asked_for(
    name: str, units: str, others: str, tmp_path: Path, feedsim: Run
) -> None:
    ended = feedsim("setup", SCENARIOS / f"{name}.toml", "--units", units, "--out", tmp_path)
    assert ended.status == 0
    page = re.sub(r"<style>.*?</style>|<[^>]*>", " ", (tmp_path / "setup.html").read_text("utf-8"),
                  flags=re.DOTALL)  # fmt: skip
    assert "ft/min" in page if units == "inch" else "m/min" in page
    for told in (t.replace("4 1/4 in postcard", "") for t in (ended.out, page)):  # of a title
        assert not re.search(others, told)
        assert "________ in" in told if units == "inch" else "________ mm" in told


def test_a_line_in_inches_has_its_sheet_in_inches(tmp_path: Path, feedsim: Run) -> None:
    imperial = SCENARIOS / "imperial.toml"
    own, asked = (
        feedsim("setup", imperial, *call, "--out", tmp_path).out
        for call in ((), ("--units", "inch"))
    )
    assert own == asked
    assert "Jog an insert in at 20 ft/min" in own  # as the file has it


def test_the_rule_in_inches_says_the_same_as_the_one_in_mm(tmp_path: Path, feedsim: Run) -> None:
    # a lead is a distance over a speed: 0.04 in for each 100 ft/min is 0.04/(100·12/60) s = 2 ms
    told = " ".join(feedsim("setup", CARD, "--units", "inch", "--out", tmp_path).out.split())
    assert "Later by 0.04 in for each 100 ft/min more: add 2 ms to the engage lead" in told
    # a count of 0.05 mm: 1.016 mm are 20, an inch 508
    assert "take 0.04 in (20 counts) off the engage distance" in told
    assert "(1 in is 508 counts)" in told


@pytest.mark.parametrize(
    ("call", "fragment"),
    [
        (("--speed", "60"), "--speed"),
        (("--set", "feeder.3.insert.gap=60 mm"), "no such place"),
    ],
)
def test_wrong_calls(call: tuple[str, ...], fragment: str, tmp_path: Path, feedsim: Run) -> None:
    ended = feedsim("setup", CARD, *call, "--out", tmp_path / "out")
    assert ended.status == 2
    assert fragment in ended.err
    assert list(tmp_path.iterdir()) == []


def test_above_the_limit_the_sheet_is_not_for_production(tmp_path: Path, feedsim: Run) -> None:
    call = ("setup", CARD, "--out", tmp_path, "--speed")
    above, below = (feedsim(*call, speed).out for speed in ("90 m/min", "60 m/min"))
    assert above.startswith("NOT FOR PRODUCTION. 90 m/min is above the limit")
    assert "NOT FOR PRODUCTION" not in below
    steps = above.partition("Commissioning, in this order")[2].partition("Warnings")[0]
    speeds = [float(v) for v in re.findall(r"Run [^,]*, ([0-9.]+) m/min", steps)]
    # its limit is 78 m/min
    assert speeds
    assert max(speeds) < 78.0
    feedsim(*call, "90 m/min")
    page = (tmp_path / "setup.html").read_text("utf-8")
    assert "NOT FOR PRODUCTION" in page
    assert "A at 20 m/min" in page
    assert json.loads((tmp_path / "setup.json").read_text("utf-8"))["production"] is False


def test_no_speed_at_all_leaves_bench_and_jog(tmp_path: Path, feedsim: Run) -> None:
    ended = feedsim("setup", CARD, "--out", tmp_path, "--set", "feeder.0.insert.double=20 %")
    assert ended.status == 0
    assert ended.out.startswith("NOT FOR PRODUCTION. These settings are accepted at no speed")
    assert "Jog an insert in" in ended.out
    assert "Run " not in ended.out.partition("Commissioning, in this order")[2]


@pytest.mark.parametrize(
    ("changes", "units", "parts"),
    [
        # 200 counts on 500 mm: 2.5 mm each, and 1 mm is none of them
        (("line.encoder.counts_per_rev=200",), "metric", ("2.5 mm (1 count)", "5 ms")),
        # 500 counts: 1 mm each; steps of three are 3 mm, at 0.5 m/s 6 ms
        (
            (
                "line.encoder.counts_per_rev=500",
                "feeder.0.settings.resolution.distance_counts=3",
                "feeder.0.settings.resolution.lead=2 ms",
            ),
            "metric",
            (
                "3 mm (3 counts)",
                "6 ms",
                "takes distances in steps of 3 mm and leads in steps of 2 ms",
            ),
        ),
        # a wheel of 16 in with 500 counts: 0.032 in each, 31.25 an inch; two are 0.064 in
        (
            ("line.encoder.counts_per_rev=500", "line.encoder.wheel_circumference=16 in"),
            "inch",
            ("0.064 in (2 counts)", "3.2 ms", "(1 in is 31.25 counts)"),
        ),
    ],
)
def test_the_rules_ask_for_corrections_that_can_be_typed_in(
    changes: tuple[str, ...],
    units: str,
    parts: tuple[str, ...],
    tmp_path: Path,
    feedsim: Run,
) -> None:
    given = [word for change in changes for word in ("--set", change)]
    ended = feedsim("setup", CARD, *given, "--units", units, "--out", tmp_path)
    text = re.sub(r"\s+", " ", ended.out)
    distance, lead, *more = parts
    assert f"take {distance} off the engage distance" in text
    assert f"add {lead} to the engage lead" in text
    assert all(part in text for part in more)
