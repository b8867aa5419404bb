"""When it is known that a carrier is to be diverted, by hand, on draws written by hand.

The line of ``tests/unit/test_stops.py``: 1000 mm/s, rigid, no leads, counts or ticks; a carrier
at M closes at m = M + 360 and its insert lands 60 mm on; a cycle takes 150 mm. The gate: decided
600 mm after the carrier eye (at 620, 20 before it), 50 ms before that: a carrier at M by
(M + 600) ms − 50 ms. Without stops carriers are 100 mm long, so that they may follow closely.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from feedsim.arrivals import Paced
from feedsim.criteria import Recipe
from feedsim.draws.line_draws import RunDraws
from feedsim.machine import (
    Carriers,
    Clearing,
    Controller,
    Divert,
    FaultKind,
    Machine,
    PlannedFault,
    StopRules,
    Supervision,
    When,
)
from feedsim.metrics.gate_rows import GateClass, GateRows, Known, gate_rows
from feedsim.metrics.product_rows import product_rows
from feedsim.records.columns import RunRecords
from feedsim.records.joined import joined
from feedsim.records.outcome import Outcome
from feedsim.records.stop import Rule
from feedsim.simulation.line import LineRun, simulate
from tests.machines import NOISY_EYE, feeder, machine, settings
from tests.random_machines import random_machine
from tests.reference.plain_divert import plain_gate
from tests.unit.records_builder import CRITERIA
from tests.unit.test_stops import draws_of, hand_line, stopped_at
from tests.unit.test_stops_everywhere import BEFORE, Trips

GATE = Divert(at_mm=620.0, decide_before_mm=20.0, gate_time_s=0.05)
WIDE = replace(CRITERIA, placement_tolerance_mm=5.0)


def line_with(gate: Divert = GATE, **changes: object) -> Machine:
    short = Carriers(Paced(100.0, 300.0))
    return replace(hand_line(), supervision=None, carriers=short, divert=gate, **changes)


def at_gate(records: RunRecords, line: Machine, needs: tuple[int, ...] = (0,)) -> GateRows:
    assert line.divert is not None
    good = product_rows(records, line, criteria=WIDE).good
    return gate_rows(records, line.divert, needs=needs, good=good)


def ran(line: Machine, edges: list[float], **cards: dict[str, object]) -> GateRows:
    """Run it; ``carrier_1={...}`` and ``insert_1={...}`` change what chance says of a card."""
    draws = draws_of(line, edges)
    carriers = list(draws.carrier_cards)
    inserts = list(draws.insert_cards[0])
    while len(inserts) < 4:
        nose = 150.0 * len(inserts)
        inserts.append(inserts[0]._replace(nose_mm=nose, seen_edge_mm=nose))
    for name, changes in cards.items():
        kind, number = name.split("_")
        some = carriers if kind == "carrier" else inserts
        some[int(number)] = some[int(number)]._replace(**changes)  # type: ignore[type-var]
    draws = replace(draws, carrier_cards=carriers, insert_cards=[inserts])
    return at_gate(simulate(line, draws, carriers=len(edges)), line)


def row(rows: GateRows, carrier: int) -> tuple[GateClass, Known, float, float]:
    return (
        GateClass(rows.gate[carrier]),
        Known(rows.known[carrier]),
        float(rows.known_time_s[carrier]),
        float(rows.divert_by_time_s[carrier]),
    )


def is_row(gate: GateClass, known: Known, at_s: float, by_s: float) -> object:
    return (gate, known, pytest.approx(at_s, nan_ok=True), pytest.approx(by_s))


def test_a_good_product_passes():
    rows = ran(line_with(), [100.0])
    assert row(rows, 0) == is_row(GateClass.GOOD_PASSED, Known.NOTHING, math.nan, 0.65)


@pytest.mark.parametrize(("gate_s", "gate", "by"), [
    (0.05, GateClass.BAD_DIVERTED, 0.65),
    (0.2, GateClass.BAD_DIVERTED, 0.5),  # known at the very instant at which it must be
    (0.25, GateClass.BAD_PASSED, 0.45),
])  # fmt: skip
def test_a_late_mark_is_known_at_its_scan_tick(gate_s, gate, by):
    """Edge at 0.1 s, scans each 0.5 s: known at 0.5 s, 40 mm past its point at 460."""
    line = line_with(replace(GATE, gate_time_s=gate_s), controller=Controller(scan_s=0.5))
    assert row(ran(line, [100.0]), 0) == is_row(gate, Known.MISSED, 0.5, by)


def test_what_is_not_staged_is_known_at_its_engage_point():
    """Carrier 0 closes at 0.46 s, ready at 0.61; carrier 1's point comes at 0.58 s."""
    rows = ran(line_with(), [100.0, 220.0])
    assert row(rows, 1) == is_row(GateClass.BAD_DIVERTED, Known.MISSED, 0.58, 0.77)


def test_a_full_memory_is_known_as_the_mark_comes():
    rows = ran(line_with(controller=Controller(mark_memory=1)), [100.0, 220.0])
    assert row(rows, 1) == is_row(GateClass.BAD_DIVERTED, Known.MISSED, 0.22, 0.77)


def test_no_insert_is_known_at_the_engage_point_and_not_at_the_end_of_the_search():
    """The search of carrier 0 ends 100 mm after 0.46 s; carrier 1's point comes at 0.76 s."""
    line = line_with(controller=Controller(search_limit_mm=100.0))
    rows = ran(line, [100.0, 400.0], insert_1={"nose_mm": 9e3, "seen_edge_mm": 9e3})
    assert row(rows, 1) == is_row(GateClass.BAD_DIVERTED, Known.MISSED, 0.76, 0.95)


def test_what_the_eye_did_not_show_is_never_known():
    rows = ran(line_with(), [100.0, 400.0], carrier_1={"missed": True})
    assert row(rows, 1) == is_row(GateClass.BAD_PASSED, Known.NOTHING, math.nan, 0.95)


@pytest.mark.parametrize(("double", "called", "expected"), [
    (True, True, (GateClass.BAD_DIVERTED, Known.DOUBLED, 0.76)),
    (True, False, (GateClass.BAD_PASSED, Known.NOTHING, math.nan)),
    (False, True, (GateClass.GOOD_DIVERTED, Known.DOUBLED, 0.76)),
])  # fmt: skip
def test_a_double_is_known_if_found_as_its_carrier_gets_it(double, called, expected):
    """Insert 1 is staged by 0.61 s, and given to carrier 1 at 0.76 s."""
    card = {"called_double": called} | ({"double_mm": 0.0} if double else {})
    rows = ran(line_with(), [100.0, 400.0], insert_1=card)
    assert row(rows, 1) == is_row(*expected, 0.95)


@pytest.mark.parametrize("gate", [replace(GATE, missed=False), replace(GATE, doubled=False)])
def test_only_what_is_asked_for_is_diverted(gate):
    missed = ran(line_with(gate), [100.0, 220.0])
    double = ran(line_with(gate), [100.0, 400.0], insert_1={"called_double": True})
    assert (GateClass(missed.gate[1]), GateClass(double.gate[1])) == (
        (GateClass.BAD_DIVERTED, GateClass.GOOD_PASSED)
        if gate.missed
        else (GateClass.BAD_PASSED, GateClass.GOOD_DIVERTED)
    )


def test_a_late_closing_is_known_as_it_happens():
    """With ``engage`` carrier 1 waits from 0.58 to 0.61 s: 30 mm late."""
    controller = Controller(not_ready_engages=True)
    for late in (False, True):
        rows = ran(line_with(replace(GATE, late=late), controller=controller), [100.0, 220.0])
        known = (GateClass.BAD_DIVERTED, Known.LATE, 0.61)
        unknown = (GateClass.BAD_PASSED, Known.NOTHING, math.nan)
        assert row(rows, 1) == is_row(*(known if late else unknown), 0.77)


def test_a_stop_gives_time():
    """Trip at 0.7 s, at 700 mm; rest at 1.2 s, at 950; restart at 6.2 s with 500 mm/s².

    Carrier 1's mark (edge at 400) is lost, known at the trip; it must be known as it comes to 1000,
    50 mm after the rest: 6.2 + √(2·50/500) − 0.05 s.
    """
    line = replace(hand_line(), divert=GATE)
    records, _ = stopped_at(line, 0.7, [100.0, 400.0, 700.0, 1000.0])
    rows = at_gate(records, line)
    by = 6.2 + math.sqrt(0.2) - 0.05
    assert row(rows, 0) == is_row(GateClass.GOOD_PASSED, Known.NOTHING, math.nan, 0.65)
    assert row(rows, 1) == is_row(GateClass.BAD_DIVERTED, Known.MISSED, 0.7, by)
    assert GateClass(rows.gate[2]) == GateClass.GOOD_PASSED


def test_an_insert_engaged_and_not_landed_is_known_as_lost_at_the_trip():
    """Closed at 0.46 s, trip at 0.5 s: carrier 0 is lost, and comes to 700 after 0.7 s."""
    line = replace(hand_line(), divert=GATE)
    records, _ = stopped_at(line, 0.5, [100.0, 400.0, 700.0, 1000.0])
    rows = at_gate(records, line)
    # belt slows from 1000 mm/s at 0.5 s with 2000 mm/s²: 200 mm after s with s − s² = 0.2
    by = 0.5 + (1.0 - math.sqrt(0.2)) / 2.0 - 0.05
    assert row(rows, 0) == is_row(GateClass.BAD_DIVERTED, Known.MISSED, 0.5, by)


@pytest.mark.parametrize("keeps", [True, False])
def test_an_encoder_that_loses_its_place_makes_the_program_forget(keeps):
    """An emergency stop at 0.7 s: carrier 1 is lost either way, and diverted only if known still.

    Without its place carrier 2, at the eye at that instant, is lost as well, and unknown.
    Carrier 3 comes after the restart.
    """
    supervision = Supervision(
        StopRules(no_insert=True, clearing=Clearing(5.0)), keeps_place=keeps, home_time_s=2.0
    )
    line = replace(hand_line(), supervision=supervision, divert=GATE)
    records, _ = stopped_at(line, 0.7, [100.0, 400.0, 700.0, 1000.0], rule=Rule.EMERGENCY_STOP)
    rows = at_gate(records, line)
    assert records.feeders[0].outcome[1] == Outcome.LINE_STOP
    assert records.feeders[0].missed_time_s[1] == pytest.approx(0.7)
    assert GateClass(rows.gate[1]) == (GateClass.BAD_DIVERTED if keeps else GateClass.BAD_PASSED)
    assert GateClass(rows.gate[2]) == (GateClass.GOOD_PASSED if keeps else GateClass.BAD_PASSED)
    assert GateClass(rows.gate[3]) == GateClass.GOOD_PASSED


def test_a_stop_makes_nothing_forget_that_ran_before_its_run_began():
    """An emergency stop at 0.3 s; the last carrier, 120 mm behind, is not staged, and diverted.

    Of two such runs put together the second one's stop comes while the last carrier of the first
    would be on its way to the gate, and the program of the second run never knew it.
    """
    supervision = Supervision(
        StopRules(no_insert=True, clearing=Clearing(5.0)), keeps_place=False, home_time_s=2.0
    )
    short = Carriers(Paced(100.0, 300.0))
    line = replace(hand_line(), supervision=supervision, divert=GATE, carriers=short)
    edges = [100.0, 700.0, 1300.0, 1420.0]
    records, _ = stopped_at(line, 0.3, edges, rule=Rule.EMERGENCY_STOP)
    alone = at_gate(records, line)
    assert GateClass(alone.gate[3]) == GateClass.BAD_DIVERTED
    both = at_gate(joined([records, records]), line)
    assert both.gate.tolist() == [*alone.gate.tolist(), *alone.gate.tolist()]
    assert [stop.run for stop in joined([records, records]).stops] == [0, 1]
    # the twin takes both stops for those of one run
    stops = tuple(replace(stop, run=0) for stop in joined([records, records]).stops)
    mixed = at_gate(replace(joined([records, records]), stops=stops, begins=(0,)), line)
    assert mixed.gate.tolist() != both.gate.tolist()


def test_an_edge_that_a_trip_overtakes_is_never_known():
    """Scans each 0.3 s; carrier 1's edge at 0.4 s would be known at 0.6; the trip comes at 0.5."""
    line = replace(hand_line(), divert=GATE, controller=Controller(scan_s=0.3))
    records, _ = stopped_at(line, 0.5, [100.0, 400.0, 1000.0])
    rows = at_gate(records, line)
    assert records.feeders[0].outcome[1] == Outcome.LINE_STOP
    assert (GateClass(rows.gate[1]), Known(rows.known[1])) == (GateClass.BAD_PASSED, Known.NOTHING)


# -- against the plain implementation -------------------------------------------------


def agree(line: Machine, records: RunRecords, needs: tuple[int, ...]) -> list[str]:
    """Compare each carrier with the plain rule; return its words."""
    criteria = replace(CRITERIA, placement_tolerance_mm=50.0, recipe=Recipe(needs=needs))
    assert line.divert is not None
    good = product_rows(records, line, criteria=criteria).good
    rows = gate_rows(records, line.divert, needs=needs, good=good)
    plain = plain_gate(line, records, set(needs), criteria.placement_tolerance_mm)
    for carrier, (word, first) in enumerate(plain):
        assert GateClass(rows.gate[carrier]).name.lower() == word
        if word != "not_reached":
            when, what = (math.nan, "nothing") if first is None else first
            assert rows.known_time_s[carrier] == pytest.approx(when, nan_ok=True)
            assert Known(rows.known[carrier]).name.lower() == what
    return [word for word, _ in plain]


def test_every_carrier_of_random_lines_is_in_the_class_that_the_plain_rule_says():
    words: list[str] = []
    for seed in range(90):
        line = random_machine(seed)
        if line.divert is None:
            continue
        records = simulate(line, RunDraws(line, seed), carriers=40)
        every = tuple(range(len(line.feeders)))
        for needs in {every, every[-1:]}:
            words += agree(line, records, needs)
    counts = {word: words.count(word) for word in words}
    assert set(counts) == {"good_passed", "good_diverted", "bad_diverted", "bad_passed"}
    assert min(counts.values()) > 3


def test_so_it_is_with_stops_in_between():
    """Emergency stops all along a short run, the place kept or lost; then a run given up."""
    words: list[str] = []
    base = machine(feeder(settings=settings(), eye=NOISY_EYE), feeder(eye_to_placement_mm=600.0))
    for keeps in (True, False):
        supervision = Supervision(
            StopRules(no_insert=True, clearing=Clearing(1.0)), keeps_place=keeps
        )
        line = replace(base, supervision=supervision, divert=replace(GATE, at_mm=900.0))
        for t in np.linspace(0.3, 2.4, 15).tolist():
            run = LineRun(line, RunDraws(line, 5), carriers=8)
            run.parts.append(Trips(run, t, BEFORE, Rule.EMERGENCY_STOP))
            words += agree(line, run.run(), (0, 1))
    assert {"good_passed", "bad_diverted", "bad_passed"} <= set(words)
    jams = tuple(PlannedFault(When(carrier=k), FaultKind.CARRIER_JAM) for k in range(8))
    line = replace(line, supervision=replace(supervision, faults=jams))
    records = LineRun(line, RunDraws(line, 5), carriers=8).run()
    assert records.gave_up  # no carrier comes as far as a landing between two of them
    assert "not_reached" in agree(line, records, (0, 1))


@pytest.mark.parametrize("fault", ["sooner", "unknown"])
def test_a_planted_fault_is_found(fault):
    """Twins of the records: decided 0.3 s sooner; or no miss is ever known."""
    with pytest.raises(AssertionError):  # noqa: PT012 - one of these lines shows it
        for seed in range(60):
            line = random_machine(seed)
            if line.divert is None:
                continue
            records = simulate(line, RunDraws(line, seed), carriers=40)
            every = tuple(range(len(line.feeders)))
            assert line.divert is not None
            good = product_rows(records, line, criteria=WIDE).good
            carriers, feeders = records.carriers, records.feeders
            if fault == "sooner":
                by = carriers.divert_by_time_s - 0.3
                carriers = replace(carriers, divert_by_time_s=by)
            else:
                feeders = tuple(
                    replace(f, missed_time_s=np.full(len(f.outcome), np.nan)) for f in feeders
                )
            twin = replace(records, carriers=carriers, feeders=feeders)
            rows = gate_rows(twin, line.divert, needs=every, good=good)
            plain = plain_gate(line, records, set(every), WIDE.placement_tolerance_mm)
            assert [GateClass(g).name.lower() for g in rows.gate] == [word for word, _ in plain]
