"""Facts 2, 3, 5 and 10 of the model, section 14: exact, since nothing is random here."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from feedsim.machine import Clutch, Encoder, Feeder, Machine, Servo
from tests.machines import LAGGING, M_MIN, RIGID, feeder, machine, run, settings

pytestmark = pytest.mark.usefixtures("quick_engine")

SPEEDS = (20.0, 45.0, 60.0, 90.0)
CLUTCHES = {
    "step": Clutch(),
    "time": Clutch(ramp_in=0.02, ramp_out=0.015),
    "travel": Clutch(travel_ramp=True, ramp_in=20.0, ramp_out=12.0),
}


def residues(line: Machine) -> tuple[float, float]:
    """By how much the insert lands early, in belt travel (mm): first carrier, and later ones.

    After a time ramp of T with acceleration a = g·v_c/T the feed is ahead of its steady lag by
    ((1−k)·a/K²)·(1 − e^(−KT))·e^(−K(t−T)), t from the start of the ramp to the landing; for a
    step (T → 0) by ((1−k)·g·v_c/K)·e^(−Kt). The ramp-out of the cycle before leaves the feed
    behind by the same expression, t from the start of that ramp-out. And what was left when
    the next insert came to its eye had it seen, and so staged, that much early: it has so much
    further to run.
    """
    f = line.feeders[0]
    gain, k = f.servo.loop_gain_per_s, f.servo.velocity_feedforward
    g, v = f.settings.speed_ratio, line.line.speed_mm_s
    ramp_in, ramp_out = (
        x / v if f.clutch.travel_ramp else x for x in (f.clutch.ramp_in, f.clutch.ramp_out)
    )

    def left(ramp: float, t: float) -> float:
        if ramp == 0.0:
            return (1.0 - k) * g * v / gain * math.exp(-gain * t)
        a = g * v / ramp
        early = -math.expm1(-gain * ramp)
        return (1.0 - k) * a / gain**2 * early * math.exp(-gain * (t - ramp))

    run_up = f.insert_eye_to_placement_mm - f.settings.stage_position_mm
    t = run_up / (g * v) + 0.5 * ramp_in + (1.0 - k) / gain
    pitch = f.inserts.length_mm + f.inserts.gap_mm
    cycle = pitch / (g * v) + 0.5 * (ramp_in + ramp_out)
    idle = line.carriers.pitch_mm / v - cycle
    first = left(ramp_in, t)
    edge = t + (pitch - f.settings.stage_position_mm - run_up) / (g * v)
    before = left(ramp_out, ramp_out + idle + t) + left(ramp_in, edge)
    return first / g, (first - before) / g


def errors(line: Machine) -> np.ndarray:
    return run(line, carriers=30).feeders[0].placement_error_mm


@pytest.mark.parametrize("speed", SPEEDS)
@pytest.mark.parametrize("clutch", CLUTCHES)
def test_right_settings_place_exactly_on_target(speed: float, clutch: str) -> None:
    line = machine(feeder(clutch=CLUTCHES[clutch]), speed_m_min=speed)
    rows = run(line, carriers=30).feeders[0]
    assert np.abs(rows.placement_error_mm).max() < 1e-9
    assert np.abs(rows.stage_position_mm - 60.0).max() < 1e-9
    assert np.abs(rows.nose_speed_mm_s / rows.belt_speed_mm_s - 1.0).max() < 1e-12


@pytest.mark.parametrize("speed", [60.0, 90.0, 120.0])
@pytest.mark.parametrize("clutch", CLUTCHES)
def test_lag_leaves_its_closed_form_residue(speed: float, clutch: str) -> None:
    line = machine(feeder(servo=LAGGING, clutch=CLUTCHES[clutch]), speed_m_min=speed)
    first, later = residues(line)
    assert first > later > 1e-9
    # landing early by x, the residue itself is larger by the factor e^(K·x/v): x·(K·x/v) more
    allowed = 1e-9 + 1.5 * first**2 * LAGGING.loop_gain_per_s / line.line.speed_mm_s
    error = errors(line)
    assert abs(error[0] + first) < allowed
    assert np.abs(error[1:] + later).max() < allowed


def test_residue_of_the_example_has_the_size_known_from_the_model() -> None:
    # the project's physics page: about 1e-5 mm at 60 m/min and 0.01 mm at 120
    def at(speed: float) -> float:
        lagging = feeder(servo=LAGGING, clutch=Clutch(ramp_in=0.02, ramp_out=0.02))
        return residues(machine(lagging, speed_m_min=speed))[0]

    assert 0.5e-5 < at(60.0) < 2e-5
    assert 0.5e-2 < at(120.0) < 2e-2


@pytest.mark.parametrize("speed", SPEEDS)
def test_without_the_engage_lead_the_error_grows_by_it(speed: float) -> None:
    for scale in (0.0, 0.01):
        line = machine(
            feeder(clutch=CLUTCHES["time"]), speed_m_min=speed, encoder=Encoder(0.0, scale)
        )
        lead = line.feeders[0].settings.engage_lead_s
        assert lead == pytest.approx(0.0005 + 0.01, abs=1e-15)
        bare = _with(line, engage_lead_s=0.0)
        shift = errors(bare) - errors(line)
        # in counted travel the lead is worth lead·v_c, in belt travel (1+ε) times that
        assert np.abs(shift - lead * speed * M_MIN).max() < 1e-9


def _with(line: Machine, **changes: float) -> Machine:
    first = line.feeders[0]
    return replace(line, feeders=(replace(first, settings=replace(first.settings, **changes)),))


def _frozen(line: Machine, at_m_min: float, *, ratio: float = 1.0) -> Feeder:
    """Distances with the leads worked in at one speed, and no leads."""
    s, v = line.feeders[0].settings, at_m_min * M_MIN
    return replace(
        line.feeders[0],
        settings=replace(
            s,
            engage_distance_mm=s.engage_distance_mm - s.engage_lead_s * v,
            engage_lead_s=0.0,
            disengage_distance_mm=s.disengage_distance_mm - s.disengage_lead_s * v,
            disengage_lead_s=0.0,
        ),
    )


@pytest.mark.parametrize("speed", SPEEDS)
@pytest.mark.parametrize("ratio", [1.0, 1.05])
def test_frozen_leads_cancel_in_the_mean_and_the_stage_walks(speed: float, ratio: float) -> None:
    base = machine(
        feeder(clutch=Clutch(ramp_in=0.02, ramp_out=0.02), settings=settings(speed_ratio=ratio))
    )
    lead = base.feeders[0].settings.engage_lead_s
    assert base.feeders[0].settings.disengage_lead_s == pytest.approx(lead)
    line = machine(_frozen(base, 60.0), speed_m_min=speed)
    rows = run(line, carriers=30).feeders[0]
    walked = ratio * lead * (speed - 60.0) * M_MIN
    assert np.abs(rows.stage_position_mm[1:] - (60.0 + walked)).max() < 1e-9
    assert np.abs(rows.placement_error_mm[1:]).max() < 1e-9


def test_a_walking_stage_ends_in_a_nose_strike_or_a_held_tail() -> None:
    base = machine(feeder(clutch=Clutch(ramp_in=0.02, ramp_out=0.02)))
    fast = run(machine(_frozen(base, 60.0), speed_m_min=300.0), carriers=30).feeders[0]
    # 60 mm + 10.5 ms · 4000 mm/s = 102 mm: beyond the nose limit of 95 mm
    engaged = fast.insert[1:] > 0
    assert engaged.sum() >= 14  # the cycle no longer fits: every second carrier
    assert (fast.stage_position_mm[1:][engaged] > 95.0).all()
    # opening earlier than the tail is clear: at the opening the placed tail stands one insert
    # pitch downstream of where it would be if its own nose were at the opening point
    held = machine(feeder(settings=settings(disengage_distance_mm=10.0, disengage_lead_s=0.0)))
    rows = run(held, carriers=30).feeders[0]
    # nose of the next 10.5 mm past the eye (0.5 ms response), so the placed tail 10.5 + 70 mm
    assert rows.tail_mm[1:] == pytest.approx(80.5, abs=1e-9)
    assert (rows.tail_mm[1:] < 100.0).all()


@pytest.mark.parametrize("scale", [-0.01, 0.002, 0.02])
@pytest.mark.parametrize("ratio", [1.0, 1.03])
def test_scale_error_shifts_the_mean_but_not_the_stage(scale: float, ratio: float) -> None:
    line = machine(
        feeder(clutch=CLUTCHES["time"], settings=settings(speed_ratio=ratio)),
        encoder=Encoder(0.0, scale),
    )
    slipping = replace(line, carriers=replace(line.carriers, slip_mm=0.0))
    rows = run(slipping, carriers=30).feeders[0]
    # ε·(D + target): 400 + 20 mm of counted travel; the eye's response costs v·d of belt
    # travel and the lead gives back v_c·d of counted travel, the same
    assert np.abs(rows.placement_error_mm - scale * 420.0).max() < 1e-9
    assert np.abs(rows.stage_position_mm - 60.0).max() < 1e-9


def test_scale_error_includes_the_mean_slip() -> None:
    line = machine(feeder(), encoder=Encoder(0.0, 0.01))
    line = replace(line, carriers=replace(line.carriers, slip_mm=2.0))
    again = machine(feeder(), encoder=Encoder(0.0, 0.01), carriers=line.carriers)
    assert np.abs(errors(again) - 0.01 * 422.0).max() < 1e-9


def test_rigid_is_the_limit_of_a_stiff_loop() -> None:
    stiff = machine(feeder(servo=Servo(loop_gain_per_s=1e7), clutch=CLUTCHES["time"]))
    rigid = machine(feeder(servo=RIGID, clutch=CLUTCHES["time"]))
    assert np.abs(errors(stiff) - errors(rigid)).max() < 1e-6
