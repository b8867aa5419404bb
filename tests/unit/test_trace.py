"""Every event of small lines, worked out by hand, and the order of what happens at one instant."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from random import Random

import pytest

from feedsim.arrivals import Paced
from feedsim.draws.line_draws import Draws, Phases, RunDraws
from feedsim.machine import (
    Carriers,
    Clutch,
    Controller,
    Eye,
    Feeder,
    Inserts,
    Line,
    Machine,
    Settings,
)
from feedsim.records.columns import RunRecords
from feedsim.records.outcome import Outcome
from feedsim.records.trace import TraceEvent
from feedsim.simulation.clock import Part
from feedsim.simulation.line import LineRun, simulate_traced
from feedsim.simulation.recorder import Tracer
from tests.machines import as_bytes, feeder, machine, typed
from tests.random_machines import random_machine
from tests.unit.written_draws import WrittenDraws, carrier, insert

CARDS = Inserts(length_mm=90.0, gap_mm=70.0)


def plain_feeder(settings: Settings, **changes: object) -> Feeder:
    """Return a rigid feeder with a step clutch; inserts of 90 mm."""
    return feeder(**{"inserts": CARDS, "eye": Eye(), "settings": settings, **changes})


def plain_line(*feeders: Feeder, speed_mm_s: float, controller: Controller) -> Machine:
    """Return a line on a virtual master without any noise."""
    return machine(
        *feeders,
        line=Line(speed_mm_s),
        carriers=Carriers(Paced(210.0, 300.0)),
        carrier_eye=Eye(),
        controller=controller,
    )


def events(line: Machine, draws: Draws, *, carriers: int) -> tuple[TraceEvent, ...]:
    return simulate_traced(line, draws, carriers=carriers)[1].events


# -- three carriers, every event by hand --------------------------------------------------
#
# v = 1000 mm/s, so that t in ms is m in mm. Scan 2 ms and motion cycle 1 ms, phase 0.3 ms: scan
# ticks at 0.3 + 2n ms, motion ticks at 0.3 + n ms. Eyes respond 0.5 ms after the edge, latched.
# E = 359 mm, U = 50 mm. S = 120 mm, stage 60 mm, so insert 0 has its nose at the insert eye at
# f = −60 mm. Inserts every 160 mm: insert i at f = −60 + 160·i. Settling 2 ms.
#
# carrier 0, edge at 100: switches 100.5, known at the scan tick 102.3; point 100.5 + 359 = 459.5,
#   motion tick 460.3 closes. f = m − 460.3. Lands at f = 60: 520.3. Next nose at f = 100: 560.3,
#   switches 560.8, known 562.3; point 610.8, tick 611.3 opens at f = 151; staged 613.3.
# carrier 1, edge at 400: switches 400.5, known 402.3; point 759.5, tick 760.3 closes. f = 151 + m −
#   760.3. Lands at f = 100 + 120 = 220: 829.3. Nose 2 at f = 260: 869.3, switches 869.8, known at
#   870.3; point 919.8, tick 920.3 opens at f = 311; staged 922.3.
# carrier 2, edge at 700: switches 700.5, known 702.3; point 1059.5, tick 1060.3 closes. Lands at
#   f = 260 + 120 = 380: 1129.3. Nose 3 at f = 420: 1169.3, switches 1169.8, known 1170.3; point
#   1219.8, tick 1220.3 opens at f = 471; staged 1222.3.
NONE = -1
BY_HAND = [  # ms (= mm of belt), part, event, carrier, insert, feed mm
    (100.5, "carrier_eye", "switches", 0, NONE, math.nan),
    (102.3, "carrier_eye", "known", 0, NONE, math.nan),
    (400.5, "carrier_eye", "switches", 1, NONE, math.nan),
    (402.3, "carrier_eye", "known", 1, NONE, math.nan),
    (460.3, "feeder.0.clutch", "closes", 0, 0, 0.0),
    (520.3, "feeder.0.servo", "lands", 0, 0, 60.0),
    (560.8, "feeder.0.insert_eye", "switches", 0, 1, 100.5),
    (562.3, "feeder.0.insert_eye", "known", 0, 1, 102.0),
    (611.3, "feeder.0.clutch", "opens", 0, NONE, 151.0),
    (613.3, "feeder.0.clutch", "staged", 0, 1, 151.0),
    (700.5, "carrier_eye", "switches", 2, NONE, math.nan),
    (702.3, "carrier_eye", "known", 2, NONE, math.nan),
    (760.3, "feeder.0.clutch", "closes", 1, 1, 151.0),
    (829.3, "feeder.0.servo", "lands", 1, 1, 220.0),
    (869.8, "feeder.0.insert_eye", "switches", 1, 2, 260.5),
    (870.3, "feeder.0.insert_eye", "known", 1, 2, 261.0),
    (920.3, "feeder.0.clutch", "opens", 1, NONE, 311.0),
    (922.3, "feeder.0.clutch", "staged", 1, 2, 311.0),
    (1060.3, "feeder.0.clutch", "closes", 2, 2, 311.0),
    (1129.3, "feeder.0.servo", "lands", 2, 2, 380.0),
    (1169.8, "feeder.0.insert_eye", "switches", 2, 3, 420.5),
    (1170.3, "feeder.0.insert_eye", "known", 2, 3, 421.0),
    (1220.3, "feeder.0.clutch", "opens", 2, NONE, 471.0),
    (1222.3, "feeder.0.clutch", "staged", 2, 3, 471.0),
]


def three_carriers() -> tuple[Machine, WrittenDraws]:
    clutch = Clutch(settle_s=0.002)
    line = plain_line(
        plain_feeder(typed(), clutch=clutch),
        speed_mm_s=1000.0,
        controller=Controller(scan_s=0.002, motion_cycle_s=0.001),
    )
    cards = [carrier(edge, delay_s=0.0005) for edge in (100.0, 400.0, 700.0)]
    first = [insert(0.0, length_mm=90.0, delay_s=0.0005)]
    return line, WrittenDraws(cards, [first], Phases(0.0, 0.0003))


def test_every_event_of_three_carriers() -> None:
    line, draws = three_carriers()
    found = events(line, draws, carriers=3)
    assert [e[1:5] for e in found] == [row[1:5] for row in BY_HAND]
    times = [row[0] / 1000.0 for row in BY_HAND]
    assert [e.time_s for e in found] == pytest.approx(times, abs=1e-12)
    assert [e.belt_mm for e in found] == pytest.approx([row[0] for row in BY_HAND], abs=1e-9)
    feeds = [row[5] for row in BY_HAND]
    assert [e.feed_mm for e in found] == pytest.approx(feeds, abs=1e-9, nan_ok=True)


def test_the_rows_of_three_carriers() -> None:
    line, draws = three_carriers()
    records, _ = simulate_traced(line, draws, carriers=3)
    rows = records.feeders[0]
    assert rows.outcome.tolist() == [Outcome.PLACED] * 3
    # offset = m at the landing − M − 400; target 20. Nose staged at 151 − 100 = 311 − 260 = 51 mm.
    assert rows.offset_mm == pytest.approx([20.3, 29.3, 29.3], abs=1e-9)
    assert rows.placement_error_mm == pytest.approx([0.3, 9.3, 9.3], abs=1e-9)
    assert rows.stage_position_mm == pytest.approx([60.0, 51.0, 51.0], abs=1e-9)
    # tail at the opening: f − F_i − 90 mm
    assert rows.tail_mm == pytest.approx([121.0, 121.0, 121.0], abs=1e-9)
    assert records.carriers.eye_time_s == pytest.approx([0.1, 0.4, 0.7], abs=1e-12)


def test_a_stretch_of_the_trace_is_that_stretch_of_the_whole() -> None:
    line, draws = three_carriers()
    whole = events(line, draws, carriers=3)
    _, trace = simulate_traced(line, draws, carriers=3, around=range(1, 2))
    assert trace.events == tuple(e for e in whole if e.carrier == 1)


# -- at one instant ----------------------------------------------------------------------------
#
# In units of 1/1024 s at 1024 mm/s: t in units is m in mm, and every number below is a whole one or
# a half, so that instants coincide to the last bit. Eyes respond at once; scan and motion cycle are
# 1 unit, phase 0; E = 0: a mark is acted on where its edge passes.
UNIT = 1.0 / 1024.0
EACH_TICK = Controller(scan_s=UNIT, motion_cycle_s=UNIT)


def at(found: Sequence[TraceEvent], units: float) -> list[tuple[str, str, int]]:
    """Return part, event and carrier of what the trace has at exactly this instant."""
    return [(e.part, e.event, e.carrier) for e in found if e.time_s == units * UNIT]


def busy_line(*feeders: Feeder, **controller: object) -> tuple[Machine, WrittenDraws]:
    line = plain_line(
        *feeders,
        speed_mm_s=1024.0,
        controller=replace(EACH_TICK, **controller),  # type: ignore[arg-type]
    )
    line = replace(line, carriers=Carriers(Paced(30.0, 60.0)))
    noses = [insert(0.0, length_mm=90.0)]
    return line, WrittenDraws([carrier(100.0), carrier(160.0)], [noses, noses], pitches_mm=PITCHES)


PITCHES = (120.0, 100.0)


def test_all_that_happens_at_one_instant_goes_by_the_table() -> None:
    # Feeder 0 closes at 100 for carrier 0. At 160 its insert lands (f = 60, S = 120) and the next
    # nose, 120 mm after the first, is at the eye; U = 0: the clutch opens at once. Feeder 1 closes
    # at 100 too; its next nose, 100 mm after the first, comes at 140; U = 10: opens at 150,
    # settles 10 units, ready at 160. At 160 carrier 1 comes, is known and acted on at the same
    # tick: not staged at feeder 0, engaged at feeder 1.
    settle = Clutch(settle_s=10 * UNIT)
    one = plain_feeder(typed(engage_distance_mm=0.0, disengage_distance_mm=0.0), clutch=settle)
    other = plain_feeder(
        typed(engage_distance_mm=0.0, disengage_distance_mm=10.0),
        clutch=settle,
        insert_eye_to_placement_mm=100.0,
    )
    line, draws = busy_line(one, other)
    assert at(events(line, draws, carriers=2), 160.0) == [
        ("feeder.0.servo", "lands", 0),
        ("feeder.0.insert_eye", "switches", 0),
        ("carrier_eye", "switches", 1),
        ("feeder.1.clutch", "staged", 0),
        ("feeder.0.insert_eye", "known", 0),
        ("carrier_eye", "known", 1),
        ("feeder.0.clutch", "opens", 0),
        ("feeder.0.program", "not_staged", 1),
        ("feeder.1.clutch", "closes", 1),
    ]


def test_at_one_instant_feeders_go_by_number() -> None:
    settle = Clutch(settle_s=10 * UNIT)
    twin = plain_feeder(typed(engage_distance_mm=0.0, disengage_distance_mm=0.0), clutch=settle)
    line, draws = busy_line(twin, twin)
    found = events(line, replace(draws, pitches_mm=(120.0, 120.0)), carriers=1)
    for units, names in [
        (100.0, ["clutch closes"]),
        (160.0, ["servo lands", "insert_eye switches", "insert_eye known", "clutch opens"]),
        (170.0, ["clutch staged"]),
    ]:
        of_feeders = [(p, e) for p, e, _ in at(found, units) if p.startswith("feeder")]
        assert of_feeders == [
            (f"feeder.{number}.{part}", event)
            for part, event in (name.split() for name in names)
            for number in (0, 1)
        ]


def test_a_feeder_that_is_ready_at_the_engage_tick_is_ready() -> None:
    # Opens at 150 (nose at 140, U = 10), settles until 160: carrier 1 is acted on at 160.
    clutch = Clutch(settle_s=10 * UNIT)
    settings = typed(engage_distance_mm=0.0, disengage_distance_mm=10.0)
    for settle, outcome in [(10.0, Outcome.PLACED), (10.5, Outcome.NOT_STAGED)]:
        one = plain_feeder(
            settings,
            clutch=replace(clutch, settle_s=settle * UNIT),
            insert_eye_to_placement_mm=100.0,
        )
        line, draws = busy_line(one)
        records, _ = simulate_traced(line, replace(draws, pitches_mm=(100.0,)), carriers=2)
        assert records.feeders[0].outcome.tolist() == [Outcome.PLACED, outcome]


def test_a_feeder_opened_at_a_tick_may_be_closed_again_at_the_same_one() -> None:
    # As feeder 0 above, without settling: opens, is ready and closes for carrier 1, all at 160.
    one = plain_feeder(typed(engage_distance_mm=0.0, disengage_distance_mm=0.0))
    line, draws = busy_line(one)
    found = at(events(line, draws, carriers=2), 160.0)
    assert found[-3:] == [
        ("feeder.0.clutch", "opens", 0),
        ("feeder.0.clutch", "staged", 0),
        ("feeder.0.clutch", "closes", 1),
    ]


def test_a_mark_is_known_and_acted_on_at_the_same_tick() -> None:
    # Scan and motion ticks every 8 units: the edge at 100 is known at 104. E = 4: the point is at
    # 104, reached at that tick and not late. E = 3.5: late.
    coarse = Controller(scan_s=8 * UNIT, motion_cycle_s=8 * UNIT)
    for distance, event in [(4.0, ("feeder.0.clutch", "closes", 0)), (3.5, None)]:
        one = plain_feeder(typed(engage_distance_mm=distance))
        line, draws = busy_line(one)
        found = events(replace(line, controller=coarse), draws, carriers=1)
        known = ("carrier_eye", "known", 0)
        assert at(found, 104.0) == [known, event or ("feeder.0.program", "late_mark", 0)]


def test_two_marks_are_acted_on_at_one_tick_one_after_the_other() -> None:
    # Ticks every 64 units: carriers at 100 and 160 have their points (E = 30) at 130 and 190, both
    # acted on at 192; the feeder serves the first.
    coarse = Controller(scan_s=0.0, motion_cycle_s=64 * UNIT)
    line, draws = busy_line(plain_feeder(typed(engage_distance_mm=30.0)))
    found = events(replace(line, controller=coarse), draws, carriers=2)
    assert at(found, 192.0) == [
        ("feeder.0.clutch", "closes", 0),
        ("feeder.0.program", "not_staged", 1),
    ]


# -- the order in which processes are created ----------------------------------------------------


def in_some_order(seed: int) -> Callable[[list[Part]], list[Part]]:
    def order(parts: list[Part]) -> list[Part]:
        return Random(seed).sample(parts, len(parts))  # noqa: S311

    return order


def backwards(parts: list[Part]) -> list[Part]:
    return parts[::-1]


def run_in_order(
    line: Machine, draws: Draws, *, carriers: int, order: Callable[[list[Part]], list[Part]]
) -> tuple[RunRecords, tuple[TraceEvent, ...]]:
    tracer = Tracer()
    records = LineRun(line, draws, carriers=carriers, tracer=tracer).run(order=order)
    return records, tracer.in_order()


def check_orders(line: Machine, draws: Draws, *, carriers: int) -> None:
    records, found = run_in_order(line, draws, carriers=carriers, order=list)
    for order in [backwards, *(in_some_order(i) for i in range(4))]:
        others, again = run_in_order(line, draws, carriers=carriers, order=order)
        assert repr(again) == repr(found)  # NaN is not equal to itself, and its text is
        assert as_bytes(others) == as_bytes(records)


@pytest.mark.parametrize("seed", range(40))
def test_processes_may_be_created_in_any_order(seed: int) -> None:
    line = random_machine(seed, feeders=3 if seed % 2 else 2)
    check_orders(line, RunDraws(line, seed), carriers=12)


def test_coincidences_do_not_depend_on_the_order_of_creation() -> None:
    twin = plain_feeder(typed(engage_distance_mm=0.0, disengage_distance_mm=0.0))
    line, draws = busy_line(twin, twin)
    cards = [carrier(100.0 + 60.0 * i) for i in range(6)]
    check_orders(line, replace(draws, carrier_cards=cards), carriers=6)


def test_a_planted_dependence_on_the_order_is_found() -> None:
    line = random_machine(7)

    class Forgetful(RunDraws):
        """Draws that differ from run to run."""

        runs = 0

        def phases(self) -> Phases:
            self.runs += 1
            return Phases(0.1 * (self.runs % 7), 0.0001 * (self.runs % 5))

    with pytest.raises(AssertionError):
        check_orders(line, Forgetful(line, 7), carriers=12)
