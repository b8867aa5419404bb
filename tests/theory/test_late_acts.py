"""By how much late openings and late marks move the mean: over all phases, and simulated."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq

from feedsim.answers.trial.study.expected import expected_positions
from feedsim.machine import Clutch, Controller, Encoder, Machine, Servo
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.late_acts import late_engage_mean, late_opening, late_opening_mean
from feedsim.settings.predict import (
    expected_offsets,
    landing_shift,
    mean_shift,
    placement_shifts,
    scale_shift,
    staged_off,
)
from feedsim.settings.solve import solve
from feedsim.settings.sources import placement_spread
from tests.machines import (
    NOISY_EYE,
    machine,
    mean_of,
    run,
    settings,
    spread_carriers,
    spread_feeder,
)

pytestmark = pytest.mark.usefixtures("either_engine")

SPEED = 1000.0


def late_line(
    *,
    scan_ms: float,
    cycle_ms: float,
    engage: float = 300.0,
    unload: float = 60.0,
    count_mm: float = 0.0,
    late_mark_engages: bool = False,
    correct: bool = False,
) -> Machine:
    """Return a line at 1000 mm/s, so that a millisecond is a millimetre."""
    return machine(
        spread_feeder(
            eye=NOISY_EYE,
            settings=settings(
                engage_distance_mm=engage,
                engage_lead_s=0.0,
                disengage_distance_mm=unload,
                disengage_lead_s=0.0,
                stage_correction=correct,
            ),
        ),
        speed_m_min=60.0,
        carriers=spread_carriers(pitch_mm=500.0, pitch_sd_mm=60.0, length_mm=200.0),
        carrier_eye=NOISY_EYE,
        encoder=Encoder(count_mm),
        controller=Controller(
            scan_s=scan_ms * 1e-3,
            motion_cycle_s=cycle_ms * 1e-3,
            late_mark_engages=late_mark_engages,
        ),
    )


def over_all_phases(point: float, *, scan: float, cycle: float, count: float, skip: bool) -> float:
    """Return act less what settings count on, each phase of scan, tick and count alike (mm).

    Written from sections 4, 5 and 8 of the page: known at the scan tick, acted on at the first
    motion tick at or after both that tick and the count of the point.
    """
    step = math.gcd(round(scan * 1000), round(cycle * 1000)) / 1000.0
    gaps = np.arange(0.0, cycle, step) if cycle else np.zeros(1)
    counts = round(point / count) if count else 0
    found = []
    for fraction in (np.arange(40) + 0.5) / 40 if count else (0.0,):
        passed = (counts - fraction) * count if count else point
        beyond = passed + count  # late is what has come a whole count further
        for known in (np.arange(1000) + 0.5) / 1000 * scan:
            if skip and known > beyond:
                continue
            for gap in gaps:
                first = max(passed, known)
                tick = known + gap
                act = tick + math.ceil((first - tick) / cycle - 1e-9) * cycle if cycle else first
                found.append(act - (point - count / 2.0 + cycle / 2.0))
        if not count:
            break
    return float(np.mean(found))


@pytest.mark.parametrize(
    ("scan", "cycle", "unload", "count"),
    [
        (20.0, 0.0, 6.0, 0.0),
        (20.0, 5.0, 6.0, 0.0),
        (20.0, 5.0, 13.3, 0.0),
        (20.0, 20.0, 3.0, 0.0),
        (10.0, 4.0, 1.1, 0.0),
        (10.0, 4.0, -7.0, 0.0),
        (4.0, 20.0, 2.2, 0.0),
        (0.0, 0.0, -7.0, 1.5),
        (0.0, 0.0, 0.4, 1.5),
    ],
)
def test_late_openings_are_as_counted_over_all_phases(
    scan: float, cycle: float, unload: float, count: float
) -> None:
    line = late_line(scan_ms=scan, cycle_ms=cycle, unload=unload, count_mm=count)
    by_hand = over_all_phases(unload, scan=scan, cycle=cycle, count=count, skip=False)
    by_hand -= (round(unload / count) * count - unload) if count else 0.0  # a term of its own
    mean = late_opening_mean(FeederAtSpeed(line, line.feeders[0], SPEED))
    assert mean == pytest.approx(by_hand, abs=0.02)  # 1000 phases of 20 mm
    assert late_opening(FeederAtSpeed(line, line.feeders[0], SPEED)).average == pytest.approx(mean)


@pytest.mark.parametrize(("engages", "engage"), [(True, 5.0), (False, 5.0), (False, 12.0)])
@pytest.mark.parametrize("count", [0.0, 1.5])
def test_late_marks_likewise(engages: bool, engage: float, count: float) -> None:
    line = late_line(
        scan_ms=20.0, cycle_ms=4.0, engage=engage, count_mm=count, late_mark_engages=engages
    )
    by_hand = over_all_phases(engage, scan=20.0, cycle=4.0, count=count, skip=not engages)
    by_hand -= (round(engage / count) * count - engage) if count else 0.0  # a term of its own
    mean = late_engage_mean(FeederAtSpeed(line, line.feeders[0], SPEED))
    # phases: 1000 of 20 mm, 40 of a count; ours are 16 of a count
    assert mean == pytest.approx(by_hand, abs=0.03)


@pytest.mark.parametrize(
    "changes",
    [
        {"scan_ms": 20.0, "cycle_ms": 5.0, "unload": 6.0},
        {"scan_ms": 20.0, "cycle_ms": 5.0, "unload": -4.0, "count_mm": 0.05},
        {"scan_ms": 20.0, "cycle_ms": 4.0, "engage": 5.0, "late_mark_engages": True},
        {"scan_ms": 20.0, "cycle_ms": 20.0, "engage": 5.0},
        {"scan_ms": 20.0, "cycle_ms": 5.0, "unload": 6.0, "correct": True},
    ],
)
def test_the_mean_of_a_line_is_the_one_that_is_said(changes: dict[str, float]) -> None:
    line = late_line(**changes)  # type: ignore[arg-type]
    feeder = line.feeders[0]
    rows = run(line, carriers=4000).feeders[0]
    errors = mean_of(rows.placement_error_mm)
    at = FeederAtSpeed(line, feeder, SPEED)
    said = expected_offsets(at).error_mm
    assert abs(errors.z(said)) < 4.0
    late = late_engage_mean(at)
    if not changes.get("correct"):
        late -= late_opening_mean(at)
        assert abs(errors.z(said - late)) > 4.0  # the twin leaves it out
    staged = mean_of(rows.stage_position_mm[100:])
    stage = feeder.settings.stage_position_mm
    assert abs(staged.z(stage + expected_offsets(at).stage_mm)) < 4.0


@pytest.mark.parametrize("unload", [6.0, 13.3, -7.0])
@pytest.mark.parametrize("correct", [False, True])
def test_all_who_tell_the_mean_tell_the_same(unload: float, correct: bool) -> None:
    line = late_line(scan_ms=20.0, cycle_ms=5.0, unload=unload, correct=correct)
    line = replace(line, encoder=Encoder(0.05, 0.002))
    feeder = line.feeders[0]
    at = FeederAtSpeed(line, feeder, SPEED)
    offsets = expected_offsets(at)
    mean = offsets.error_mm + scale_shift(at)
    placed, staged = expected_positions(line, 0, speed_mm_s=SPEED)
    assert placed.mean_mm == pytest.approx(mean)
    assert staged.mean_mm == pytest.approx(feeder.settings.stage_position_mm + offsets.stage_mm)
    assert placement_spread(at).average == pytest.approx(mean)
    assert mean_shift(placement_shifts(at)) == pytest.approx(mean)


GAIN, RAMP_S = 60.0, 0.020


def landing_after(way_mm: float) -> float:
    """Return when a nose that rested has come so far (s), by fact 9 of section 13 of the page.

    f = v·(t − T/2) − v/K + (a/K²)·(1 − e^(−KT))·e^(−K(t−T)), a = v/T, from T on without a
    feedforward, which is the solution of f' = K·(p − f) behind a ramp from rest.
    """
    rest = SPEED / RAMP_S / GAIN**2 * (1.0 - math.exp(-GAIN * RAMP_S))

    def beyond(t: float) -> float:
        lag = rest * math.exp(-GAIN * (t - RAMP_S)) - SPEED / GAIN
        return SPEED * (t - 0.5 * RAMP_S) + lag - way_mm

    return float(brentq(beyond, RAMP_S, 1.0))


@pytest.mark.parametrize("correct", [False, True])
def test_who_is_staged_too_far_lands_while_more_of_the_lag_is_left(correct: bool) -> None:
    # every opening is late, by 9 to 17 mm or so: the lag of the ramp-in has less time to settle
    soft = spread_feeder(
        insert_eye_to_placement_mm=75.0,
        clutch=Clutch(ramp_in=RAMP_S, ramp_out=RAMP_S),
        servo=Servo(loop_gain_per_s=GAIN),
        settings=settings(stage_position_mm=20.0, stage_correction=correct),
    )
    line = machine(
        soft,
        carriers=spread_carriers(pitch_mm=500.0, pitch_sd_mm=60.0),
        controller=Controller(scan_s=0.008, motion_cycle_s=0.002),
    )
    at = FeederAtSpeed(line, line.feeders[0], SPEED)
    # by hand: stage less response, half a tick, half a ramp and v/K, the feed at speed until then
    by_hand = 20.0 - 0.5 - 1.0 - 0.5 * SPEED * RAMP_S - SPEED / GAIN
    assert at.opening_travel_mm == pytest.approx(by_hand, abs=0.01)
    further = staged_off(at)
    by_hand = SPEED * (landing_after(55.0 - further) - landing_after(55.0)) + further
    assert by_hand < -0.2
    assert landing_shift(at, further) == pytest.approx(by_hand, abs=1e-3)
    assert placement_spread(at).average == pytest.approx(expected_offsets(at).error_mm, abs=1e-9)
    assert mean_shift(placement_shifts(at)) == pytest.approx(expected_offsets(at).error_mm)
    rows = run(line, carriers=4000).feeders[0]
    errors, staged = mean_of(rows.placement_error_mm), mean_of(rows.stage_position_mm[100:])
    assert abs(staged.z(20.0 + further)) < 4.0
    assert abs(errors.z(expected_offsets(at).error_mm)) < 4.0
    assert abs(errors.z(expected_offsets(at).error_mm - by_hand)) > 4.0  # the twin leaves it out
    # and "auto" takes it off
    nan = dict.fromkeys(("engage_distance_mm", "engage_lead_s"), math.nan)
    free = replace(soft, settings=replace(at.settings, **nan))
    made = solve(replace(line, feeders=(free,)))
    left = expected_offsets(FeederAtSpeed(made, made.feeders[0], SPEED)).error_mm
    assert left == pytest.approx(0.0, abs=1e-6)
    assert abs(mean_of(run(made, carriers=4000).feeders[0].placement_error_mm).z(0.0)) < 4.0


def test_auto_takes_off_what_late_openings_leave() -> None:
    nan = math.nan
    line = late_line(scan_ms=20.0, cycle_ms=5.0)
    automatic = settings(
        engage_distance_mm=nan,
        engage_lead_s=nan,
        disengage_distance_mm=nan,
        disengage_lead_s=nan,
        stage_position_mm=10.0,
    )
    line = solve(replace(line, feeders=(replace(line.feeders[0], settings=automatic),)))
    feeder = line.feeders[0]
    at = FeederAtSpeed(line, feeder, SPEED)
    assert late_opening_mean(at) > 1.0
    assert expected_offsets(at).error_mm == pytest.approx(0.0, abs=1e-9)
    errors = mean_of(run(line, carriers=4000).feeders[0].placement_error_mm)
    assert abs(errors.z(0.0)) < 4.0
