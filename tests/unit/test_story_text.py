"""A story as text: the numbers of the story, aligned, in the units asked for."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from feedsim.answers.explain.study.record import GROUPS, Stories, Story
from feedsim.answers.explain.study.story import story_of
from feedsim.answers.explain.text import stories_text, story_text
from feedsim.draws.line_draws import RunDraws
from feedsim.scenario import load_scenario
from tests.random_machines import random_machine
from tests.unit.story_cases import (
    carrier_with,
    draws_of,
    explain,
    plain,
    source_of,
    told,
    with_settings,
)

CARD = Path(__file__).parents[2] / "scenarios" / "membership_card.toml"
WIDEST = 100


def a_story(units: str = "metric") -> Story:
    what = load_scenario(CARD, overrides=["run.carriers=20"])
    return explain(what, 12, units=units)[0]  # type: ignore[arg-type]


def test_the_columns_add_up_as_they_are_read() -> None:
    story = a_story()
    lines = story_text(story).splitlines()
    begin = next(i for i, line in enumerate(lines) if "What made the placement error" in line)
    groups: dict[str, float] = {}
    for line in lines[begin + 2 :]:
        numbers = [float(n) for n in re.findall(r"(?<=\s)[+-]?\d+\.\d{3}(?=\s|$)", line)]
        if "sum of the parts" in line:
            break
        if any(name in line for name in GROUPS.values()):
            groups[line] = numbers[-1]
        else:
            cost, allowed, error = numbers[-3:]
            assert error == pytest.approx(cost - allowed, abs=0.0016)
    total, recorded = (float(line.split()[-1]) for line in (line, lines[lines.index(line) + 1]))
    assert sum(groups.values()) == pytest.approx(total, abs=0.0021)
    assert total == recorded == pytest.approx(story.placement_error_mm, abs=0.0005)


def test_a_story_of_a_single_cause_as_text() -> None:
    line = with_settings(plain(), engage_distance_mm=361.5)
    text = story_text(told(line, carrier_with(draws_of(line), seen_edge_mm=-0.25)))
    assert "carrier 1 at feeder 0: PLACED\n" in text
    assert re.search(r"-0\.25 +-0\.250  its edge is seen 0\.250 mm early +-0\.250\n", text)
    assert re.search(r"carrier eye edge +-0\.250 +0\.000 +-0\.250\n", text)
    assert re.search(r"engage distance not the right one +\+1\.500 +0\.000 +\+1\.500\n", text)
    assert re.search(r"sum of the parts +\+1\.250\n", text)
    assert re.search(r"placement error in carriers\.csv +\+1\.250\n", text)
    assert "held back" not in text  # parts of nothing are left out
    assert re.search(r"nose strike +35\.000 mm  the staged nose rested at 60 mm", text)


def test_a_missed_carrier_has_no_table() -> None:
    line = plain()
    story = told(line, draws_of(line, (300.0, 320.0, 900.0)))
    text = story_text(story)
    assert "MISSED, merged" not in text or story.outcome == "merged"
    assert "What made" not in text
    assert "Hazards" not in text
    assert "MISSED" in text


def test_inches_all_through() -> None:
    text = stories_text(Stories("", "A card", 1, 1000.0, 12, (a_story("inch"),)), units="inch")
    assert text.startswith("A card\n196.9 ft/min, seed 1\n\ncarrier 12 at card feeder: PLACED\n")
    assert "mm" not in text


def test_no_line_is_too_wide_and_no_number_is_none() -> None:
    for seed in range(12):
        line = random_machine(seed)
        source = source_of(line, RunDraws(line, seed), carriers=20)
        for feeder in range(len(source.feeders)):
            for carrier in range(20):
                text = story_text(story_of(source, carrier, feeder=feeder))
                assert max(map(len, text.splitlines())) <= WIDEST
                assert not re.search(r"\bnan\b|\binf\b|–|-0\.0+(?!\d)|None", text)


def test_a_name_cannot_break_the_head() -> None:
    text = stories_text(Stories("", "two\nlines\x1b[31m", 1, 1000.0, None, ()))
    assert text.splitlines()[0] == "two lines [31m"
