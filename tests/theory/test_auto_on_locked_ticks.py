"""What ``"auto"`` leaves of the mean error where scan and motion ticks are locked.

The closing comes E after the carrier's edge and the opening U after the insert's, each at the first
of instants γ apart; the same ticks follow both. So the mean error is n·v·γ − (E − U) of the right
settings, for some whole number n, whatever distances and leads say: at most half a step.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from feedsim.machine import Controller, Encoder, Inserts, Machine, Settings
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.predict import expected_offsets, scale_shift
from feedsim.settings.right import solve_feeder
from feedsim.settings.solve import solve
from feedsim.settings.sources import placement_sd
from tests.machines import (
    NOISY_EYE,
    machine,
    mean_of,
    run,
    settings,
    spread_carriers,
    spread_feeder,
)
from tests.random_machines import random_machine

pytestmark = pytest.mark.usefixtures("quick_engine")

COUNT, SPREAD, CARRIERS = 0.1413, 40.0, 1500  # as in test_locked_ticks.py
AUTO = dict.fromkeys(
    ("engage_distance_mm", "engage_lead_s", "disengage_distance_mm", "disengage_lead_s"), math.nan
)


def automatic(line: Machine) -> Machine:
    """Return the line with all four settings automatic, solved."""
    feeders = (replace(f, settings=replace(f.settings, **AUTO)) for f in line.feeders)
    return solve(replace(line, feeders=tuple(feeders)))


def line(
    *,
    carrier_scanned: bool = True,
    insert_scanned: bool = True,
    correct: bool = False,
    target: float = 20.0,
    cycle_ms: float = 5.0,
    count_mm: float = COUNT,
    error: float = 0.0,
) -> Machine:
    return automatic(
        machine(
            spread_feeder(
                eye=replace(NOISY_EYE, scanned=insert_scanned),
                inserts=Inserts(85.6, 150.0, gap_sd_mm=SPREAD / 2.0),
                settings=settings(target_offset_mm=target, stage_correction=correct),
            ),
            speed_m_min=18.0,
            carriers=spread_carriers(pitch_mm=700.0, pitch_sd_mm=SPREAD),
            carrier_eye=replace(NOISY_EYE, scanned=carrier_scanned),
            controller=Controller(scan_s=0.010, motion_cycle_s=cycle_ms * 1e-3),
            encoder=Encoder(count_mm, error),
        )
    )


def errors(made: Machine) -> np.ndarray:
    return run(made, carriers=CARRIERS, seed=3).feeders[0].placement_error_mm


@pytest.mark.parametrize("target", [20.0, 20.4, 20.7])
@pytest.mark.parametrize("cycle_ms", [5.0, 4.0])
def test_both_scanned_leave_what_no_whole_number_of_steps_makes_up(
    target: float, cycle_ms: float
) -> None:
    # γ = gcd(10, cycle): 5 and 2 ms. Both sides have the same delays, so that E − U is 400 mm and
    # the target, less 60 mm of run-up and 60 of stage.
    step = 300.0 * {5.0: 0.005, 4.0: 0.002}[cycle_ms]
    travel = 400.0 + target - 60.0 - 60.0
    left = step * round(travel / step) - travel
    made = line(target=target, cycle_ms=cycle_ms)
    assert abs(mean_of(errors(made)).z(left)) < 4.0
    predicted = expected_offsets(FeederAtSpeed(made, made.feeders[0], 300.0))
    assert predicted.error_mm == pytest.approx(left, abs=1e-9)
    # one step more, by the lead, is found
    s = made.feeders[0].settings
    late = replace(s, engage_lead_s=s.engage_lead_s - step / 300.0)
    wrong = replace(made, feeders=(replace(made.feeders[0], settings=late),))
    assert abs(mean_of(errors(wrong)).z(left)) > 4.0


@pytest.mark.parametrize(
    ("kind", "most"),
    [
        # one side free: to half a count, and without counts to nothing
        ({"carrier_scanned": False}, COUNT / 2.0),
        ({"insert_scanned": False}, COUNT / 2.0),
        ({"carrier_scanned": False, "count_mm": 0.0}, 0.0),
        ({"insert_scanned": False, "count_mm": 0.0}, 0.0),
        # known to the controller, but closed in steps of 1.5 mm
        ({"correct": True}, 0.75),
        # what counts that do not divide a step leave of a point at any phase
        ({"correct": True, "insert_scanned": False}, COUNT / 8.0),
        ({"error": 0.003}, 0.75),
    ],
    ids=str,
)
def test_the_mean_that_is_left_is_small_and_as_predicted(
    kind: dict[str, float], most: float
) -> None:
    made = line(**kind)  # type: ignore[arg-type]
    first = made.feeders[0]
    predicted = expected_offsets(FeederAtSpeed(made, first, 300.0)).error_mm
    assert abs(predicted) <= most * (1.0 + made.encoder.scale_error) + 1e-6
    assert abs(mean_of(errors(made)).z(predicted + scale_shift(FeederAtSpeed(made, first)))) < 4.0


def test_a_speed_a_little_off_leaves_the_point_on_its_step() -> None:
    # the middle of a step of 1.5 mm, on a distance of 360 mm and more: half of (1.5 − q)/360
    made = line(target=20.7)
    s, right = made.feeders[0].settings, solve_feeder(made, made.feeders[0])
    room = 0.5 * (1.5 - COUNT) / s.engage_distance_mm
    sd = placement_sd(FeederAtSpeed(made, made.feeders[0], 300.0))
    for share in (0.9, -0.9, 1.0 + 0.5 * COUNT / (0.75 - 0.5 * COUNT)):
        v = 300.0 * (1.0 + share * room)
        there = replace(made, line=replace(made.line, speed_mm_s=v))
        more = placement_sd(FeederAtSpeed(there, there.feeders[0], v)) ** 2 - sd**2
        if abs(share) < 1.0:
            assert more == pytest.approx(0.0, abs=0.02)
        else:  # half a count beyond: now on one step, now on the next, up to 1.5²/4 mm²
            assert 0.2 < more < 0.6
    assert abs(s.engage_lead_s - right.engage_lead_s) > 1e-5


def test_a_side_with_something_typed_in_is_left_alone() -> None:
    made = line()
    first, right = made.feeders[0], solve_feeder(made, made.feeders[0])
    for name in ("engage_distance_mm", "engage_lead_s"):
        typed: Settings = replace(first.settings, **{**AUTO, name: getattr(right, name)})
        found = solve(replace(made, feeders=(replace(first, settings=typed),))).feeders[0].settings
        assert found.engage_distance_mm == right.engage_distance_mm
        assert found.engage_lead_s == right.engage_lead_s
        assert found.disengage_lead_s == first.settings.disengage_lead_s


def test_no_step_of_random_machines_lies_nearer() -> None:
    # every engage lead for two steps about the one that is taken: none leaves a smaller mean,
    # unless its point lies between two steps, where it spreads more
    looked_at = 0
    for seed in range(60):
        made = automatic(random_machine(seed))
        v = made.line.speed_mm_s
        for number, f in enumerate(made.feeders):
            step = math.gcd(
                *(round(1e7 * x) for x in (made.controller.scan_s, made.controller.motion_cycle_s))
            )
            if not made.carrier_eye.scanned or not step or v * step * 1e-7 < 0.05:
                continue
            looked_at += 1
            taken = abs(expected_offsets(FeederAtSpeed(made, f, v)).error_mm)
            sd = placement_sd(FeederAtSpeed(made, f, v))
            for k in range(-16, 17):
                lead = f.settings.engage_lead_s + k * step * 1e-7 / 8.0
                other = replace(f, settings=replace(f.settings, engage_lead_s=lead))
                there = replace(
                    made, feeders=(*made.feeders[:number], other, *made.feeders[number + 1 :])
                )
                if placement_sd(FeederAtSpeed(there, other, v)) > sd + 1e-9:
                    continue
                smaller = abs(expected_offsets(FeederAtSpeed(there, other, v)).error_mm)
                assert smaller > taken - 1e-5 or taken <= 0.05, seed
    assert looked_at > 10
