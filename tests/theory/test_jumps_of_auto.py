"""Where settings that "auto" solves anew at each speed jump, against where they must by hand."""

from __future__ import annotations

import math
from collections.abc import Callable
from itertools import pairwise

import numpy as np
import pytest

from feedsim.answers.limit.study.closed import _at, closed_between
from feedsim.running.run import criteria_of
from feedsim.scenario import Scenario, override, scenario_from_text
from feedsim.scenario.starter import starter_text
from feedsim.settings import cells, jumps_of_auto
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.jumps import jumps_between
from feedsim.settings.jumps_of_auto import At
from feedsim.settings.predict import expected_offsets
from feedsim.settings.shares_by_speed import SharesBySpeed
from tests.workable_scenarios import workable_scenario

Pairs = list[tuple[float, float]]

STEP_S = 0.002
# both eyes and ramps of the starter are alike, so that E - U has no lead: eye to placement 400 mm,
# target 20 mm, run-up and stage 60 mm each, and the mean slips, 0.2 mm each, cancel
LESS_MM = 400.0 + 20.0 - 60.0 - 60.0


def scanned(*changes: str) -> Scenario:
    eyes = ("carrier_eye.capture=scanned", "feeder.0.eye.capture=scanned")
    ticks = ("controller.scan=2 ms", "controller.motion_cycle=2 ms")
    return override(scenario_from_text(starter_text()), [*eyes, *ticks, *changes])


def by_hand(low: float, high: float) -> list[float]:
    """Return where E - U is half of an odd number of steps (mm/s)."""
    first, last = (math.floor(LESS_MM / (v * STEP_S) + 0.5) for v in (high, low))
    speeds = (LESS_MM / ((n + 0.5) * STEP_S) for n in range(last, first - 1, -1))
    return [v for v in speeds if low < v < high]


@pytest.mark.parametrize(
    "changes",
    [
        (),
        (
            "feeder.0.settings.resolution.lead=0.1 ms",
            "feeder.0.settings.resolution.distance=0.1 mm",
        ),
        ("feeder.0.settings.stage_correction=true",),
    ],
)
def test_both_sides_of_each_jump_are_looked_at(changes: tuple[str, ...]) -> None:
    low, high = 700.0, 716.0
    at = _at(scanned(*changes), 0)
    found = jumps_between(at, low, high, most=80)
    jumps = by_hand(low, high)
    assert len(jumps) == 5
    for v in jumps:
        sides = [x for x in found.speeds_mm_s if abs(x - v) < 0.01]
        assert len(sides) == 2
        means = [expected_offsets(at(x)).error_mm for x in sides]
        # half a step to either side; an opening that acts in two steps now and then makes it less
        assert abs(means[1] - means[0]) == pytest.approx(v * STEP_S, abs=0.1)
    # between them nothing lies further off
    most = max(abs(act[0]) for act in found.acts)
    for start, end in pairwise([low, *jumps, high]):
        for part in (0.02, 0.3, 0.6, 0.98):
            v = start + part * (end - start)
            assert abs(expected_offsets(at(v)).error_mm) < most + 1e-6


def test_the_lowest_refused_speed_is_that_of_the_shares_beside_each_jump() -> None:
    line = scanned()
    (found,) = closed_between(line, 440.0, 450.0)
    first = found.refused[0]
    shares = SharesBySpeed(_at(line, 0), criteria_of(line))
    refused = [
        v
        for v in by_hand(440.0, 450.0)
        if any(shares.refused(v * (1.0 + d)) for d in (-1e-7, 1e-7))
    ]
    assert refused
    assert first.from_mm_s <= refused[0] * (1.0 + 1e-6)
    assert first.from_mm_s == pytest.approx(refused[0], rel=1e-4)


def changes(
    at: At, low: float, high: float, of: Callable[[FeederAtSpeed], object], *, grid: int
) -> Pairs:
    """Return the neighbours of an even grid of speeds (mm/s) between which something changes."""
    speeds = [float(v) for v in np.linspace(low, high, grid)]
    pairs = zip(pairwise(speeds), pairwise(of(at(v)) for v in speeds), strict=True)
    return [sides for sides, (below, above) in pairs if below != above]


def whole_counts(there: FeederAtSpeed) -> tuple[int, int]:
    travels = (there.engage_travel_mm, there.opening_travel_mm)
    first, last = (round(travel / there.count_mm) for travel in travels)
    return first, last


@pytest.mark.parametrize(
    "steps",
    [(), ("lead=0.5 ms",), ("distance=0.1 mm",), ("lead=0.5 ms", "distance=0.1 mm")],
)
def test_each_change_of_either_point_is_found_where_one_makes_up_for_the_other(
    steps: tuple[str, ...],
) -> None:
    """A polled carrier eye in steps of 1.7 counts, a latched insert eye that makes up for them.

    Whatever changes between speeds 2 µm/s apart has a speed looked at between them, also where the
    controller takes leads or distances, or both, in steps.
    """
    keys = [f"feeder.0.settings.resolution.{step}" for step in steps]
    at = _at(override(workable_scenario(1040), keys), 0)
    low, high = 513.9, 516.4
    found = np.array(jumps_between(at, low, high, most=80).speeds_mm_s)
    changed = changes(at, low, high, whole_counts, grid=1251)
    # a step of 2 ms is a mm, and 517 of them are half of E off; each turns U on and back
    assert len(changed) >= 4
    for a, b in changed:
        assert np.any((found > a - 1e-3) & (found < b + 1e-3))
    # a lead or a distance without steps moves on with speed: that is no jump
    assert len(found) < 20


def test_a_point_jumps_with_the_distance_that_has_steps_beside_a_lead_that_is_typed_in() -> None:
    """A lag of 1/25 s is not over as an insert lands, so the right distances change with speed."""
    typed = ("engage_lead=16 ms", "disengage_lead=16 ms", "resolution.distance=0.1 mm")
    keys = [f"feeder.0.settings.{key}" for key in typed]
    line = override(scenario_from_text(starter_text()), ["feeder.0.servo.loop_gain=25 1/s", *keys])
    at, low, high = _at(line, 0), 1000.0, 1060.0
    found = np.array(jumps_between(at, low, high, most=80).speeds_mm_s)
    changed = changes(at, low, high, distances, grid=1201)
    assert len(changed) >= 2
    for a, b in changed:
        assert np.any((found > a) & (found < b))


def distances(there: FeederAtSpeed) -> tuple[float, float]:
    return there.settings.engage_distance_mm, there.settings.disengage_distance_mm


def test_refused_stretches_of_a_cell_with_many_jumps_are_found(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    line = workable_scenario(1040)
    shares = SharesBySpeed(_at(line, 0), criteria_of(line))
    refused = [v for v in np.linspace(430.0, 452.0, 1101) if shares.refused(float(v))]
    assert 448.0 < refused[0] < 449.0
    first = closed_between(line, 430.0, 470.0)[0].refused[0]
    assert first.from_mm_s <= refused[0] <= first.to_mm_s
    # the twin: jumps of the whole cell, thinned
    monkeypatch.setattr(cells, "_STRETCHES", 0)
    thinned = closed_between(line, 430.0, 470.0)[0].refused
    assert not thinned or thinned[0].from_mm_s > 449.0


def test_one_speed_has_no_jumps() -> None:
    line = scanned()
    assert jumps_between(_at(line, 0), 500.0, 500.0, most=80).speeds_mm_s == ()
    (found,) = closed_between(line, 400.0, 400.0)
    assert found.refused == ()


def test_typed_in_settings_are_asked_at_the_speed_of_each_jump_where_a_lag_is_not_over() -> None:
    # a lag of 1/40 s is not over as an insert lands 60 mm on: by the nominal cycle of each speed
    typed = ("engage_distance=361 mm", "engage_lead=16 ms", "disengage_distance=60.5 mm")
    keys = [f"feeder.0.settings.{each}" for each in (*typed, "disengage_lead=16 ms")]
    at = _at(scanned("feeder.0.servo.loop_gain=40 1/s", *keys), 0)
    low, high = 1000.0, 1100.0
    found = jumps_between(at, low, high, most=24)
    assert len(found.speeds_mm_s) > 20
    off = [
        abs(act[0] - expected_offsets(at(v)).error_mm)
        for v, act in zip(found.speeds_mm_s, found.acts, strict=True)
    ]
    assert max(off) < 1e-9
    # the twin asks them all on a line of the slow end's speed
    slow = [expected_offsets(at(low).asked_at(v)).error_mm for v in found.speeds_mm_s]
    errors = [act[0] for act in found.acts]
    assert max(abs(a - b) for a, b in zip(slow, errors, strict=True)) > 0.02


@pytest.mark.parametrize(
    ("eye", "low", "high"),
    [("carrier_eye", 600.0, 602.0), ("feeder.0.eye", 500.0, 506.0)],
)
def test_a_guess_finds_the_jumps_of_a_bisection_with_fewer_speeds(
    eye: str, low: float, high: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Scanned at 2 ms beside a motion cycle of 1 ms; the latched side makes up for its steps."""
    line = override(scenario_from_text(starter_text()), [f"{eye}.capture=scanned"])
    solve, asked = _at(line, 0), list[float]()

    def at(v: float) -> FeederAtSpeed:
        asked.append(v)
        return solve(v)

    found = jumps_between(at, low, high, most=80)
    guessed = len(asked)
    monkeypatch.setattr(jumps_of_auto, "moves_on", lambda *_: [])
    assert jumps_between(at, low, high, most=80) == found
    jumps = len(found.speeds_mm_s) / 2.0
    assert jumps >= 10
    # a bisection asks some 12 speeds for a jump, a guess that is right 2; some guesses miss
    assert len(asked) - guessed > 12.0 * jumps
    assert guessed < 7.0 * jumps
