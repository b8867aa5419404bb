"""Why a carrier was missed: each cause, with numbers worked out by hand.

On the line of ``tests/unit/story_cases.py``, t in ms and travel in mm: the clutch closes 360 after
an edge, and the feeder is ready again 155.6 after that.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from feedsim.answers.explain.study.record import Story
from feedsim.arrivals import Paced
from feedsim.machine import Carriers, Controller, Eye
from tests.unit.story_cases import (
    draws_of,
    insert_with,
    plain,
    told,
    with_feeder,
    with_settings,
)

SHORT = Carriers(Paced(90.0, 260.0))


def why(story: Story) -> str:
    assert story.outcome != "placed"
    assert story.parts == ()
    assert story.placement_error_mm is None
    return " ".join(story.reason)


def missing(story: Story) -> tuple[float, float]:
    """Return by how much it was missed, in ms and mm."""
    assert story.short_s is not None
    assert story.short_mm is not None
    return 1e3 * story.short_s, story.short_mm


def test_a_busy_feeder() -> None:
    # Closed for carrier 0 at 660, ready at 815.6; carrier 1, edge 400, has its point at 760.
    line = plain(carriers=SHORT)
    story = told(line, draws_of(line, (300.0, 400.0, 900.0)))
    assert missing(story) == pytest.approx((55.6, 55.6), abs=1e-9)
    words = why(story)
    assert "100 ms before, the clutch had closed for carrier 0" in words
    assert "ready 55.6 ms later, 55.6 mm of belt too late" in words
    assert "took 155.6 ms, as usual, in which the belt moves 155.6 mm" in words
    assert "came 100 mm behind carrier 0 (mean pitch 260 mm)" in words
    told_of = [event.words for event in story.events]
    assert told_of == [
        "carrier 1 comes to the carrier eye",
        "the carrier eye has switched; travel stored",
        "the clutch closes for carrier 0",
        "the next insert, 1, has switched the insert eye",
        "engage point: 360 mm of belt after the stored travel",
        "missed: not staged",
        "motion tick: the clutch opens, the tail of insert 0 at 130 mm",
        "the feeder is ready again",
    ]


def test_a_feeder_busy_with_a_stray() -> None:
    # Insert 1 is not seen at 755.6; insert 2 comes 155.6 later, ready at 971.2. Carrier 1: point
    # 960.
    line = plain()
    draws = draws_of(line)
    cards = [c._replace(missed=i == 1) for i, c in enumerate(draws.insert_cards[0])]
    story = told(line, replace(draws, insert_cards=[cards]))
    assert missing(story) == pytest.approx((11.2, 11.2), abs=1e-9)
    words = why(story)
    assert "the eye did not see insert 1, so the search went on" in words
    assert "the cycle took 311.2 ms; about 155.6 ms is usual" in words
    assert "insert 1 passes its eye, not taken: a stray" in [e.words for e in story.events]


def test_a_feeder_busy_with_a_misfeed() -> None:
    line = plain()
    draws = draws_of(line)
    cards = [c._replace(drawn=i != 1) for i, c in enumerate(draws.insert_cards[0])]
    words = why(told(line, replace(draws, insert_cards=[cards])))
    assert "the singulator drew nothing once (a misfeed): the cycle took 311.2 ms" in words


def test_a_stray_that_merged() -> None:
    # Off response 30 ms. Insert 1 comes 20 behind insert 0, whose tail passes at 685.6: the
    # output is on until 715.6, and insert 1, at 705.6, is lost in it. Insert 2 comes as it would.
    line = with_feeder(plain(), eye=Eye(off_response_s=0.03))
    draws = insert_with(draws_of(line), nose_mm=-50.0, seen_edge_mm=-50.0)
    words = why(told(line, draws))
    assert "insert 1 came while the eye's output was still on from the insert before" in words


def test_a_stray_that_switched_while_nobody_searched() -> None:
    # Inserts of 20. Insert 2 comes 40 behind insert 1, before that is staged, 60 past the eye: it
    # has gone by when the next search begins, and is a stray of that one.
    line = plain()
    draws = insert_with(draws_of(line), 2, nose_mm=-115.6, seen_edge_mm=-115.6)
    cards = [c._replace(length_mm=20.0) for c in draws.insert_cards[0]]
    story = told(line, replace(draws, insert_cards=[cards]))
    words = next(h.words for h in story.hazards if h.hazard == "stray_insert")
    assert "insert 2 switched the eye while no search was on" in words


def test_a_mark_that_waited_too_long() -> None:
    # It waits from 760 on and may be 90 − 20 late; the feeder needs until 971.2 (a stray).
    line = plain(controller=Controller(not_ready_engages=True), carriers=SHORT)
    draws = draws_of(line, (300.0, 400.0, 900.0))
    cards = [c._replace(missed=i == 1) for i, c in enumerate(draws.insert_cards[0])]
    story = told(line, replace(draws, insert_cards=[cards]))
    assert missing(story) == pytest.approx((141.2, 141.2), abs=1e-6)
    assert "waited for the feeder until the carrier was out of reach" in why(story)


def test_a_late_mark() -> None:
    # E = 2: latched at 600, known at the scan tick at 640.3, the point is at 602.
    line = plain(controller=Controller(scan_s=0.08))
    line = with_settings(line, engage_distance_mm=2.0)
    story = told(line, draws_of(line, ticks_s=0.0003))
    assert missing(story) == pytest.approx((38.3, 38.3), abs=1e-9)
    words = why(story)
    assert "lay 2 mm of belt after the stored travel" in words
    assert "known 40.3 ms after its edge, when the belt was already 38.3 mm past" in words


def test_a_late_mark_with_stage_correction_in_force() -> None:
    # U 1.5 too long: once insert 1 is staged, 1.5 is added to E.
    line = plain(controller=Controller(scan_s=0.08, late_mark_engages=False))
    line = with_settings(
        line, engage_distance_mm=50.0, stage_correction=True, disengage_distance_mm=61.5
    )
    draws = draws_of(line, (590.0, 840.0 + 30.0), ticks_s=0.0003)
    # carrier 0: known at 640.3, the point at 640 is 0.3 behind: late, the estimate of insert 0
    # exact
    assert missing(told(line, draws, carrier=0, carriers=2)) == pytest.approx((0.3, 0.3), abs=1e-9)
    draws = draws_of(line, (600.0, 1228.0), ticks_s=0.0003)
    # carrier 0 closes at 650; carrier 1, edge 1228, known at 1280.3: point 1228 + 51.5 = 1279.5
    story = told(line, draws, carrier=1, carriers=2)
    assert missing(story) == pytest.approx((0.8, 0.8), abs=1e-9)
    assert "lay 51.5 mm of belt after" in why(story)


def test_a_late_mark_out_of_reach() -> None:
    # Late marks are engaged, but E = −200 is 200 past the point at once, 10 more than 210 − 20.
    line = plain(controller=Controller(late_mark_engages=True))
    line = with_settings(line, engage_distance_mm=-200.0)
    story = told(line, draws_of(line))
    assert story.outcome == "late_mark"
    assert story.short_mm == pytest.approx(10.0, abs=1e-9)
    words = why(story)
    assert "200 mm past the engage point" in words
    assert "Beyond 190 mm" in words


def test_a_full_memory() -> None:
    # Carrier 0, edge 300, waits for its point at 660; carrier 1 comes at 400.
    line = plain(controller=Controller(mark_memory=1), carriers=SHORT)
    story = told(line, draws_of(line, (300.0, 400.0, 900.0)))
    assert missing(story) == pytest.approx((260.0, 260.0), abs=1e-9)
    words = why(story)
    assert "holds 1 mark, and was full when this one became known: carrier 0 waited" in words
    assert "Carrier 0 left it 260 ms later" in words


def test_a_full_memory_names_all_that_wait() -> None:
    line = plain(controller=Controller(mark_memory=2), carriers=SHORT)
    draws = draws_of(line, (300.0, 400.0, 500.0))
    assert "carriers 0 and 1 waited" in why(told(line, draws, carrier=2))


def test_a_carrier_not_seen() -> None:
    line = plain()
    draws = draws_of(line)
    cards = [c._replace(missed=i == 1) for i, c in enumerate(draws.carrier_cards)]
    story = told(line, replace(draws, carrier_cards=cards))
    assert "The carrier eye did not see it" in why(story)
    assert story.short_s is None


def test_merged_carriers() -> None:
    # The trailing edge of carrier 0 is at 510, the output off 20 later; carrier 1 is seen at 517.
    line = plain(carrier_eye=Eye(off_response_s=0.02))
    story = told(line, draws_of(line, (300.0, 517.0, 900.0)))
    assert missing(story) == pytest.approx((13.0, 13.0), abs=1e-9)
    words = why(story)
    assert "saw it and carrier 0 as one" in words
    assert "gap between them was 7 mm as the eye sees it, and the eye needs 20 mm (20 ms)" in words


def test_an_empty_feeder() -> None:
    # Search limit 100 of feed from the closing at 660; insert 1 is not seen, so the search ends
    # at 760.
    line = plain(controller=Controller(search_limit_mm=100.0))
    draws = draws_of(line)
    cards = [c._replace(missed=i == 1) for i, c in enumerate(draws.insert_cards[0])]
    story = told(line, replace(draws, insert_cards=[cards]))
    assert story.outcome == "no_insert"
    words = why(story)
    assert "no insert was found within the search limit, 100 mm of feed" in words
    assert "The search in the feed cycle of carrier 0 ended 200 ms before" in words


def test_a_feeder_that_still_searched_in_vain() -> None:
    # Carrier 1, edge 395, has its point at 755, in the search that ends at 760.
    line = plain(controller=Controller(search_limit_mm=100.0), carriers=SHORT)
    draws = draws_of(line, (300.0, 395.0, 900.0))
    cards = [c._replace(missed=i == 1) for i, c in enumerate(draws.insert_cards[0])]
    words = why(told(line, replace(draws, insert_cards=[cards])))
    assert "It was still searching for an insert, and gave up 5 ms later" in words
    assert "the eye did not see insert 1" in words


def test_an_insert_that_stopped_short() -> None:
    # Run-up 100; the clutch opens when the next nose is at its eye, 95.6 on: 4.4 short, and no
    # carrier follows.
    line = with_feeder(plain(), insert_eye_to_placement_mm=160.0)
    line = with_settings(line, engage_distance_mm=320.0, disengage_distance_mm=-10.0)
    story = told(line, draws_of(line, (300.0,)), carrier=0, carriers=1)
    assert story.outcome == "not_staged"
    assert story.short_mm == pytest.approx(4.4, abs=1e-9)
    assert "Insert 0 was engaged for it, but the feed stopped 4.4 mm short" in why(story)
    assert story.hazards != ()


# -- behind an input filter, and at a polled eye: 210 long, so 210 ms in the eye -----------------


POLLED = Eye(scanned=True, polled=True)


def test_a_carrier_too_short_for_the_input_filter() -> None:
    line = plain(carrier_eye=Eye(filter_s=0.25))
    story = told(line, draws_of(line, (300.0, 600.0, 900.0)))
    assert story.outcome == "not_seen"
    assert story.short_s == pytest.approx(0.04, abs=1e-9)
    assert "was on for 210 ms, and its input filter lets nothing through" in why(story)


def test_a_carrier_between_two_scans() -> None:
    # Scans at 500 and 1000; in the eye from 600 to 810.
    line = plain(carrier_eye=POLLED, controller=Controller(scan_s=0.5))
    story = told(line, draws_of(line, (100.0, 600.0, 950.0)))
    assert story.outcome == "not_seen"
    assert story.short_s == pytest.approx(0.19, abs=1e-9)
    words = why(story)
    assert "was on for 210 ms, between two scans of the program, which come 500 ms apart" in words
    assert "It was over 190 ms before the next scan." in words


def test_a_gap_that_the_input_filter_bridges() -> None:
    # Clear from 510 to 517.
    line = plain(carrier_eye=Eye(filter_s=0.01))
    story = told(line, draws_of(line, (300.0, 517.0, 900.0)))
    assert story.outcome == "merged"
    assert story.short_s == pytest.approx(0.003, abs=1e-9)
    words = why(story)
    assert "between them its output was off for 7 ms, and its input filter bridges gaps" in words


def test_a_gap_between_two_scans() -> None:
    # Clear from 510 to 517, scans at 500 and 550.
    line = plain(carrier_eye=POLLED, controller=Controller(scan_s=0.05))
    story = told(line, draws_of(line, (300.0, 517.0, 900.0)))
    assert story.outcome == "merged"
    assert story.short_s == pytest.approx(0.033, abs=1e-9)
    assert "was off for 7 ms, between two scans of the program, which come 50 ms apart" in why(
        story
    )


def test_a_stray_too_fast_for_the_filter() -> None:
    # Insert 1, 20 long, is in its eye for 20 ms; the filter asks for 30.
    line = with_feeder(plain(), eye=Eye(filter_s=0.03))
    draws = draws_of(line)
    cards = [c._replace(length_mm=20.0 if i == 1 else c.length_mm)
             for i, c in enumerate(draws.insert_cards[0])]  # fmt: skip
    words = why(told(line, replace(draws, insert_cards=[cards])))
    assert "insert 1 passed too fast for the eye's input filter" in words
