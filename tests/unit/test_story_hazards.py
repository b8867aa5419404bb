"""The hazards of a story: each as the results count it, in words that say why."""

from __future__ import annotations

from dataclasses import fields, replace

import pytest

from feedsim.answers.explain.study.record import HazardMargin, Story
from feedsim.answers.explain.study.run import first_hazard
from feedsim.answers.explain.study.story import story_of
from feedsim.arrivals import Paced
from feedsim.draws.line_draws import RunDraws
from feedsim.machine import Carriers, Clutch, Servo
from feedsim.metrics.hazards import hazards
from feedsim.metrics.rows import cycle_rows
from tests.random_machines import random_machine
from tests.unit.story_cases import (
    CRITERIA,
    draws_of,
    plain,
    source_of,
    told,
    with_feeder,
    with_settings,
)


def hazard(story: Story, name: str) -> HazardMargin:
    return next(h for h in story.hazards if h.hazard == name)


def test_a_quiet_cycle() -> None:
    # Stage 60 of 95; the clutch opens at 155.6 of feed, the tail of insert 1 then at 155.6 + 60 −
    # 85.6 = 130 of 100; the insert lies from 20 to 105.6 on 210.
    line = plain()
    story = told(line, draws_of(line))
    assert not story.at_risk
    margins = {h.hazard: h.margin for h in story.hazards}
    assert margins["nose_strike"] == pytest.approx(35.0, abs=1e-9)
    assert margins["tail_held"] == pytest.approx(30.0, abs=1e-9)
    assert margins["speed_mismatch"] == pytest.approx(5.0, abs=1e-9)
    assert margins["off_carrier"] == pytest.approx(20.0, abs=1e-9)
    assert [h.hazard for h in story.hazards if h.seen] == []


def test_a_held_tail_says_what_its_place_is_made_of() -> None:
    # Insert 2 comes 45 nearer: behind insert 1 a gap of 25 instead of 70, its nose at U = 60 past
    # the eye as the clutch opens: the tail at 85, 15 short of the grip end.
    line = plain()
    draws = draws_of(line)
    cards = list(draws.insert_cards[0])
    cards[2] = cards[2]._replace(nose_mm=266.2, seen_edge_mm=266.2)
    story = told(line, replace(draws, insert_cards=[cards]))
    found = hazard(story, "tail_held")
    assert found.seen
    assert found.margin == pytest.approx(-15.0, abs=1e-9)
    assert "a gap of 25 mm (nominal 70 mm)" in found.words
    assert "the next nose was 60 mm past the insert eye" in found.words
    assert "AT RISK in its feed cycle: tail held." in story.reason


def test_the_tail_of_a_double_has_a_margin_too() -> None:
    line = plain()
    draws = draws_of(line)
    cards = list(draws.insert_cards[0])
    cards[1] = cards[1]._replace(length_mm=105.6, double_mm=20.0, called_double=True)
    story = told(line, replace(draws, insert_cards=[cards]))
    assert hazard(story, "tail_held").margin == pytest.approx(10.0, abs=1e-9)
    assert hazard(story, "double").seen
    assert "the double check found it" in hazard(story, "double").words


def test_a_nose_past_its_limit() -> None:
    line = with_feeder(plain(), nose_limit_mm=59.5)
    found = hazard(told(line, draws_of(line)), "nose_strike")
    assert found.seen
    assert found.margin == pytest.approx(-0.5, abs=1e-9)
    assert "rested at 60 mm; beyond 59.5 mm" in found.words


@pytest.mark.parametrize(
    ("clutch", "why"),
    [
        (Clutch(False, 0.2, 0.0), "the ramp-in was not over"),
        (Clutch(True, 200.0, 0.0), "the ramp-in was not over"),
    ],
)
def test_a_speed_mismatch_says_why(clutch: Clutch, why: str) -> None:
    line = with_settings(with_feeder(plain(), clutch=clutch), engage_distance_mm=360.0)
    found = hazard(told(line, draws_of(line), carrier=0), "speed_mismatch")
    assert found.seen
    assert why in found.words


def test_a_speed_mismatch_of_the_ratio_and_of_a_clutch_that_has_opened() -> None:
    line = plain(1.25)
    found = hazard(told(line, draws_of(line)), "speed_mismatch")
    assert found.margin == pytest.approx(5.0 - 25.0, abs=1e-9)
    assert "the nose moved at 75 m/min, the belt at 60 m/min" in found.words
    assert "the speed ratio is off 1" in found.words
    # lands 4.4 mm into the ramp-out: see the like in test_story_missed.py
    line = with_feeder(plain(), insert_eye_to_placement_mm=160.0, clutch=Clutch(False, 0.0, 0.02))
    line = with_settings(line, engage_distance_mm=320.0, disengage_distance_mm=-10.0)
    found = hazard(told(line, draws_of(line)), "speed_mismatch")
    assert "the clutch had opened before the landing" in found.words


def test_an_insert_off_its_carrier() -> None:
    # E 25 short: the insert lies 5 before the leading edge
    line = with_settings(plain(), engage_distance_mm=335.0)
    found = hazard(told(line, draws_of(line)), "off_carrier")
    assert found.seen
    assert found.margin == pytest.approx(-5.0, abs=1e-9)
    assert "from -5 mm to 80.6 mm on a carrier of 210 mm: it overhangs by 5 mm" in found.words


def test_an_overloaded_drive() -> None:
    # 1000 mm/s in 20 ms: 50 m/s²; a step asks for an infinite acceleration
    servo = Servo(max_acceleration_mm_s2=40_000.0)
    line = with_feeder(plain(), clutch=Clutch(False, 0.02, 0.02), servo=servo)
    found = hazard(told(line, draws_of(line)), "drive_overload")
    assert found.seen
    assert found.margin == pytest.approx(-10_000.0)
    assert "ask for 50 m/s², too much; the drive can give 40 m/s²" in found.words
    step = hazard(told(with_feeder(plain(), servo=servo), draws_of(plain())), "drive_overload")
    assert step.seen
    assert "infinite" in step.words
    assert step.margin is None


def test_every_hazard_is_seen_where_the_results_count_it() -> None:
    seen: set[str] = set()
    for seed in range(25):
        line = random_machine(seed)
        source = source_of(line, RunDraws(line, seed), carriers=30)
        firsts = []
        for feeder in source.feeders:
            rows = cycle_rows(feeder.rows, 0)
            counted, jam_risk = hazards(
                feeder.rows,
                rows,
                machine=feeder.machine,
                room_mm=line.carriers.length_mm - feeder.machine.inserts.length_mm,
                criteria=CRITERIA,
                resolution_mm=source.resolution_mm,
            )
            stories = [story_of(source, k, feeder=feeder.number) for k in range(30)]
            for field in fields(counted):
                mine = [hazard(s, field.name) for s in stories if s.hazards]
                assert sum(h.seen for h in mine) == getattr(counted, field.name).count
                for h in mine:
                    if h.margin is not None and abs(h.margin) > 1e-6:
                        assert h.seen == (h.margin < 0.0)
                seen |= {h.hazard for h in mine if h.seen}
            at_risk = [s.carrier for s in stories if s.at_risk]
            assert len(at_risk) == jam_risk.count
            assert first_hazard(source, feeder.number) == (at_risk[0] if at_risk else None)
            firsts += at_risk[:1]
        assert first_hazard(source) == min(firsts, default=None)
    assert len(seen) == 7


def test_a_carrier_without_a_feed_cycle_has_no_hazards() -> None:
    line = plain(carriers=Carriers(Paced(90.0, 260.0)))
    story = told(line, draws_of(line, (300.0, 400.0, 900.0)))
    assert story.outcome == "not_staged"
    assert story.hazards == ()
    assert not story.at_risk
