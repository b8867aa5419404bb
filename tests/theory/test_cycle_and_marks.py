"""Facts 6, 7 and 8 of the model, section 14: cycle, late marks and openings, hand feeding."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from feedsim.arrivals import Paced, RandomGaps
from feedsim.machine import Carriers, Clutch, Controller, Encoder, Machine, Servo
from feedsim.records.outcome import Outcome
from tests.machines import (
    RIGID,
    arriving,
    feeder,
    machine,
    mean_of,
    run,
    settings,
    share_of,
    spread_carriers,
    spread_feeder,
)

pytestmark = pytest.mark.usefixtures("quick_engine")

NOT_STAGED, LATE = int(Outcome.NOT_STAGED), int(Outcome.LATE_MARK)


def steady(pitch: float, *, scale: float, clutch: Clutch, delay: float, ratio: float) -> Machine:
    return machine(
        feeder(
            clutch=clutch,
            servo=replace(RIGID, command_delay_s=delay),
            settings=settings(speed_ratio=ratio),
        ),
        carriers=Carriers(Paced(100.0, pitch)),
        encoder=Encoder(0.0, scale),
    )


@pytest.mark.parametrize(
    ("clutch", "ramps_s"),
    [
        (Clutch(settle_s=0.004), 0.0),
        (Clutch(ramp_in=0.02, ramp_out=0.016, settle_s=0.004), 0.018),
        (Clutch(travel_ramp=True, ramp_in=20.0, ramp_out=16.0, settle_s=0.004), 0.018),
    ],
)
@pytest.mark.parametrize(("scale", "delay", "ratio"), [(0.0, 0.0, 1.0), (0.02, 0.003, 1.04)])
def test_a_pitch_just_below_the_cycle_misses_and_just_above_does_not(
    clutch: Clutch, ramps_s: float, scale: float, delay: float, ratio: float
) -> None:
    # insert pitch 155.6 mm; a travel ramp of A mm lasts A·(1+ε)/v; at 1000 mm/s. The command
    # delay is a term that model.md leaves out: the ramp-out ends that much after its tick.
    if clutch.travel_ramp:
        ramps_s *= 1.0 + scale
    cycle = 155.6 / ratio * (1.0 + scale) + 1000.0 * (ramps_s + 0.004 + delay)
    above = run(
        steady(cycle + 1e-6, scale=scale, clutch=clutch, delay=delay, ratio=ratio), carriers=200
    )
    assert (above.feeders[0].outcome == int(Outcome.PLACED)).all()
    below = run(
        steady(cycle - 1e-6, scale=scale, clutch=clutch, delay=delay, ratio=ratio), carriers=200
    )
    missed = below.feeders[0].outcome
    # steady arrivals find a busy server every second time: 1/ceil(1 + tiny) = 1/2 are served.
    # Dead time in counting, periodic arrivals: Knoll, Radiation Detection and Measurement.
    assert np.array_equal(np.flatnonzero(missed == NOT_STAGED), np.arange(1, 200, 2))


@pytest.mark.parametrize(("load", "served"), [(0.9, 1.0), (1.01, 1 / 2), (2.01, 1 / 3)])
def test_steady_arrivals_are_served_as_by_a_counter_with_dead_time(
    load: float, served: float
) -> None:
    # Knoll, Radiation Detection and Measurement (periodic source, non-paralysable counter):
    # 1/ceil(n·C) of the arrivals are recorded
    line = steady(155.6 / load, scale=0.0, clutch=Clutch(), delay=0.0, ratio=1.0)
    line = replace(line, carriers=arriving(line.carriers, length_mm=40.0))
    outcome = run(line, carriers=600).feeders[0].outcome
    assert np.mean(outcome == int(Outcome.PLACED)) == pytest.approx(served, abs=1e-12)


def late_line(*, engage: float, unload: float, scanned: bool = False) -> Machine:
    eye = replace(feeder().eye, scanned=scanned)
    return machine(
        spread_feeder(
            eye=eye,
            settings=settings(
                engage_distance_mm=engage,
                engage_lead_s=0.0,
                disengage_distance_mm=unload,
                disengage_lead_s=0.0,
            ),
        ),
        carriers=spread_carriers(pitch_sd_mm=40.0, length_mm=100.0),
        carrier_eye=eye,
        controller=Controller(scan_s=0.020),
    )


@pytest.mark.parametrize("engage", [19.0, 12.0, 5.0])
def test_late_marks_follow_the_scan_wait(engage: float) -> None:
    # capture to tick is uniform on 0…20 ms, 20 mm at 1000 mm/s: late share 1 − E/20
    n = 4000
    outcome = run(late_line(engage=engage, unload=60.0), carriers=n).feeders[0].outcome
    late = share_of(int(np.sum(outcome == LATE)), n)
    assert abs(late.z(1.0 - engage / 20.0)) < 4.0
    assert abs(late.z(1.0 - (engage + 3.0) / 20.0)) > 4.0


def test_no_late_marks_above_the_threshold() -> None:
    outcome = run(late_line(engage=20.0, unload=60.0), carriers=2000).feeders[0].outcome
    assert not np.any(outcome == LATE)


def test_a_scanned_mark_is_never_late_ahead_of_its_point() -> None:
    # captured at the very tick that makes it known
    line = late_line(engage=0.5, unload=60.0, scanned=True)
    assert not np.any(run(line, carriers=500).feeders[0].outcome == LATE)


@pytest.mark.parametrize("unload", [15.0, 6.0])
def test_late_openings_likewise(unload: float) -> None:
    line = late_line(engage=300.0, unload=unload)
    wide = replace(line.feeders[0].inserts, gap_sd_mm=15.0)  # 4 mm would not cover 20 mm evenly
    line = replace(line, feeders=(replace(line.feeders[0], inserts=wide),))
    rows = run(line, carriers=4000).feeders[0]
    engaged = rows.insert >= 0
    late = share_of(int(rows.late_opening[engaged].sum()), int(engaged.sum()))
    assert abs(late.z(1.0 - unload / 20.0)) < 4.0


def hand_fed(*, mean_pitch: float, speed_m_min: float = 60.0, gap: float = 70.0) -> Machine:
    fed = spread_feeder(clutch=Clutch(ramp_in=0.02, ramp_out=0.02), servo=Servo())
    return machine(
        replace(fed, inserts=replace(fed.inserts, gap_mm=gap)),
        speed_m_min=speed_m_min,
        carriers=Carriers(RandomGaps(1e-6, mean_pitch)),
        # an eye that switches off at once, so that very short carriers do not merge
        carrier_eye=replace(feeder().eye, off_response_s=0.0),
        controller=Controller(mark_memory=1000),
    )


@pytest.mark.parametrize("mean_pitch", [150.0, 400.0, 1200.0])
def test_hand_fed_arrivals_are_lost_as_erlang_says(mean_pitch: float) -> None:
    # A. K. Erlang's loss formula with one server, which holds for any service time of mean C
    # (M/G/1/1): lost = λC/(1 + λC). C: pitch 155.6 mm and 20 ms of ramps at 1000 mm/s.
    n, busy = 20000, 155.6 + 20.0
    load = busy / mean_pitch
    # target offset 20 mm on a carrier of no length: it lands beside it, which is not the point
    line = hand_fed(mean_pitch=mean_pitch)
    outcome = run(line, carriers=n).feeders[0].outcome
    lost = share_of(int(np.sum(outcome == NOT_STAGED)), n)
    assert np.sum(outcome != int(Outcome.PLACED)) == np.sum(outcome == NOT_STAGED)
    # losses come in runs: an idle spell and a busy one follow each other, so the variance of
    # the share is that of a renewal count. With served arrivals N = n/(1 + λC) renewals of
    # geometric-like size (Poisson(λC) lost each), var(lost share) ≈ λC/(1 + λC)³/n.
    error = (load / (1.0 + load) ** 3 / n) ** 0.5
    theory = load / (1.0 + load)
    assert abs(lost.mean - theory) / error < 4.0
    assert abs(lost.mean - theory * 0.9) / error > 4.0


def test_cycle_time_is_as_derived() -> None:
    line = machine(
        spread_feeder(
            clutch=Clutch(ramp_in=0.02, ramp_out=0.01, settle_s=0.003),
            servo=replace(RIGID, command_delay_s=0.002),
        ),
        carriers=spread_carriers(),
    )
    rows = run(line, carriers=2000).feeders[0]
    took = mean_of(rows.ready_time_s - rows.engage_time_s)
    assert abs(took.z(0.1556 + 0.015 + 0.003 + 0.002)) < 4.0
