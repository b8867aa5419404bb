"""Recorded carriers as they are drawn and run: the record as it is, again and again or once."""

from __future__ import annotations

from dataclasses import fields, replace
from itertools import accumulate, cycle, islice

import numpy as np
import pytest

from feedsim.arrivals import Paced, Recorded
from feedsim.arrivals.recorded import record_start
from feedsim.draws.line_draws import CarrierDraw, RunDraws
from feedsim.machine import Carriers, Controller, Encoder, Eye, Inserts, Machine
from feedsim.records.columns import RunRecords
from feedsim.records.outcome import Outcome
from feedsim.simulation.line import simulate
from tests.machines import LAGGING, NOISY_EYE, arriving, feeder, machine
from tests.unit.written_draws import evenly

RECORD = (260.0, 250.5, 271.3, 215.0, 300.1, 240.7, 255.55)
CARRIERS = Carriers(
    Recorded(210.0, 256.2, pitch_sd_mm=26.0, record_mm=RECORD), slip_mm=0.5, slip_sd_mm=0.2
)


def edges(carriers: Carriers, count: int, *, seed: int = 5, replication: int = 0) -> list[float]:
    """Return the leading edges of the first carriers."""
    draws = RunDraws(machine(carriers=carriers), seed, replication=replication)
    return [CarrierDraw(*card).leading_edge_mm for card in islice(draws.carriers(), count)]


def test_leading_edges_are_the_sums_of_the_record() -> None:
    # by hand: 260, +250.5, +271.3, +215, +300.1, +240.7, +255.55 = 1793.15, and from there again
    first = [260.0, 510.5, 781.8, 996.8, 1296.9, 1537.6, 1793.15, 2053.15, 2303.65]
    assert edges(CARRIERS, 9) == pytest.approx(first, rel=1e-15)


@pytest.mark.parametrize("seed", [0, 5])
def test_a_record_begins_again_to_the_last_bit_and_whatever_the_blocks(seed: int) -> None:
    assert edges(CARRIERS, 20_000, seed=seed) == list(
        islice(accumulate(cycle(RECORD)), 20_000)
    )  # over several blocks of draws, none of them a multiple of seven


def test_a_record_that_ends_gives_its_carriers_and_no_more() -> None:
    ends = arriving(CARRIERS, repeats=False)
    assert edges(ends, 100) == list(accumulate(RECORD))
    assert edges(ends, 100, replication=3) == list(accumulate(RECORD))
    long = arriving(ends, record_mm=RECORD * 100)
    assert edges(long, 1000) == list(accumulate(RECORD * 100))


def test_replications_begin_elsewhere_in_a_record_that_repeats() -> None:
    # 7 · frac(r · 0.6180339887…) = 0, 4.33, 1.65, 5.98, 3.30, 0.63
    starts = [0, 4, 1, 5, 3, 0]
    assert [record_start(7, replication) for replication in range(6)] == starts
    for replication, start in enumerate(starts):
        again = islice(accumulate(islice(cycle(RECORD), start, None)), 30)
        assert edges(CARRIERS, 30, replication=replication) == list(again)


@pytest.mark.parametrize("length", [1, 2, 400, 100_000])
def test_places_to_begin_at_lie_in_the_record_and_spread_over_it(length: int) -> None:
    golden = (5.0**0.5 - 1.0) / 2.0
    for replication in range(200):
        start = record_start(length, replication)
        assert 0 <= start < length
        assert start == int(length * (replication * golden % 1.0))
    # of 32 runs some begin in each 16th of a long record
    found = {16 * record_start(length, replication) // length for replication in range(32)}
    assert length < 16 or found == set(range(16))


def test_a_record_moves_no_other_stream() -> None:
    drawn = machine(carriers=arriving(CARRIERS, Paced), carrier_eye=NOISY_EYE)
    recorded = replace(drawn, carriers=CARRIERS)
    n = 3000
    a, b = (
        CarrierDraw(*map(np.array, zip(*islice(RunDraws(m, 5).carriers(), n), strict=True)))
        for m in (drawn, recorded)
    )
    assert np.array_equal(a.eye_delay_s, b.eye_delay_s)
    assert np.array_equal(a.slip_mm, b.slip_mm)
    assert np.array_equal(a.missed, b.missed)
    assert a.seen_edge_mm - a.leading_edge_mm == pytest.approx(
        b.seen_edge_mm - b.leading_edge_mm, abs=1e-9
    )
    assert not np.array_equal(a.leading_edge_mm, b.leading_edge_mm)
    inserts = [list(islice(RunDraws(m, 5).inserts(0), 300)) for m in (drawn, recorded)]
    assert repr(inserts[0]) == repr(inserts[1])  # NaN where there is no double
    assert RunDraws(drawn, 5).phases() == RunDraws(recorded, 5).phases()


# -- runs ----------------------------------------------------------------------------------------


def noisy_line(carriers: Carriers) -> Machine:
    """Return a line with everything random but what a record says."""
    inserts = Inserts(85.6, 70.0, gap_sd_mm=2.0, slip_mm=0.2, slip_sd_mm=0.1, misfeed=0.02)
    one = feeder(inserts=inserts, eye=NOISY_EYE, servo=LAGGING)
    return machine(
        one,
        carriers=carriers,
        carrier_eye=Eye(0.0005, 0.0002, 0.0005, edge_sd_mm=0.1, missed=0.02),
        controller=Controller(scan_s=0.002, motion_cycle_s=0.001),
        encoder=Encoder(0.05),
    )


class RecordByHand(RunDraws):
    """The draws of a paced line, but the leading edges written by hand."""

    def carriers(self):
        leading = accumulate(cycle(RECORD))
        for card, edge in zip(super().carriers(), leading, strict=False):
            seen = card[1] - card[0]
            yield CarrierDraw(edge, edge + seen, *card[2:])


def same(a: RunRecords, b: RunRecords, *, within: float) -> None:
    for ours, other in ((a.carriers, b.carriers), *zip(a.feeders, b.feeders, strict=True)):
        for field in fields(ours):
            if field.name == "books":
                assert ours.books == other.books
                continue
            here, there = getattr(ours, field.name), getattr(other, field.name)
            np.testing.assert_allclose(here, there, rtol=0.0, atol=within, err_msg=field.name)


def test_a_recorded_run_is_the_run_of_the_same_pitches_written_by_hand() -> None:
    recorded = noisy_line(CARRIERS)
    paced = replace(recorded, carriers=arriving(CARRIERS, Paced))
    ours = simulate(recorded, RunDraws(recorded, 9), carriers=400)
    by_hand = simulate(paced, RecordByHand(paced, 9), carriers=400)
    # the seen edge is leading edge + deviation there, and here their difference added on again
    same(ours, by_hand, within=1e-9)
    assert len(set(ours.feeders[0].outcome.tolist())) > 2  # with carriers missed in several ways
    # planted: one pitch longer by a hundredth of a millimetre is another run
    other = arriving(CARRIERS, record_mm=(*RECORD[:-1], RECORD[-1] + 0.01))
    moved = simulate(noisy_line(other), RunDraws(noisy_line(other), 9), carriers=400)
    with pytest.raises(AssertionError):
        same(moved, by_hand, within=1e-9)


def test_a_record_without_any_noise_is_served_as_it_says() -> None:
    # a cycle takes 155.6 mm, without ramps: who comes sooner finds the feeder busy
    record = (200.0, 300.0, 155.5, 200.0, 155.7, 400.0)
    carriers = Carriers(Recorded(100.0, 235.2, record_mm=record))
    line = machine(carriers=carriers)
    ours = simulate(line, RunDraws(line, 1), carriers=12)
    placed = ours.feeders[0].outcome == Outcome.PLACED
    assert placed.tolist() == [True, True, False, True, True, True] * 2
    same(ours, simulate(line, evenly(line, list(accumulate(record * 2))), carriers=12), within=1e-9)
