"""What holds for every machine, whatever it is set to: drawn by hypothesis, so that it shrinks."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import fields, replace
from itertools import islice, pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given
from hypothesis import settings as bounds
from hypothesis import strategies as st

from feedsim.arrivals import Arrival, Paced, RandomGaps
from feedsim.draws import line_draws
from feedsim.draws.line_draws import CarrierDraw, InsertDraw, RunDraws
from feedsim.machine import (
    Carriers,
    Controller,
    DoubleCheck,
    Encoder,
    Eye,
    Inserts,
    Line,
    Machine,
)
from feedsim.records.columns import FeederRecords
from feedsim.records.outcome import Outcome
from feedsim.simulation.line import simulate, simulate_traced
from tests.machines import (
    QUIET_EYE,
    arriving,
    as_bytes,
    feeder,
    machine,
    mean_of,
    run,
    variance_of,
    with_feeder,
)
from tests.random_machines import any_machine

CARRIERS = 24
EARLIER = 1e-10  # instants closer than this count as one

few = bounds(
    max_examples=60,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)


seeds = st.integers(0, 1000)


# -- records -------------------------------------------------------------------------------------


def there(*columns: np.ndarray) -> np.ndarray:
    return ~np.any([np.isnan(c) for c in columns], axis=0)


def check_outcomes(rows: FeederRecords, *, carriers: int) -> None:
    """Every carrier has exactly one outcome, and its row says nothing against it."""
    assert len(rows.outcome) == carriers
    assert set(rows.outcome.tolist()) <= set(range(7))
    placed = rows.outcome == Outcome.PLACED
    for column in (rows.placement_time_s, rows.offset_mm, rows.nose_speed_mm_s):
        assert np.array_equal(~np.isnan(column), placed)
    engaged = rows.insert >= 0
    assert np.array_equal(~np.isnan(rows.engage_time_s), engaged)
    assert np.array_equal(~np.isnan(rows.opening_time_s), engaged)
    # an insert that never came as far as the placement point leaves its carrier "not staged"
    assert set(rows.outcome[engaged].tolist()) <= {Outcome.PLACED, Outcome.NOT_STAGED}
    assert not placed[~engaged].any()


def check_books(rows: FeederRecords) -> None:
    b = rows.books
    assert b.drawn == b.placed + b.strays + b.second_halves + b.rejected + b.in_feeder
    assert b.placed == int((rows.outcome == Outcome.PLACED).sum())
    assert b.strays >= int(rows.strays.sum())
    assert min(b.drawn, b.placed, b.strays, b.second_halves, b.rejected, b.in_feeder) >= 0


def check_times(rows: FeederRecords, eye_time_s: np.ndarray) -> None:
    """Times are in order within a row, and cycles follow one another."""
    engage, landing = rows.engage_time_s, rows.placement_time_s
    opening, ready = rows.opening_time_s, rows.ready_time_s
    for first, then in [(engage, landing), (engage, opening), (opening, ready)]:
        both = there(first, then)
        assert (first[both] <= then[both] + EARLIER).all()
    cycles = rows.insert >= 0
    assert (engage[cycles][1:] >= ready[cycles][:-1] - EARLIER).all()
    assert (np.diff(engage[cycles]) >= 0.0).all()
    assert (np.diff(rows.insert[cycles]) > 0).all()  # inserts are used once, and in order
    assert (np.diff(eye_time_s) >= 0.0).all()


@few
@given(any_machine(), seeds)
def test_outcomes_books_times_and_inserts(line: Machine, seed: int) -> None:
    records = simulate(line, RunDraws(line, seed), carriers=CARRIERS)
    for rows in records.feeders:
        check_outcomes(rows, carriers=CARRIERS)
        check_books(rows)
        check_times(rows, records.carriers.eye_time_s)


def broken(rows: FeederRecords, name: str, k: int, value: float) -> FeederRecords:
    column = getattr(rows, name).copy()
    column[k] = value
    return replace(rows, **{name: column})


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("outcome", Outcome.LATE_MARK),
        ("outcome", -1),
        ("insert", 0),
        ("engage_time_s", 1e6),
        ("engage_time_s", math.nan),
        ("placement_time_s", 0.0),
        ("opening_time_s", 0.0),
        ("ready_time_s", 0.0),
        ("ready_time_s", 1e6),
    ],
)
def test_a_planted_fault_in_the_records_is_found(name: str, value: float) -> None:
    records = run(machine(), carriers=8)

    def check(rows: FeederRecords) -> None:
        check_outcomes(rows, carriers=8)
        check_books(rows)
        check_times(rows, records.carriers.eye_time_s)

    check(records.feeders[0])
    with pytest.raises(AssertionError):
        check(broken(records.feeders[0], name, 3, value))


@few
@given(any_machine(), seeds)
def test_the_trace_is_in_order_and_changes_nothing(line: Machine, seed: int) -> None:
    records, trace = simulate_traced(line, RunDraws(line, seed), carriers=CARRIERS)
    times = [e.time_s for e in trace.events]
    assert times == sorted(times)
    assert as_bytes(records) == as_bytes(simulate(line, RunDraws(line, seed), carriers=CARRIERS))
    known = {e.carrier: e.time_s for e in trace.events if e[1:3] == ("carrier_eye", "known")}
    for rows in records.feeders:
        for k in np.flatnonzero(rows.insert >= 0).tolist():
            assert known[k] <= rows.engage_time_s[k] + EARLIER
        lost = set(np.flatnonzero(np.isin(rows.outcome, (Outcome.NOT_SEEN, Outcome.MERGED))))
        assert lost == set(range(CARRIERS)) - set(known)


# -- seeds ---------------------------------------------------------------------------------------


@few
@given(any_machine(), seeds)
def test_one_seed_gives_the_same_bytes_and_another_does_not(line: Machine, seed: int) -> None:
    assume(not line.carriers.arrival.steady)
    once, again, other = (
        as_bytes(simulate(line, RunDraws(line, s), carriers=CARRIERS))
        for s in (seed, seed, seed + 1)
    )
    assert once == again
    assert once[0] != other[0]  # leading edges
    repeated = RunDraws(line, seed, replication=1)
    assert once[0] != as_bytes(simulate(line, repeated, carriers=CARRIERS))[0]


@few
@given(any_machine(), seeds)
def test_a_longer_run_begins_as_the_shorter_one(line: Machine, seed: int) -> None:
    """What comes later decides nothing earlier, but for the landing of an insert still under way.

    One that stopped short, or creeps towards the placement point, lands with the next closing.
    """
    short, long = (simulate(line, RunDraws(line, seed), carriers=n) for n in (12, 24))
    assert short.start_time_s == long.start_time_s
    assert np.array_equal(short.carriers.eye_time_s, long.carriers.eye_time_s[:12])
    for a, b in zip(short.feeders, long.feeders, strict=True):
        closes = np.fmin.reduce(b.engage_time_s[12:], initial=math.inf)
        landed = (a.insert < 0) | (a.placement_time_s <= closes)
        for f in fields(a):
            if f.name != "books":
                same = landed if f.name in LANDING else slice(None)
                one, other = getattr(a, f.name)[same], getattr(b, f.name)[:12][same]
                assert np.array_equal(one, other, equal_nan=one.dtype == float), f.name


LANDING = {
    "outcome",
    "placement_time_s",
    "offset_mm",
    "placement_error_mm",
    "nose_speed_mm_s",
    "belt_speed_mm_s",
}


# -- draws ---------------------------------------------------------------------------------------

SOMETHING_OF_ALL = machine(
    *(
        feeder(
            inserts=Inserts(85.6, 70.0, 3.0, 1.0, 0.5, 0.2, 0.1, 0.1),
            eye=Eye(0.002, 0.001, 0.0, 0.2, 0.05),
            double_check=DoubleCheck(0.7, 0.05),
        )
        for _ in range(2)
    ),
    carriers=Carriers(
        Paced(210.0, 260.0, pitch_sd_mm=2.0, min_gap_mm=0.0),
        missing=0.05,
        slip_mm=0.5,
        slip_sd_mm=0.2,
    ),
    carrier_eye=Eye(0.003, 0.001, 0.0, 0.2, 0.05),
    controller=Controller(scan_s=0.002),
)


def sources(line: Machine, *, count: int = 400) -> dict[str, list[Any]]:
    """Return the raw draws, source by source (NaN as a text, so that it equals itself)."""
    draws = RunDraws(line, 11)
    found: dict[str, list[Any]] = {}
    fleet = list(islice(draws.carriers(), count))
    found["phase.encoder"], found["phase.ticks"] = ([p] for p in draws.phases())
    for name, column in zip(CarrierDraw._fields, zip(*fleet, strict=True), strict=True):
        found[f"carrier.{name}"] = list(column)
    found["carrier.seen_edge_mm"] = off_nose(fleet, 1, 0)
    for number in range(len(line.feeders)):
        stack = list(islice(draws.inserts(number), count))
        for name, column in zip(InsertDraw._fields, zip(*stack, strict=True), strict=True):
            found[f"{number}.{name}"] = [str(x) for x in column]
        found[f"{number}.seen_edge_mm"] = off_nose(stack, 1, 0)
        gaps = [b[0] - a[0] - a[2] for a, b in pairwise(stack)]
        found[f"{number}.nose_mm"] = [round(g, 6) for g in gaps]
    return found


def off_nose(stack: list[Any], seen: int, nose: int) -> list[float]:
    """Return where the eye sees each edge, from the edge itself."""
    return [round(card[seen] - card[nose], 6) for card in stack]


def carriers_with(**changes: Any) -> Callable[[Machine], Machine]:
    return lambda m: replace(m, carriers=replace(m.carriers, **changes))


def arriving_with(*law: type[Arrival], **changes: Any) -> Callable[[Machine], Machine]:
    return lambda m: replace(m, carriers=arriving(m.carriers, *law, **changes))


def carrier_eye_with(**changes: Any) -> Callable[[Machine], Machine]:
    return lambda m: replace(m, carrier_eye=replace(m.carrier_eye, **changes))


def inserts_with(**changes: Any) -> Callable[[Machine], Machine]:
    return lambda m: with_feeder(m, inserts=replace(m.feeders[0].inserts, **changes))


def insert_eye_with(**changes: Any) -> Callable[[Machine], Machine]:
    return lambda m: with_feeder(m, eye=replace(m.feeders[0].eye, **changes))


def check_with(**changes: Any) -> Callable[[Machine], Machine]:
    return lambda m: with_feeder(m, double_check=replace(m.feeders[0].double_check, **changes))


CHANGES = [  # what is changed, and which draws it may move
    (arriving_with(pitch_sd_mm=3.0), {"carrier.leading_edge_mm"}),
    (arriving_with(pitch_sd_mm=0.0), {"carrier.leading_edge_mm"}),
    (arriving_with(pitch_mm=270.0), {"carrier.leading_edge_mm"}),
    (arriving_with(RandomGaps), {"carrier.leading_edge_mm"}),
    (arriving_with(min_gap_mm=49.0), {"carrier.leading_edge_mm"}),
    (carriers_with(missing=0.0), {"carrier.leading_edge_mm"}),
    (carriers_with(missing=0.2), {"carrier.leading_edge_mm"}),
    (carriers_with(slip_mm=0.7), {"carrier.slip_mm"}),
    (carriers_with(slip_sd_mm=0.0), {"carrier.slip_mm"}),
    (carrier_eye_with(edge_sd_mm=0.0), {"carrier.seen_edge_mm"}),
    (carrier_eye_with(edge_sd_mm=0.4), {"carrier.seen_edge_mm"}),
    (carrier_eye_with(response_jitter_s=0.0), {"carrier.eye_delay_s"}),
    (carrier_eye_with(response_jitter_s=0.002), {"carrier.eye_delay_s"}),
    (carrier_eye_with(response_s=0.004), {"carrier.eye_delay_s"}),
    (carrier_eye_with(missed=0.0), {"carrier.missed"}),
    (carrier_eye_with(missed=0.2), {"carrier.missed"}),
    (inserts_with(gap_mm=75.0), {"0.nose_mm"}),
    (inserts_with(gap_sd_mm=0.0), {"0.nose_mm"}),
    (inserts_with(min_gap_mm=69.0), {"0.nose_mm"}),
    (inserts_with(slip_mm=0.7), {"0.slip_mm"}),
    (inserts_with(slip_sd_mm=0.0), {"0.slip_mm"}),
    (insert_eye_with(edge_sd_mm=0.0), {"0.seen_edge_mm"}),
    (insert_eye_with(response_jitter_s=0.0), {"0.eye_delay_s"}),
    (insert_eye_with(missed=0.0), {"0.missed"}),
    # a pitch without an insert has no double, and a double is a longer object, called another
    (inserts_with(misfeed=0.0), {"0.drawn", "0.double_mm", "0.length_mm", "0.called_double"}),
    (inserts_with(misfeed=0.3), {"0.drawn", "0.double_mm", "0.length_mm", "0.called_double"}),
    (inserts_with(double=0.0), {"0.double_mm", "0.length_mm", "0.called_double"}),
    (inserts_with(double=0.3), {"0.double_mm", "0.length_mm", "0.called_double"}),
    (check_with(finds=0.2), {"0.called_double"}),
    (check_with(false_alarm=0.2), {"0.called_double"}),
    (lambda m: replace(m, controller=Controller(scan_s=0.004)), {"phase.ticks"}),
    (lambda m: replace(m, controller=Controller()), {"phase.ticks"}),
    (lambda m: replace(m, feeders=m.feeders[:1]), set()),
    (lambda m: replace(m, line=Line(500.0), encoder=Encoder(0.1, 0.01)), set()),
]


@pytest.mark.parametrize(("change", "moves"), CHANGES)
def test_a_source_of_its_own_moves_no_other(
    change: Callable[[Machine], Machine], moves: set[str]
) -> None:
    before, after = sources(SOMETHING_OF_ALL), sources(change(SOMETHING_OF_ALL))
    assert {name for name in after if after[name] != before[name]} == moves


def test_doubles_stay_where_they_were() -> None:
    """Which pitches are doubles, and how far they are shifted, stands even with more of them."""
    few_doubles = sources(SOMETHING_OF_ALL)["0.double_mm"]
    more = sources(inserts_with(double=0.3)(SOMETHING_OF_ALL))["0.double_mm"]
    assert any(x != "nan" for x in few_doubles)
    assert all(x in ("nan", y) for x, y in zip(few_doubles, more, strict=True))


def test_sources_differ_from_one_another_and_from_feeder_to_feeder() -> None:
    found = sources(SOMETHING_OF_ALL)
    for name in InsertDraw._fields:
        assert found[f"0.{name}"] != found[f"1.{name}"], name


@few
@given(any_machine(), seeds, st.integers(1, 40), st.integers(1, 40))
def test_blocks_of_any_size_hold_the_same_draws(
    line: Machine, seed: int, first: int, largest: int
) -> None:
    def values() -> list[str]:
        draws = RunDraws(line, seed)
        numbers = range(len(line.feeders))
        stacks: list[Iterator[Any]] = [draws.carriers(), *(draws.inserts(i) for i in numbers)]
        return [repr(list(islice(stack, 300))) for stack in stacks]

    expected = values()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(line_draws, "_FIRST_BLOCK", first)
        patch.setattr(line_draws, "MOST_AT_ONCE", largest)
        assert values() == expected


# -- what jitter adds ----------------------------------------------------------------------------
#
# Latched, no ticks, no counts, nothing else random: the switching comes at response ± jitter, and
# at line speed v the travel stored is off by v times that. A uniform value of half-width a has
# variance a²/3 (JCGM 100:2008, 4.3.7). The standard error of that variance, n = 3000, is 1.6 %
# of it: a jitter that is wrong by 5 % (10 % in variance) shows as z = 6.
JITTERY = 3000


def jittery(line_mm_s: float, jitter_s: float, *, side: str) -> Machine:
    eye = Eye(response_s=0.002, response_jitter_s=jitter_s)
    at_insert, at_carrier = (eye, QUIET_EYE) if side == "insert" else (QUIET_EYE, eye)
    line = machine(feeder(eye=at_insert), speed_m_min=60.0, carrier_eye=at_carrier)
    return replace(line, line=Line(line_mm_s))


@pytest.mark.parametrize("speed", [250.0, 1000.0, 2000.0])
@pytest.mark.parametrize("jitter", [0.0002, 0.001])
@pytest.mark.parametrize("side", ["carrier", "insert"])
def test_jitter_adds_its_variance(speed: float, jitter: float, side: str) -> None:
    rows = run(jittery(speed, jitter, side=side), carriers=JITTERY).feeders[0]
    theory = (speed * jitter) ** 2 / 3.0
    # the first insert was staged by hand: its stage position has no jitter
    error = variance_of(rows.placement_error_mm[1:])
    assert abs(error.z(theory)) < 4.0
    stage = variance_of(rows.stage_position_mm[1:])
    if side == "insert":
        assert abs(stage.z(theory)) < 4.0
    else:
        assert stage.mean < 1e-20
    # planted: a jitter that is 5 % too wide must not pass for the one typed
    wide = run(jittery(speed, 1.05 * jitter, side=side), carriers=JITTERY).feeders[0]
    assert abs(variance_of(wide.placement_error_mm[1:]).z(theory)) > 4.0


def test_jitter_leaves_the_mean_at_zero() -> None:
    # lead solved for the response of 2 ms; v·jitter/√3 = 0.58 mm, standard error 0.011 mm
    line = jittery(1000.0, 0.001, side="carrier")
    assert line.feeders[0].settings.engage_lead_s == pytest.approx(0.002)
    errors = run(line, carriers=JITTERY).feeders[0].placement_error_mm[1:]
    assert abs(mean_of(errors).z(0.0)) < 4.0
    # planted: a response that is 0.1 ms longer than the lead was solved for
    late = replace(line, carrier_eye=replace(line.carrier_eye, response_s=0.0021))
    errors = run(late, carriers=JITTERY).feeders[0].placement_error_mm[1:]
    assert abs(mean_of(errors).z(0.0)) > 4.0
