"""Waits of carriers for a feeder against the formulas of queues, and against Lindley's recursion.

M/D/1: exponential gaps, equal services, one server. Erlang (1909) has the waits beyond x,
1 − (1 − ρ)·Σ ((k·D − x)/m)^k/k!·e^((x − k·D)/m) over k from 0 to x/D; Pollaczek and Khinchine have
their mean, ρ·D/(2(1 − ρ)) (any text on queues, from memory). A shortest pitch s leaves the waits as
they are with D − s for D.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import trapezoid

from feedsim.arrivals import Paced, RandomGaps
from feedsim.machine import Clutch, Controller, Encoder
from feedsim.probability.stationary import stationary
from feedsim.settings import waits as waits_module
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.predict import until_next_tick
from feedsim.settings.queues import Queue
from feedsim.settings.waits import mean_if_longer, waits_of
from tests.machines import feeder, machine, run

ENDLESS = 6000.0  # mm: so long a wait is as good as none at the loads below


def queue(
    service: float, mean_gap: float, *, shortest: float = 0.0, sd: float = 0.0, **more: object
) -> Queue:
    """Return a queue of exponential pitches, or paced ones of a standard deviation."""
    law = Paced if sd else RandomGaps
    base = Queue(
        arrival=law(shortest, mean_gap, sd), come=1.0,
        service_mm=service, gap_mm=0.0, gap_sd_mm=0.0, least_gap_mm=0.0, double=0.0,
        double_mm=0.0, again=((0.0, 1.0),), noise_sd_mm=0.0, room_mm=ENDLESS, fine_mm=0.3,
    )  # fmt: skip
    return replace(base, **more)  # type: ignore[arg-type]


def erlang(x: float, service: float, mean_gap: float) -> float:
    terms = ((k, (k * service - x) / mean_gap) for k in range(int(x / service) + 1))
    not_beyond = sum(y**k / math.factorial(k) * math.exp(-y) for k, y in terms)
    return 1.0 - (1.0 - service / mean_gap) * not_beyond


@pytest.mark.parametrize("load", [0.3, 0.8, 0.95])
@pytest.mark.parametrize("shortest", [0.0, 178.0])
def test_waits_behind_exponential_gaps_are_erlangs(load: float, shortest: float) -> None:
    service, gap = 40.0, 40.0 / load
    found = waits_of(queue(shortest + service, shortest + gap, shortest=shortest))
    for x in (0.0, 1.5, 5.0, 39.0, 41.0, 100.0):
        # the nodes are a thirtieth of x apart at x: well below 1 % of the share
        assert found.beyond(x) == pytest.approx(erlang(x, service, gap), rel=0.01)
    # twin: a service 3 % longer is told from it
    assert found.beyond(41.0) != pytest.approx(erlang(41.0, 1.03 * service, gap), rel=0.01)


def pollaczek(service: float, mean_gap: float) -> float:
    load = service / mean_gap
    return load * service / (2.0 * (1.0 - load))


@pytest.mark.parametrize("load", [0.5, 0.9])
def test_the_mean_wait_is_pollaczek_and_khinchines(load: float) -> None:
    found = waits_of(queue(40.0, 40.0 / load))
    assert found.mean_wait_mm == pytest.approx(pollaczek(40.0, 40.0 / load), rel=0.015)
    # of all up to a travel, the integral of the shares beyond, here by the trapezoidal rule
    places = np.arange(0.0, 200.05, 0.1)
    mean = trapezoid(found.beyond(places), places)
    assert found.up_to(200.0) == pytest.approx(mean, rel=1e-3)


@pytest.mark.parametrize("by", [-2.0, 1.0])
def test_the_mean_wait_behind_longer_services(by: float) -> None:
    of = queue(40.0, 60.0)
    usual, wanted = pollaczek(40.0, 60.0), pollaczek(40.0 + by, 60.0)
    found = mean_if_longer(of, by) - waits_of(of).mean_mm
    assert found == pytest.approx(wanted - usual, rel=0.02)


def walked(of: Queue, carriers: int, seed: int) -> np.ndarray:
    """Walk Lindley's recursion itself, with drawn pitches, gaps, misfeeds and noise."""
    rng = np.random.default_rng(seed)
    size = carriers
    law = of.arrival
    if isinstance(law, RandomGaps):
        pitches = law.shortest_mm + rng.exponential(law.pitch_mm - law.shortest_mm, size)
    else:
        pitches = np.maximum(law.shortest_mm, rng.normal(law.pitch_mm, law.pitch_sd_mm, size))
    service = of.service_mm + np.maximum(of.least_gap_mm, rng.normal(of.gap_mm, of.gap_sd_mm, size))
    longer, shares = np.array(of.again).T
    service += longer[rng.choice(len(longer), p=shares, size=size)]
    service += of.double_mm * rng.random(size) * (rng.random(size) < of.double)
    noise, comes = of.noise_sd_mm * rng.standard_normal(size), rng.random(size) < of.come
    ready, waits = -1e9, []
    for k in range(size):
        ready -= pitches[k]
        if not comes[k]:
            continue
        wait = max(0.0, ready - noise[k])
        waits.append(wait)
        if wait <= of.room_mm:
            ready = service[k] + (ready if wait else noise[k] + of.corrected_mm)
    return np.array(waits)


QUEUES = {
    "paced, near the limit": queue(
        100.0, 230.0, shortest=210.0, sd=3.0, gap_mm=127.0, gap_sd_mm=2.0,
        noise_sd_mm=0.5, room_mm=180.0,
    ),
    "paced, clipped, with misfeeds in a row": queue(
        100.0, 232.0, shortest=225.0, sd=10.0, gap_mm=110.0,
        gap_sd_mm=4.0, again=((0.0, 0.97), (155.0, 0.0291), (310.0, 0.0009)), room_mm=150.0,
    ),
    "paced, with empty pitches and doubles": queue(
        100.0, 235.0, shortest=210.0, sd=2.0, come=0.7, gap_mm=129.0,
        gap_sd_mm=2.0, double=0.03, double_mm=85.0, room_mm=90.0,
    ),
    "fed by hand, too fast for all to be served": queue(
        100.0, 260.0, shortest=178.0, gap_mm=150.0, gap_sd_mm=4.0, come=0.95, noise_sd_mm=2.0,
        again=((0.0, 0.99), (160.0, 0.01)), room_mm=120.0,
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", QUEUES)
def test_waits_are_those_of_the_recursion_walked(name: str) -> None:
    of = QUEUES[name]
    found, carriers = waits_of(of), 80_000
    waits = walked(of, carriers, 4)
    lots = np.array_split(waits, 40)
    for x in (0.0, 1.5, 20.0, of.room_mm):
        shares = np.array([np.mean(lot > x) for lot in lots])
        error = max(float(np.std(shares, ddof=1)) / math.sqrt(len(lots)), 1.0 / carriers)
        # waits cluster, so that the standard error is between lots of 2000 carriers
        assert abs(float(np.mean(waits > x)) - found.beyond(x)) < 4.0 * error
    # twin: without the end of patience or the misfeeds it would be another law
    other = waits_of(replace(of, room_mm=0.25 * of.room_mm, again=((0.0, 1.0),)))
    shares = np.array([np.mean(lot > 1.5) for lot in lots])
    wrong = abs(float(np.mean(waits > 1.5)) - other.beyond(1.5))
    assert name.startswith("paced, near") or wrong > 4.0 * float(np.std(shares, ddof=1)) / 40**0.5


@pytest.mark.parametrize("noise", [0.0, 1.0])
def test_who_does_not_wait_is_served_at_the_corrected_point(noise: float) -> None:
    """The feeder is ready 10 mm before the next point, and 8 mm behind it after a corrected one.

    Of 240,000 carriers walked; shares are good to 1 % (settings/waits.py). The twin is uncorrected.
    """
    of = queue(
        100.0, 235.0, shortest=210.0, sd=3.0, gap_mm=125.0, gap_sd_mm=2.0, noise_sd_mm=noise,
        room_mm=120.0, fine_mm=0.25, corrected_mm=18.0,
    )  # fmt: skip
    waits, found = np.concatenate([walked(of, 80_000, seed) for seed in (4, 5, 6)]), waits_of(of)
    for x in (0.0, 1.5, 5.0):
        assert found.beyond(x) == pytest.approx(float(np.mean(waits > x)), rel=0.01)
    late = np.where(waits > 0.0, waits - 18.0, 0.0)
    assert found.mean_mm == pytest.approx(float(late.mean()), rel=0.015)
    assert found.served_before(10.0) == pytest.approx(float(np.mean(late < -10.0)), rel=0.015)
    assert waits_of(replace(of, corrected_mm=0.0)).beyond(0.0) < 0.01 * found.beyond(0.0)


def test_few_waits_next_to_the_room_are_told_closely() -> None:
    """Waits 0, 50 and 100 mm, give or take 1, of which 101 mm are served: more nodes tell how many.

    Of a million carriers walked, a tenth of a per cent; the solution is good to 1.5 %.
    """
    of = queue(
        157.85, 158.63, shortest=126.5, sd=0.3, gap_mm=50.75, gap_sd_mm=0.3, come=0.97, double=0.01,
        double_mm=146.0, noise_sd_mm=0.5, room_mm=101.0, fine_mm=0.165,
    )  # fmt: skip
    waits = np.concatenate([walked(of, 100_000, seed) for seed in range(4)])
    mean = float(waits[waits <= of.room_mm].mean())
    assert waits_of(of, closely=True).mean_mm == pytest.approx(mean, rel=0.015)
    # the twin: with few nodes neighbours share what is next to the room
    assert waits_of(of).mean_mm != pytest.approx(mean, rel=0.03)


def test_a_service_that_hardly_takes_less_than_three_pitches(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Two of three carriers are dropped, and the third hardly waits: 0.5 % of the pitch is left.

    Of 80,000 carriers walked; a share of the nodes' own is off by at most 0.015. The twin keeps the
    first row of nodes, which lie some mm apart where the dropped ones are.
    """
    of = queue(
        151.3, 88.06, shortest=76.5, sd=0.5, gap_mm=111.8, gap_sd_mm=0.3, noise_sd_mm=0.25,
        again=((0.0, 0.95), (252.2, 0.0475), (504.4, 0.0025)), room_mm=62.0, fine_mm=0.5,
    )  # fmt: skip
    waits = walked(of, 80_000, 4)
    places = np.array([0.0, 0.5, 1.5, 20.0, of.room_mm])
    shares = np.array([np.mean(waits > x) for x in places])
    assert np.max(np.abs(waits_of(of).beyond(places) - shares)) < 0.015
    monkeypatch.setattr(waits_module, "_ENOUGH", 0)
    waits_of.cache_clear()
    assert np.max(np.abs(waits_of(of).beyond(places) - shares)) > 0.1
    waits_of.cache_clear()


def test_no_wait_without_service_and_bounded_work_where_it_is_endless() -> None:
    # places of the law are 0.7 mm apart
    assert waits_of(queue(0.0, 30.0)).beyond(1.0) < 1e-9
    stuck = waits_of(queue(3.6e6, 300.0, room_mm=180.0))
    # one is served in every 3.6 km, and 12 000 come by then
    assert stuck.dropped == pytest.approx(1.0, abs=1e-3)


def test_the_law_that_stays_is_that_of_a_walk_by_single_steps() -> None:
    """Up with p, down with q: shares fall by p/q from place to place (any text on Markov chains).

    Places above one that is never left upwards are not come to: they have no share.
    """
    up, down, places, reached = 0.02, 0.3, 40, 31
    moved = np.zeros((places, places))
    for k in range(places):
        moved[k, min(k + 1, places - 1)] += up * (k != reached - 1)
        moved[k, max(k - 1, 0)] += down
        moved[k, k] += 1.0 - moved[k].sum()
    wanted = (up / down) ** np.arange(places) * (np.arange(places) < reached)
    wanted /= wanted.sum()
    # without a subtraction, shares of 1e-35 are as exact as large ones
    assert stationary(moved.copy()) == pytest.approx(wanted, rel=1e-12, abs=0.0)
    # twin: one place from which another share goes up
    moved[3, 3:5] += (-0.001, 0.001)
    assert stationary(moved) != pytest.approx(wanted, rel=1e-3, abs=0.0)


@pytest.mark.usefixtures("quick_engine")
@pytest.mark.parametrize("scale_error", [0.0, 0.1])
def test_a_ready_feeder_waits_for_its_tick_as_long_behind_a_travel_ramp(scale_error: float) -> None:
    """The ramp-out is counted travel: 20 mm counted are 22 mm of belt with a scale error of 10 %.

    Ready 5 ms after it, on ticks of 4 ms: by hand 20 + 5 = 25 ms, 3 ms before the next tick, and
    22 + 5 = 27 ms, 1 ms before it; and so in simulation.
    """
    line = machine(
        feeder(clutch=Clutch(True, 10.0, 20.0, 0.005)),
        encoder=Encoder(scale_error=scale_error),
        controller=Controller(motion_cycle_s=0.004),
    )
    assert line.line.speed_mm_s == pytest.approx(1000.0)
    rows = run(line, carriers=20).feeders[0]
    busy = float(np.nanmedian(rows.ready_time_s - rows.opening_time_s))
    expected = 0.001 if scale_error else 0.003
    assert 0.028 - busy == pytest.approx(expected, abs=1e-9)
    assert until_next_tick(FeederAtSpeed(line, line.feeders[0])) == pytest.approx(expected)
