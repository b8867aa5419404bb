"""Input filters and polled eyes, by hand: what a level must last, and what falls between scans.

At 1000 mm/s a millimetre passes in a millisecond. Ticks have phase 0.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from feedsim.arrivals import Paced
from feedsim.machine import (
    Carriers,
    Clearing,
    Controller,
    Eye,
    FaultKind,
    Machine,
    PlannedFault,
    StopRules,
    Supervision,
    When,
)
from feedsim.records.outcome import Outcome
from feedsim.simulation.line import simulate_traced
from tests.machines import feeder, machine
from tests.unit.test_stops import draws_of
from tests.unit.written_draws import evenly

NOT_SEEN, MERGED = Outcome.NOT_SEEN, Outcome.MERGED


def line(eye: Eye, *, length_mm: float = 50.0, scan_s: float = 0.03) -> Machine:
    return machine(
        feeder(),
        carriers=Carriers(Paced(length_mm, 500.0)),
        carrier_eye=eye,
        controller=Controller(scan_s=scan_s, motion_cycle_s=0.001),
    )


def told(what: Machine, edges_mm: list[float], event: str) -> dict[int, float | str]:
    """Return what became of each carrier at its eye: an instant (ms), or how it was lost."""
    records, trace = simulate_traced(what, evenly(what, edges_mm), carriers=len(edges_mm))
    found: dict[int, float | str] = {
        e.carrier: round(1000.0 * e.time_s, 6)
        for e in trace.events
        if e.part == "carrier_eye" and e.event == event
    }
    for carrier, outcome in enumerate(records.feeders[0].outcome.tolist()):
        if outcome in {NOT_SEEN, MERGED}:
            assert carrier not in found
            found[carrier] = Outcome(outcome).cause
    return found


POLLED = Eye(scanned=True, polled=True)


def test_a_polled_eye_sees_what_is_there_at_a_scan() -> None:
    # scans at …, 990, 1020, 1050, 1080 ms, and so on
    edges = [1010.0, 1075.0, 1140.0, 1221.0]
    assert told(line(POLLED), edges, "known") == {
        0: 1020.0,
        1: "merged",  # clear from 1060 to 1075
        2: "merged",  # clear from 1125 to 1140: at the scan at 1140 it is blocked again
        3: 1230.0,  # clear from 1190 to 1221, with a scan at 1200
    }


def test_a_card_between_two_scans_was_never_there() -> None:
    edges = [1001.0, 1081.0, 1110.0, 1130.0, 1230.0]
    assert told(line(POLLED, length_mm=20.0), edges, "known") == {
        0: 1020.0,
        1: "not_seen",  # from 1081 to 1101, scans at 1080 and 1110
        2: 1110.0,  # a card that comes at a scan is there for it
        3: "merged",  # no gap at all: one output with the card before
        4: 1230.0,
    }
    gone = told(line(POLLED, length_mm=20.0), [1000.0, 1060.0], "known")
    assert gone == {0: "not_seen", 1: "not_seen"}  # both are past at 1020 and at 1080


def test_a_card_takes_over_the_output_of_one_too_short_to_be_seen() -> None:
    # on from 1001 without a break, since the output needs 15 ms to drop: the scan at 1020 comes
    # after the first card alone would have been over, at 1018
    eye = Eye(off_response_s=0.015, scanned=True, polled=True)
    edges = [1001.0, 1017.0]
    assert told(line(eye, length_mm=2.0), edges, "known") == {0: "not_seen", 1: 1020.0}


@pytest.mark.parametrize(("scanned", "known"), [(False, 1020.0), (True, 1020.0)])
def test_a_filtered_eye_switches_when_the_level_has_lasted(scanned: bool, known: float) -> None:
    eye = Eye(scanned=scanned, filter_s=0.010)
    edges = [1000.0, 1059.0, 1119.0]
    # clear for 9 ms, which is bridged; then for 10 ms, which is not
    assert told(line(eye), edges, "switches") == {0: 1010.0, 1: "merged", 2: 1129.0}
    assert told(line(eye), edges, "known") == {0: known, 1: "merged", 2: 1140.0}


def test_a_filtered_eye_does_not_see_a_short_card() -> None:
    eye = Eye(filter_s=0.010)
    assert told(line(eye, length_mm=9.9), [1000.0], "switches") == {0: "not_seen"}
    assert told(line(eye, length_mm=10.0), [1000.0], "switches") == {0: 1010.0}
    # two short ones, 3 mm apart, do not make a long one
    assert told(line(eye, length_mm=9.0), [1000.0, 1012.0], "switches") == {
        0: "not_seen",
        1: "not_seen",
    }


def test_a_filter_puts_off_both_edges_of_what_is_polled() -> None:
    # output on from 1001 to 1021, input from 1013 to 1033: the scan at 1020 sees it
    eye = Eye(scanned=True, polled=True, filter_s=0.012)
    assert told(line(eye, length_mm=20.0), [1001.0], "known") == {0: 1020.0}
    # output from 1015 to 1035, with a scan at 1020; input from 1027 to 1047, with none
    assert told(line(eye, length_mm=20.0), [1015.0], "known") == {0: "not_seen"}


@pytest.mark.parametrize(("capture", "stored"), [("latched", 1010.0), ("polled", 1020.0)])
def test_what_is_stored_is_the_travel_at_the_filtered_switching(
    capture: str, stored: float
) -> None:
    # so the clutch closes the engage travel behind that, at a motion tick of 1 ms
    polled = capture == "polled"
    what = line(Eye(scanned=polled, polled=polled, filter_s=0.010))
    s = what.feeders[0].settings
    _, trace = simulate_traced(what, evenly(what, [1000.0]), carriers=1)
    (closes,) = [e.time_s for e in trace.events if e.event == "closes"]
    point = stored + s.engage_distance_mm - 1000.0 * s.engage_lead_s
    assert point <= 1000.0 * closes < point + 1.0


@pytest.mark.parametrize(
    ("limit_mm", "trips_ms"),
    [
        (150.0, 1200.0),  # counted from the scan at 1050 that sees it
        (190.0, 1240.0),  # the card is gone at 1220, the program has it until the scan at 1250
        (220.0, None),
    ],
)
def test_the_rule_of_a_blocked_eye_watches_what_the_program_has(
    limit_mm: float, trips_ms: float | None
) -> None:
    what = line(POLLED, length_mm=210.0, scan_s=0.05)
    what = replace(what, supervision=Supervision(StopRules(carrier_eye_blocked_mm=limit_mm)))
    records, _ = simulate_traced(what, draws_of(what, [1010.0]), carriers=1)
    found = [round(1000.0 * stop.time_s, 6) for stop in records.stops]
    assert found == ([] if trips_ms is None else [trips_ms])


def test_an_emergency_stop_between_two_scans_loses_nothing_that_is_still_there() -> None:
    # scans at 990 and 1020; in the eye from 1005; stopped at 1010 within some millimetres, so
    # that the card is there at the scan: the eye goes on reading, and the mark is kept
    what = line(POLLED)
    stop = PlannedFault(When(1.010), FaultKind.EMERGENCY_STOP)
    rules = StopRules(stop_deceleration_mm_s2=1e6, clearing=Clearing(1.0))
    what = replace(what, supervision=Supervision(rules, faults=(stop,)))
    records, trace = simulate_traced(what, draws_of(what, [1005.0]), carriers=1)
    known = [round(1000.0 * e.time_s, 6) for e in trace.events
             if e.part == "carrier_eye" and e.event == "known"]  # fmt: skip
    assert known == [1020.0]
    assert records.feeders[0].outcome.tolist() == [Outcome.PLACED]
