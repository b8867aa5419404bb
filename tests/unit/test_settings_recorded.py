"""What is counted in a record: pitches and sums of pitches below a travel, waits, crowding."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import cycle, islice

import numpy as np
import pytest

from feedsim.arrivals import Paced, Recorded
from feedsim.machine import Carriers
from feedsim.probability.distribution import Distribution
from feedsim.probability.even_grid import EvenGrid
from feedsim.settings.followed import Followed, Stream, _lasting, follow
from feedsim.settings.queues import Queue
from feedsim.settings.seen import NONE_MERGE, Gap

FOUR = (200.0, 210.0, 220.0, 230.0)


def law(record: tuple[float, ...] = FOUR, *, repeats: bool = True) -> Recorded:
    mean = sum(record) / len(record)
    return Recorded(180.0, mean, record_mm=record, repeats=repeats)


def drifting(seed: int, n: int = 300) -> Recorded:
    rng = np.random.Generator(np.random.PCG64(seed))
    drift = 10.0 * np.sin(np.arange(n) / 17.0)
    return law(tuple((230.0 + drift + rng.normal(0.0, 4.0, n)).tolist()))


def lost(of: Recorded, busy: float, **noise: object) -> float:
    """Return the lost share where a feeder is busy for a travel."""
    return of.share_lost(Distribution(busy, **noise), {0.0: 1.0}, come=1.0)  # type: ignore[arg-type]


def phi(z: float) -> float:
    return 0.5 * math.erfc(-z / math.sqrt(2.0))


@pytest.mark.parametrize(
    ("travel", "share"), [(199.0, 0.0), (215.0, 0.5), (210.0, 0.25), (231.0, 1.0)]
)
def test_pitches_below_a_travel(travel: float, share: float) -> None:
    assert law().share_below(travel) == share


def test_the_first_pitch_of_a_record_that_ends_is_none_between_two_carriers() -> None:
    assert law(repeats=False).share_below(215.0) == pytest.approx(1.0 / 3.0)
    assert law((200.0,), repeats=False).share_below(215.0) == 0.0
    assert lost(law((200.0,), repeats=False), 9999.0) == 0.0
    assert law((200.0,), repeats=False).most_within(900.0, 4.0) == 1


def lost_walked(of: Recorded, busy: float, laps: int) -> float:
    """Walk along the record: who comes before the feeder is ready is lost."""
    ready, at, missed = 0.0, 0.0, 0
    for pitch in islice(cycle(of.record_mm), laps * len(of.record_mm)):
        at += pitch
        if at < ready:
            missed += 1
        else:
            ready = at + busy
    return missed / (laps * len(of.record_mm))


@pytest.mark.parametrize("busy", [100.0, 212.0, 218.0, 222.0, 226.0])
def test_carriers_that_find_the_feeder_busy(busy: float) -> None:
    of = drifting(3)
    share = lost_walked(of, busy, 7)
    assert lost(of, busy) == pytest.approx(share, abs=1e-12)
    assert (share > 0.0) == (busy > 100.0)
    # planted: pitches in any order would lose more, since of a run of short ones only every
    # second is lost, and the drift makes such runs
    come = of.share_below(busy)
    assert (come / (1.0 + come) > 1.05 * share) == (busy > 215.0)


def test_a_rest_of_0_is_none_below_0() -> None:
    assert lost(law(), 200.0) == 0.0
    assert lost(law(), 200.001) == 0.25


@pytest.mark.parametrize(("busy", "share"), [
    (435.0, 1.75 / 2.75),  # 410, 430 and 430 of four sums of two as well: 1 + 3/4 come meanwhile
    (861.0, 4.0 / 5.0),  # a whole lap of 860 from anywhere
    (860.0, 3.0 / 4.0),
    (860.0 + 435.0, 5.75 / 6.75),
])  # fmt: skip
def test_many_that_come_meanwhile(busy: float, share: float) -> None:
    assert lost(law(), busy) == pytest.approx(share, rel=1e-12)


def test_a_single_pitch_again_and_again() -> None:
    assert lost(law((200.0,)), 199.0) == 0.0
    assert lost(law((200.0,)), 201.0) == 0.5
    assert lost(law((200.0,)), 401.0) == pytest.approx(2.0 / 3.0)


def test_a_record_that_ends_is_walked_once() -> None:
    # 210, 220, 230, 200: the last is lost behind 230, and of the first nothing is known
    of = law((150.0, 210.0, 220.0, 230.0, 200.0), repeats=False)
    assert lost(of, 205.0) == pytest.approx(1.0 / 5.0)
    assert lost(replace(of, repeats=True), 205.0) == pytest.approx(1.0 / 5.0)
    # 150 is short when it comes round, and then the one after 200 is lost, not the one after 150
    again = law((150.0, 400.0, 400.0, 400.0, 200.0))
    assert lost(again, 205.0) == pytest.approx(1.0 / 5.0)


@pytest.mark.parametrize("busy", [190.0, 205.0, 212.0])
def test_noise_is_mixed_in(busy: float) -> None:
    # Two short pitches in a row: the first carrier is lost with b = Φ((busy − 205)/6), the second
    # with Φ((busy − 210)/6) if the first was not. Near ones are taken together within 18/256 sd:
    # off by less than (18/256)²/24 · max|φ'| = 5e-5.
    of = law((300.0,) * 8 + (205.0, 210.0))
    b, then = phi((busy - 205.0) / 6.0), phi((busy - 210.0) / 6.0)
    expected = (b + (1.0 - b) * then) / 10.0
    assert lost(of, busy, normal_sd=6.0) == pytest.approx(expected, abs=5e-5)


def served_always(takes_mm: float) -> Queue:
    return Queue(
        arrival=Paced(180.0, 230.0), come=1.0,
        service_mm=takes_mm, gap_mm=0.0, gap_sd_mm=0.0, least_gap_mm=0.0, double=0.0,
        double_mm=0.0, again=((0.0, 1.0),), noise_sd_mm=0.0, room_mm=math.inf, fine_mm=1.0,
    )  # fmt: skip


def followed(of: Recorded, takes_mm: float, **more: Gap | float) -> Followed:
    base = Stream(Carriers(of), served_always(takes_mm), 1.0, waits=True, places=0, kept_mm=300.0,
               kept_sd_mm=0.0, gap=NONE_MERGE, edge_sd_mm=0.0)  # fmt: skip
    return follow(replace(base, **more))  # type: ignore[arg-type]


def waits_walked(of: Recorded, limit: float, service: float, laps: int) -> float:
    """Walk along the record, laps on end, and count."""
    wait, late, n = 0.0, 0, len(of.record_mm)
    for place, pitch in enumerate(islice(cycle(of.record_mm), laps * n)):
        wait = max(0.0, wait + service - pitch) if place else 0.0
        late += wait > limit
    return late / (laps * n)


@pytest.mark.parametrize("service", [200.0, 220.0, 226.0, 229.0])
@pytest.mark.parametrize("limit", [0.0, 3.0, 30.0])
def test_waits_are_handed_on_along_the_record(service: float, limit: float) -> None:
    of = drifting(4)
    share = followed(of, service).waits.beyond(limit)
    assert share == pytest.approx(waits_walked(of, limit, service, 34), abs=1e-12)


def test_waits_of_a_record_that_ends_begin_anew() -> None:
    # 230, 220, 210, 200 served in 215 each: waits 0 for the first, then 0, 5, 20
    falling = law((230.0, 220.0, 210.0, 200.0), repeats=False)
    waits = followed(falling, 215.0).waits
    assert waits.beyond(4.0) == pytest.approx(0.5)
    assert waits.beyond(5.0) == pytest.approx(0.25)


def one_by_one(pitches: list[float], stream: Stream) -> tuple[int, int, list[float]]:
    """Walk along carriers as MODEL.md has it (section 5; facts 11 and 12): full, busy, waits."""
    room, later = stream.queue.room_mm if stream.waits else 0.0, stream.queue.corrected_mm
    x, ready, full, waits = 0.0, -math.inf, 0, []
    kept: list[float] = []  # until when, of those in the memory
    for pitch in pitches:
        x += pitch
        kept = [act for act in kept if act > x]
        if stream.places and len(kept) == stream.places:
            full += 1
            continue
        wait = max(0.0, ready - x - stream.kept_mm)
        waits.append(wait)
        if wait <= room:
            ready = x + stream.kept_mm + (wait or later) + stream.queue.service_mm
        kept.append(x + stream.kept_mm + (min(wait, room) if wait else later))
    return full, sum(wait > room for wait in waits), sorted(waits)


@pytest.mark.parametrize("waits", [True, False])
@pytest.mark.parametrize("places", [0, 1, 2, 3])
@pytest.mark.parametrize("kept", [150.0, 420.0, 680.0])
@pytest.mark.parametrize("service", [205.0, 226.0, 228.5, 290.0])
@pytest.mark.parametrize("later", [0.0, 15.0])
def test_marks_are_those_that_a_walk_finds(
    later: float, service: float, kept: float, places: int, *, waits: bool
) -> None:
    # from a feeder that hardly anybody waits for to one that most do, and a memory that is never
    # full, now and then, and at every second carrier
    queue = replace(served_always(service), room_mm=60.0, corrected_mm=later)
    of = drifting(7)
    base = Stream(Carriers(of), queue, 1.0, waits=waits, places=places, kept_mm=kept,
                  kept_sd_mm=0.0, gap=NONE_MERGE, edge_sd_mm=0.0)  # fmt: skip
    found = follow(base)
    pitches = list(islice(cycle(of.record_mm), found.carriers))
    full, busy, expected = one_by_one(pitches, base)
    assert (found.full, found.busy) == (full, busy)
    assert found.waits_mm == pytest.approx(expected, abs=1e-6)


def test_a_carrier_that_cannot_be_hit_any_more_costs_no_service() -> None:
    # 200 apart, served in 300 with 150 of room: waits 0, 100, then 200 is too long; then 0 again
    steady, queue = law((200.0,)), replace(served_always(300.0), room_mm=150.0)
    found = followed(steady, 300.0, queue=queue)  # type: ignore[arg-type]
    assert found.busy / found.carriers == pytest.approx(1.0 / 3.0, abs=2e-4)
    assert found.waits.dropped == pytest.approx(1.0 / 3.0, abs=2e-4)
    assert found.waits.served_beyond(50.0) == pytest.approx(0.5, abs=2e-4)


def test_marks_that_find_no_place_or_merge_never_come_to_the_feeder() -> None:
    # 200 apart and kept for 300: with one place every second one finds it taken, and the rest
    # are 400 apart, which a service of 300 bears
    steady = law((200.0,))
    found = followed(steady, 300.0, places=1, waits=False)
    assert (found.full / found.carriers, found.busy) == (pytest.approx(0.5), 0)
    # the eye needs 30 and sees a gap of 20: all behind the first merge
    merging = followed(steady, 300.0, gap=Gap(30.0), waits=False)
    assert (merging.merged, merging.busy) == (merging.carriers - 1, 0)


def test_a_polled_eye_merges_those_between_which_it_does_not_scan() -> None:
    # gaps of 20 mm, scans 80 mm apart: a quarter is seen, and of two neighbours, 2.5 scans apart,
    # never both. So a service of 300 mm finds the feeder ready, and one of 500 at every second mark
    steady, polled = law((200.0,)), Gap(0.0, scan_mm=80.0)
    for service, busy in ((300.0, 0.0), (500.0, 0.125)):
        found = followed(steady, service, gap=polled, waits=False)
        assert found.merged / found.carriers == pytest.approx(0.75, abs=1e-3)
        assert found.busy / found.carriers == pytest.approx(busy, abs=1e-3)
    # a response that is longer by 10 mm, ± 5 mm: 30 mm on average; a filter of 28 mm bridges some
    for least, share in ((0.0, 30.0 / 80.0), (28.0, 0.7 * 31.5 / 80.0)):
        gap = Gap(0.0, on_mm=10.0, jitter_mm=5.0, filter_mm=least, scan_mm=80.0)
        found = followed(steady, 100.0, gap=gap)
        assert 1.0 - found.merged / found.carriers == pytest.approx(share, abs=0.01)


def test_gaps_below_a_travel_with_and_without_noise_of_the_edge() -> None:
    # gaps 20, 30, 40, 50
    assert law().share_of_gaps_below(30.0, edge_sd_mm=0.0) == 0.25
    assert law().share_of_gaps_below(31.0, edge_sd_mm=0.0) == 0.5
    expected = (phi(2.0) + phi(0.0) + phi(-2.0) + phi(-4.0)) / 4.0
    assert law().share_of_gaps_below(30.0, edge_sd_mm=5.0) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize(("travel", "most"), [
    (-5.0, 0), (0.0, 0), (1.0, 1), (200.0, 1), (201.0, 2),
    # closest: 200 and 210 behind one carrier
    (410.0, 2), (411.0, 3),
    # a lap has four; two laps of 860 and 201 more: 8 and 2
    (860.0, 4), (861.0, 5), (1921.0, 10),
])  # fmt: skip
def test_carriers_within_a_travel(travel: float, most: int) -> None:
    assert law().most_within(travel, 4.0) == most


def test_carriers_within_a_travel_of_a_record_that_ends() -> None:
    of = law(repeats=False)  # four carriers, 210, 220 and 230 apart
    travels = (210.0, 211.0, 430.0, 431.0, 661.0, 9999.0)
    assert [of.most_within(travel, 4.0) for travel in travels] == [
        1, 2, 2, 3, 4, 4,
    ]  # fmt: skip


def test_services_of_several_lengths_are_mixed_along_the_record() -> None:
    # outside: the same walk with the service drawn anew each time, laps of a fixed generator
    of, more = drifting(5), {0.0: 0.9, 40.0: 0.07, 250.0: 0.03}
    rng, laps = np.random.Generator(np.random.PCG64(6)), 400
    longer = rng.choice(list(more), p=list(more.values()), size=laps * len(of.record_mm)).tolist()
    ready, at, lost_of_lap = 0.0, 0.0, []
    drawn = iter(longer)
    for _ in range(laps):
        missed = 0
        for pitch in of.record_mm:
            at += pitch
            if at < ready:
                missed += 1
            else:
                ready = at + 215.0 + next(drawn)
        lost_of_lap.append(missed / len(of.record_mm))
    error = float(np.std(lost_of_lap, ddof=1)) / math.sqrt(laps)
    found = of.share_lost(Distribution(215.0), more, come=1.0)
    assert abs(found - float(np.mean(lost_of_lap))) < 4.0 * error
    # twin: without the longest of them it is another share
    short = of.share_lost(Distribution(215.0), {0.0: 0.93, 40.0: 0.07}, come=1.0)
    assert abs(short - float(np.mean(lost_of_lap))) > 4.0 * error


def test_the_law_of_a_service_is_worked_out_once_for_thousands_of_pitches(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    asked: list[int] = []
    plain = Distribution._others

    def counting(self: Distribution, grid: EvenGrid) -> np.ndarray:
        asked.append(grid.terms)
        return plain(self, grid)

    monkeypatch.setattr(Distribution, "_others", counting)
    more = {150.0 * j: 0.97 * 0.03**j for j in range(6)}
    drifting(7, n=5000).share_lost(Distribution(224.0, 1.0, (2.0, 2.0, 0.5)), more, come=1.0)
    assert len(asked) == 1
    assert asked[0] < 2000


def test_waits_that_stay_the_same_for_long_have_a_size() -> None:
    # every second carrier waits 44, then none does: tenths of 22 and 0, all 11, E[x²] = 44²/4
    sd = math.sqrt(44.0**2 / 4.0 - 11.0**2)
    regimes = np.concatenate((np.tile([0.0, 44.0], 250), np.zeros(500)))
    assert _lasting(regimes) == pytest.approx(11.0 - 3.0 * sd / math.sqrt(100.0))
    # the twin: the same waits, mixed
    assert _lasting(np.tile([0.0, 44.0, 0.0, 0.0], 250)) == 0.0
