"""The draws: streams by name, what each source follows, and rare branches forced by hand."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable
from dataclasses import replace
from itertools import islice

import numpy as np
import pytest

from feedsim.arrivals import Paced, RandomGaps
from feedsim.draws.line_draws import CarrierDraw, InsertDraw, Phases, RunDraws
from feedsim.draws.streams import stream
from feedsim.machine import Carriers, Controller, DoubleCheck, Encoder, Eye, Inserts, Machine
from feedsim.records.outcome import Outcome
from feedsim.simulation.line import simulate, simulate_traced
from tests.machines import Sample, arriving, feeder, machine, mean_of, share_of, variance_of
from tests.unit.written_draws import carrier, evenly, insert

# -- streams by name -----------------------------------------------------------------------------

# printf 'carrier.pitch' | sha256sum
PITCH_SHA256 = "e0fa73b7ee3a52fc555fce1bdc37edd000b6d8a86fb82f4a83524934b48de584"


def by_name(seed: int, name: str, replication: int = 0) -> np.random.Generator:
    """Return the stream as the design page has it, with numpy and hashlib alone."""
    words = np.frombuffer(hashlib.sha256(name.encode()).digest(), dtype="<u4")
    key = (replication, *(int(word) for word in words))
    return np.random.Generator(np.random.PCG64(np.random.SeedSequence(seed, spawn_key=key)))


def test_a_stream_is_spawned_by_the_hash_of_its_name() -> None:
    # the hash from another program, its 4-byte words read little-endian by hand
    digest = bytes.fromhex(PITCH_SHA256)
    words = [int.from_bytes(digest[i : i + 4], "little") for i in range(0, 32, 4)]
    sequence = np.random.SeedSequence(7, spawn_key=(3, *words))
    expected = np.random.Generator(np.random.PCG64(sequence)).random(5)
    assert stream(7, "carrier.pitch", replication=3).random(5).tolist() == expected.tolist()


@pytest.mark.parametrize("name", ["carrier.pitch", "carrier_eye.edge", "feeder.11.insert.gap"])
def test_streams_depend_on_seed_name_and_repetition(name: str) -> None:
    first = stream(0, name).random(4).tolist()
    assert first == by_name(0, name).random(4).tolist()
    others = [stream(1, name), stream(0, name + "s"), stream(0, name, replication=1)]
    assert all(other.random(4).tolist() != first for other in others)


@pytest.mark.parametrize(("seed", "replication"), [(-1, 0), (0, -1)])
def test_no_negative_seed(seed: int, replication: int) -> None:
    with pytest.raises(ValueError, match="non-negative"):
        stream(seed, "carrier.pitch", replication=replication)


# -- what each source follows, value by value ----------------------------------------------------

SEED = 12
CARRIERS = Carriers(
    Paced(210.0, 260.0, pitch_sd_mm=4.0, min_gap_mm=45.0), slip_mm=0.5, slip_sd_mm=0.2
)
INSERTS = Inserts(
    length_mm=85.6,
    gap_mm=70.0,
    gap_sd_mm=3.0,
    min_gap_mm=68.0,
    slip_mm=0.1,
    slip_sd_mm=0.2,
    misfeed=0.1,
    double=0.2,
)
EYE = Eye(response_s=0.003, response_jitter_s=0.001, edge_sd_mm=0.3, missed=0.1)
CHECK = DoubleCheck(finds=0.7, false_alarm=0.1)


def noisy(**changes: object) -> Machine:
    one = feeder(inserts=INSERTS, eye=EYE, double_check=CHECK)
    base = machine(one, one, carriers=CARRIERS, carrier_eye=EYE)
    return replace(base, **changes)  # type: ignore[arg-type]


def fleet(line: Machine, count: int, *, seed: int = SEED) -> CarrierDraw:
    """Return the carriers' fields as arrays."""
    cards = islice(RunDraws(line, seed).carriers(), count)
    return CarrierDraw(*(np.array(column) for column in zip(*cards, strict=True)))


def stack(line: Machine, count: int, *, number: int = 0) -> InsertDraw:
    """Return a feeder's inserts' fields as arrays."""
    cards = islice(RunDraws(line, SEED).inserts(number), count)
    return InsertDraw(*(np.array(column) for column in zip(*cards, strict=True)))


def test_carriers_value_by_value() -> None:
    n = 600
    pitch = np.maximum(260.0 + 4.0 * by_name(SEED, "carrier.pitch").standard_normal(n), 255.0)
    cards = fleet(noisy(), n)
    assert cards.leading_edge_mm == pytest.approx(np.cumsum(pitch), rel=1e-12)
    edge = 0.3 * by_name(SEED, "carrier_eye.edge").standard_normal(n)
    assert cards.seen_edge_mm - cards.leading_edge_mm == pytest.approx(edge, abs=1e-9)
    jitter = 0.001 * (2.0 * by_name(SEED, "carrier_eye.jitter").random(n) - 1.0)
    assert cards.eye_delay_s == pytest.approx(0.003 + jitter, rel=1e-12)
    slip = 0.5 + 0.2 * by_name(SEED, "carrier.slip").standard_normal(n)
    assert cards.slip_mm == pytest.approx(slip, rel=1e-12)
    missed = by_name(SEED, "carrier_eye.missed").random(n) < 0.1
    assert np.array_equal(cards.missed, missed)


def test_hand_fed_carriers_value_by_value() -> None:
    # shortest pitch 255 mm; the exponential part has the mean that is left, 5 mm
    line = noisy(carriers=arriving(CARRIERS, RandomGaps))
    pitch = 255.0 + 5.0 * by_name(SEED, "carrier.pitch").standard_exponential(300)
    assert fleet(line, 300).leading_edge_mm == pytest.approx(np.cumsum(pitch), rel=1e-12)


def test_an_empty_pitch_is_no_carrier() -> None:
    line = noisy(carriers=replace(CARRIERS, missing=0.3))
    whole = fleet(noisy(), 400).leading_edge_mm
    there = by_name(SEED, "carrier.missing").random(400) >= 0.3
    kept = whole[there]
    assert fleet(line, len(kept)).leading_edge_mm == pytest.approx(kept, rel=1e-12)


def test_inserts_value_by_value() -> None:
    n, of = 600, "feeder.1"
    cards = stack(noisy(), n, number=1)
    drawn = by_name(SEED, f"{of}.insert.misfeed").random(n) >= 0.1
    double = (by_name(SEED, f"{of}.insert.double").random(n) < 0.2) & drawn
    shift = 85.6 * by_name(SEED, f"{of}.insert.double_shift").random(n)
    length = 85.6 + np.where(double, shift, 0.0)
    gap = 70.0 + 3.0 * by_name(SEED, f"{of}.insert.gap").standard_normal(n)
    # a nose comes its gap behind the tail before it; the first is where the count begins
    noses = np.cumsum(np.maximum(gap, 68.0) + np.append(0.0, length[:-1]))
    assert np.array_equal(cards.drawn, drawn)
    assert np.array_equal(~np.isnan(cards.double_mm), double)
    assert cards.double_mm[double] == pytest.approx(shift[double], rel=1e-12)
    assert cards.length_mm == pytest.approx(length, rel=1e-12)
    assert cards.nose_mm == pytest.approx(noses - noses[0], abs=1e-7)
    slip = 0.1 + 0.2 * by_name(SEED, f"{of}.insert.slip").standard_normal(n)
    assert cards.slip_mm == pytest.approx(np.maximum(slip, 0.0), abs=1e-12)
    said = by_name(SEED, f"{of}.double_check").random(n) < np.where(double, 0.7, 0.1)
    assert np.array_equal(cards.called_double, said & drawn)
    edge = 0.3 * by_name(SEED, f"{of}.eye.edge").standard_normal(n)
    assert cards.seen_edge_mm - cards.nose_mm == pytest.approx(edge, abs=1e-7)


# -- what each source follows, as a distribution -------------------------------------------------

MANY = 20_000


def clipped_mean(mean: float, sd: float, low: float) -> float:
    """Mean of a normal value clipped from below: low + (m−low)·Φ(z) + s·φ(z), z = (m−low)/s.

    A censored normal variable, any text on limited dependent variables.
    """
    z = (mean - low) / sd
    below = 0.5 * math.erfc(-z / math.sqrt(2.0))
    return low + (mean - low) * below + sd * math.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi)


def paced(line: Machine) -> np.ndarray:
    return np.diff(fleet(line, MANY).leading_edge_mm)


def gaps(line: Machine) -> np.ndarray:
    cards = stack(line, MANY)
    return np.diff(cards.nose_mm) - cards.length_mm[:-1]


def seen_off(line: Machine) -> np.ndarray:
    cards = fleet(line, MANY)
    return cards.seen_edge_mm - cards.leading_edge_mm


def shifts(line: Machine) -> np.ndarray:
    found = stack(line, MANY).double_mm
    return found[~np.isnan(found)]


def missing_pitches(line: Machine) -> np.ndarray:
    """Return how many pitches were used up for each carrier, 1 and above."""
    edges = fleet(line, MANY).leading_edge_mm
    return np.round(np.diff(edges) / 260.0)


FREE = arriving(CARRIERS, min_gap_mm=0.0)  # 50 mm is 12 standard deviations: never clipped
HAND_FED = arriving(CARRIERS, RandomGaps, min_gap_mm=20.0)
EMPTY = replace(arriving(CARRIERS, pitch_sd_mm=0.0), missing=0.2)
FREE_INSERTS = replace(INSERTS, min_gap_mm=0.0)

# name, machine, values, mean, variance (None: not looked at), and a machine that is off
SOURCES: dict[
    str, tuple[Machine, Callable[[Machine], np.ndarray], float, float | None, Machine]
] = {
    "paced pitch": (
        noisy(carriers=FREE),
        paced,
        260.0,
        16.0,
        noisy(carriers=arriving(FREE, pitch_sd_mm=4.2)),
    ),
    "clipped pitch": (
        noisy(),
        paced,
        clipped_mean(260.0, 4.0, 255.0),
        None,
        noisy(carriers=FREE),
    ),
    "hand fed pitch": (  # 230 mm + exponential of mean 30 mm: its variance is 30²
        noisy(carriers=HAND_FED),
        paced,
        260.0,
        900.0,
        noisy(carriers=arriving(HAND_FED, min_gap_mm=22.0)),
    ),
    "empty pitches": (  # geometric: 1/(1−q), q/(1−q)²
        noisy(carriers=EMPTY),
        missing_pitches,
        1.25,
        0.3125,
        noisy(carriers=replace(EMPTY, missing=0.22)),
    ),
    "carrier slip": (
        noisy(),
        lambda m: fleet(m, MANY).slip_mm,
        0.5,
        0.04,
        noisy(carriers=replace(CARRIERS, slip_mm=0.51)),
    ),
    "seen edge": (
        noisy(),
        seen_off,
        0.0,
        0.09,
        noisy(carrier_eye=replace(EYE, edge_sd_mm=0.315)),
    ),
    "eye delay": (  # uniform, half-width 1 ms: a²/3
        noisy(),
        lambda m: fleet(m, MANY).eye_delay_s,
        0.003,
        0.001**2 / 3.0,
        noisy(carrier_eye=replace(EYE, response_jitter_s=0.00105)),
    ),
    "missed carriers": (
        noisy(),
        lambda m: fleet(m, MANY).missed.astype(float),
        0.1,
        0.09,
        noisy(carrier_eye=replace(EYE, missed=0.11)),
    ),
    "insert gap": (
        noisy(feeders=(feeder(inserts=FREE_INSERTS),)),
        gaps,
        70.0,
        9.0,
        noisy(feeders=(feeder(inserts=replace(FREE_INSERTS, gap_sd_mm=3.15)),)),
    ),
    "clipped insert gap": (
        noisy(),
        gaps,
        clipped_mean(70.0, 3.0, 68.0),
        None,
        noisy(feeders=(feeder(inserts=FREE_INSERTS),)),
    ),
    "insert slip, clipped at 0": (
        noisy(),
        lambda m: stack(m, MANY).slip_mm,
        clipped_mean(0.1, 0.2, 0.0),
        None,
        noisy(feeders=(feeder(inserts=replace(INSERTS, slip_mm=0.11)),)),
    ),
    "misfeeds": (
        noisy(),
        lambda m: (~stack(m, MANY).drawn).astype(float),
        0.1,
        0.09,
        noisy(feeders=(feeder(inserts=replace(INSERTS, misfeed=0.12)),)),
    ),
    "doubles, of what was drawn": (  # 0.9 · 0.2 of all pitches
        noisy(),
        lambda m: (~np.isnan(stack(m, MANY).double_mm)).astype(float),
        0.18,
        0.1476,
        noisy(feeders=(feeder(inserts=replace(INSERTS, double=0.22)),)),
    ),
    "shift of a double": (  # uniform on 0…85.6 mm
        noisy(),
        shifts,
        42.8,
        85.6**2 / 12.0,
        noisy(feeders=(feeder(inserts=replace(INSERTS, length_mm=90.0)),)),
    ),
    "called doubles": (  # 0.18 · 0.7 + 0.72 · 0.1
        noisy(),
        lambda m: stack(m, MANY).called_double.astype(float),
        0.198,
        0.158796,
        noisy(feeders=(feeder(inserts=INSERTS, double_check=DoubleCheck(0.77, 0.1)),)),
    ),
}


def standard_errors_off(values: np.ndarray, mean: float, variance: float | None) -> float:
    """Return by how many standard errors mean or variance are off, the larger of the two."""
    z = abs(mean_of(values).z(mean))
    return z if variance is None else max(z, abs(variance_of(values).z(variance)))


@pytest.mark.parametrize("name", SOURCES)
def test_each_source_has_its_mean_and_variance(name: str) -> None:
    line, values, mean, variance, off = SOURCES[name]
    assert standard_errors_off(values(line), mean, variance) < 4.0
    # planted: what was drawn from another machine must not pass for this one
    assert standard_errors_off(values(off), mean, variance) > 4.0


def test_clipped_values_stand_at_their_limit() -> None:
    # paced pitch 260 ± 4, not below 255: share Φ(−1.25) = 0.1056498 (any table) at the limit
    at_limit = int((np.abs(paced(noisy()) - 255.0) < 1e-6).sum())
    assert paced(noisy()).min() > 255.0 - 1e-6
    assert abs(share_of(at_limit, MANY - 1).z(0.1056498)) < 4.0
    # insert slip 0.1 ± 0.2, not below 0: share Φ(−0.5) = 0.3085375
    slips = stack(noisy(), MANY).slip_mm
    assert slips.min() == 0.0
    assert abs(share_of(int((slips == 0.0).sum()), MANY).z(0.3085375)) < 4.0
    # planted: the share of another clipping
    assert abs(share_of(int((slips == 0.0).sum()), MANY).z(0.33)) > 4.0


def test_jitter_and_shift_keep_their_ranges() -> None:
    delays = fleet(noisy(), MANY).eye_delay_s
    assert 0.002 <= delays.min() < 0.00201
    assert 0.00399 < delays.max() <= 0.004
    assert 0.0 <= shifts(noisy()).min() < 0.1
    assert 85.5 < shifts(noisy()).max() < 85.6


@pytest.mark.parametrize(
    ("scan", "cycle", "longest"), [(0.02, 0.004, 0.02), (0.001, 0.003, 0.003), (0.0, 0.0, 0.0)]
)
def test_phases_are_uniform_over_a_count_and_over_the_longest_period(
    scan: float, cycle: float, longest: float
) -> None:
    line = noisy(controller=Controller(scan, cycle), encoder=Encoder(0.05))
    drawn = [RunDraws(line, seed).phases() for seed in range(1000)]
    counts = np.array([p.encoder for p in drawn])
    assert 0.0 <= counts.min() < 0.01
    assert 0.99 < counts.max() < 1.0
    assert abs(mean_of(counts).z(0.5)) < 4.0
    assert abs(variance_of(counts).z(1.0 / 12.0)) < 4.0
    ticks = np.array([p.ticks_s for p in drawn])
    if longest == 0.0:
        assert not ticks.any()
        return
    assert 0.0 <= ticks.min() < 0.01 * longest
    assert 0.99 * longest < ticks.max() < longest
    assert abs(mean_of(ticks).z(0.5 * longest)) < 4.0
    assert abs(mean_of(ticks).z(0.45 * longest)) > 4.0  # planted
    # and the two do not go together: r·√n is normal(0, 1) for independent ones
    together = Sample(float(np.corrcoef(counts, ticks)[0, 1]), 1.0 / math.sqrt(len(drawn)))
    assert abs(together.z(0.0)) < 4.0


def test_the_encoder_phase_is_the_stream_of_that_name() -> None:
    assert RunDraws(noisy(), 5).phases() == Phases(by_name(5, "encoder.phase").random(), 0.0)


# -- rare branches, forced by hand ---------------------------------------------------------------


def quiet() -> Machine:
    """Return the example at 1000 mm/s, nothing random: inserts of 85.6 mm every 155.6 mm."""
    return machine()


def test_a_double_that_the_eye_misses_strays_with_its_second_half() -> None:
    # Inserts 0, 1 (a double, missed) and 2; carrier 0 gets insert 0, its search passes insert 1 and
    # finds insert 2, which goes on carrier 1; the search of that cycle stages insert 3.
    cards = [
        insert(0.0, length_mm=85.6, delay_s=0.0005),
        insert(155.6, length_mm=115.6, delay_s=0.0005, missed=True, double_mm=30.0),
        insert(341.2, length_mm=85.6, delay_s=0.0005),
    ]
    line = quiet()
    draws = replace(evenly(line, [260.0, 1000.0]), insert_cards=[cards], pitches_mm=[155.6])
    rows = simulate(line, draws, carriers=2).feeders[0]
    assert rows.outcome.tolist() == [Outcome.PLACED] * 2
    assert rows.insert.tolist() == [0, 2]
    assert rows.strays.tolist() == [1, 0]
    assert rows.double.tolist() == [0, 0]
    books = rows.books
    assert (books.drawn, books.placed, books.strays, books.second_halves) == (5, 2, 1, 1)
    assert books.in_feeder == 1
    # the feed has moved a whole pitch more: the second nose is staged where the first was
    assert rows.stage_position_mm == pytest.approx([60.0, 60.0], abs=1e-9)


def test_two_strays_in_a_row_are_counted_in_the_cycle_that_passes_them() -> None:
    line = quiet()
    cards = [
        insert(155.6 * i, length_mm=85.6, delay_s=0.0005, missed=i in {1, 2}) for i in range(4)
    ]
    draws = replace(evenly(line, [260.0, 1200.0]), insert_cards=[cards], pitches_mm=[155.6])
    records, trace = simulate_traced(line, draws, carriers=2)
    rows = records.feeders[0]
    assert rows.insert.tolist() == [0, 3]
    assert rows.strays.tolist() == [2, 0]
    assert rows.books.strays == 2
    strays = [(e.insert, e.time_s) for e in trace.events if e.event == "stray"]
    # nose i is at the eye at f = 155.6·i − 60, the clutch closed (a step) at the engage time
    closed = rows.engage_time_s[0]
    assert [number for number, _ in strays] == [1, 2]
    times = [closed + (155.6 * i - 60.0) / 1000.0 for i in (1, 2)]
    assert [t for _, t in strays] == pytest.approx(times, abs=1e-12)


def test_a_mark_that_finds_the_memory_full_at_the_same_tick_is_lost() -> None:
    # Scan 0.5 s, ticks at 0, 0.5 …: carriers at 260 and 480 mm are both known at 0.5 s, before
    # either is acted on. A memory of one keeps the first; with room for two both wait.
    late = Controller(scan_s=0.5, motion_cycle_s=0.5, not_ready_engages=True)
    outcomes = {}
    for room in (1, 2):
        line = machine(controller=replace(late, mark_memory=room))
        typed = replace(line.feeders[0].settings, engage_distance_mm=600.0, engage_lead_s=0.0)
        line = replace(line, feeders=(replace(line.feeders[0], settings=typed),))
        records, trace = simulate_traced(line, evenly(line, [260.0, 480.0]), carriers=2)
        known = [e.time_s for e in trace.events if e[1:3] == ("carrier_eye", "known")]
        assert known == [0.5, 0.5]
        outcomes[room] = records.feeders[0].outcome.tolist()
    assert outcomes[1][1] == Outcome.MARK_MEMORY_FULL
    assert Outcome.MARK_MEMORY_FULL not in (outcomes[1][0], *outcomes[2])


def test_a_mark_that_comes_at_the_tick_its_place_is_freed_is_still_too_late() -> None:
    # Memory of one, every tick at n/1024 s, 1024 mm/s, E = 60: carrier 0 at 100 mm has its point at
    # 160 mm; carrier 1 comes at 160 mm. The edge is known before the motion tick acts.
    line = machine(
        controller=Controller(scan_s=1 / 1024, motion_cycle_s=1 / 1024, mark_memory=1),
        carrier_eye=Eye(),
        carriers=Carriers(Paced(30.0, 60.0)),
    )
    line = replace(line, line=replace(line.line, speed_mm_s=1024.0))
    typed = replace(line.feeders[0].settings, engage_distance_mm=60.0, engage_lead_s=0.0)
    line = replace(line, feeders=(replace(line.feeders[0], settings=typed),))
    for second, outcome in [(160.0, Outcome.MARK_MEMORY_FULL), (161.0, Outcome.NOT_STAGED)]:
        draws = replace(evenly(line, [100.0, second]))
        rows = simulate(line, draws, carriers=2).feeders[0]
        assert rows.outcome.tolist() == [Outcome.PLACED, outcome]


def test_a_carrier_may_be_missed_where_it_would_have_merged() -> None:
    # the second is missed and would have merged (210 mm long, 100 mm on); the third merges with the
    # first, not with the missed one
    cards = [carrier(260.0), carrier(360.0)._replace(missed=True), carrier(469.0), carrier(800.0)]
    line = replace(quiet(), carrier_eye=Eye())
    draws = replace(evenly(line, [0.0]), carrier_cards=cards)
    rows = simulate(line, draws, carriers=4).feeders[0]
    assert rows.outcome[1] == Outcome.NOT_SEEN
    assert rows.outcome[2] == Outcome.MERGED
    cards[2] = carrier(470.0)  # just as the output has switched off
    rows = simulate(line, replace(draws, carrier_cards=cards), carriers=4).feeders[0]
    assert rows.outcome[2] not in (Outcome.MERGED, Outcome.NOT_SEEN)
