"""What a trial has to be corrected by, on values that lie exactly where they are said to."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from feedsim.answers.trial.study.causes import causes
from feedsim.answers.trial.study.correction import Corrections, corrections, settings_with
from feedsim.answers.trial.study.data import UNKNOWN, TrialData
from feedsim.answers.trial.study.expected import at_speed
from feedsim.answers.trial.study.line import fitted_line, joined, speed_groups
from feedsim.machine import Machine
from feedsim.running.run import machine_of
from feedsim.scenario import Scenario, load_scenario, override
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.predict import expected_offsets, scale_shift

SCENARIO = Path(__file__).parents[2] / "scenarios" / "trial_reply_card.toml"
SPEEDS = np.array([400.0, 600.0, 800.0, 1000.0])
RATIO = "feeder.0.settings.speed_ratio=1.25"
FINE = "line.encoder.counts_per_rev=100000000"


def believed(*changes: str) -> Scenario:
    autos = [
        f"feeder.0.settings.{side}_{what}=auto"
        for side in ("engage", "disengage")
        for what in ("distance", "lead")
    ]
    return override(load_scenario(SCENARIO), [FINE, *autos, *changes])


def trial(
    error: tuple[float, float] | None,
    stage: tuple[float, float] | None,
    *,
    target: float = 70.0,
    speeds: np.ndarray = SPEEDS,
) -> TrialData:
    """Return pairs of values ± 0.1 mm about lines (at standstill, per speed); ± alike in both."""
    v = np.repeat(speeds, 2)
    swing = 0.1 * np.tile([1.0, -1.0], len(speeds))
    none = np.full(len(v), np.nan)
    return TrialData(
        row=np.arange(2, len(v) + 2),
        feeder=np.zeros(len(v), dtype=np.int64),
        speed_mm_s=v,
        error_mm=none if error is None else error[0] + error[1] * v + swing,
        stage_mm=none if stage is None else target + stage[0] + stage[1] * v + swing,
        carriers=np.ones(len(v), dtype=np.int64),
        missed=np.full(len(v), UNKNOWN),
        blank=0,
        others=(),
        error_step_mm=0.0,
        stage_step_mm=0.0,
    )


def fit(scenario: Scenario, data: TrialData) -> tuple[Corrections, Machine]:
    machine = machine_of(scenario)
    rows = np.ones(len(data.row), dtype=bool)
    return corrections(data, rows, machine, 0, confidence=0.95), machine


def test_placement_alone() -> None:
    found, _ = fit(believed(), trial((1.5, 2e-3), None))
    assert found.engage is not None
    assert found.engage.distance_mm.value == pytest.approx(-1.5)
    assert found.engage.lead_s is not None
    assert found.engage.lead_s.value == pytest.approx(2e-3)
    assert (found.disengage, found.remaining, found.stage) == (None, None, None)


def test_stage_first_then_what_remains() -> None:
    # g = 1.25: stage off by 2 + 1 ms·v mm is −1.6 mm and +0.8 ms on the disengage side; with it
    # right every insert comes (2 + 1 ms·v)/1.25 later, to be taken out on the engage side as well
    found, _ = fit(believed(RATIO), trial((1.5, 2e-3), (2.0, 1e-3)))
    assert found.disengage is not None
    assert found.disengage.lead_s is not None
    assert found.disengage.distance_mm.value == pytest.approx(-1.6)
    assert found.disengage.lead_s.value == pytest.approx(0.8e-3)
    assert found.engage is not None
    assert found.engage.lead_s is not None
    assert found.engage.distance_mm.value == pytest.approx(-1.5 - 1.6)
    assert found.engage.lead_s.value == pytest.approx(2e-3 + 0.8e-3)


def test_with_stage_correction_the_stage_does_not_move_the_placement() -> None:
    changes = (RATIO, "feeder.0.settings.stage_correction=true")
    found, _ = fit(believed(*changes), trial((1.5, 2e-3), (2.0, 1e-3)))
    assert found.engage is not None
    assert found.disengage is not None
    assert found.engage.distance_mm.value == pytest.approx(-1.5)
    assert found.disengage.distance_mm.value == pytest.approx(-1.6)


@pytest.mark.parametrize(
    "changes",
    [
        (),
        (RATIO,),
        (RATIO, "feeder.0.settings.stage_correction=true"),
        (RATIO, "line.encoder.scale_error=2 %"),
    ],
)
def test_the_corrections_undo_what_wrong_settings_do(changes: tuple[str, ...]) -> None:
    # settings put wrong on purpose; where they stage and place is a closed form
    # (tests/theory/test_leads_and_scale.py holds it against the engine)
    right = machine_of(believed(*changes))
    feeder = right.feeders[0]
    wrong = replace(
        feeder.settings,
        engage_distance_mm=feeder.settings.engage_distance_mm + 3.0,
        engage_lead_s=feeder.settings.engage_lead_s - 2e-3,
        disengage_distance_mm=feeder.settings.disengage_distance_mm - 1.0,
        disengage_lead_s=feeder.settings.disengage_lead_s + 1.5e-3,
    )
    machine = replace(right, feeders=(replace(feeder, settings=wrong),))

    def off(machine: Machine, v: float) -> tuple[float, float]:
        there = at_speed(machine, v)
        offsets = expected_offsets(FeederAtSpeed(there, there.feeders[0], v))
        return offsets.error_mm + scale_shift(
            FeederAtSpeed(there, there.feeders[0])
        ), offsets.stage_mm

    ends = [off(machine, v) for v in (400.0, 1000.0)]
    lines = []
    for low, high in zip(*ends, strict=True):
        slope = (high - low) / 600.0
        lines.append((low - 400.0 * slope, slope))
    data = trial(lines[0], lines[1])
    rows = np.ones(len(data.row), dtype=bool)
    found = corrections(data, rows, machine, 0, confidence=0.95)
    corrected = replace(feeder, settings=settings_with(found, machine, 0))
    after = replace(right, feeders=(corrected,))
    moved = found.moved(machine, 0, SPEEDS)
    for v, by in zip(SPEEDS.tolist(), moved.tolist(), strict=True):
        error, stage = off(after, v)
        # counts of 5e-6 mm are rounded
        assert error == pytest.approx(0.0, abs=1e-4)
        assert stage == pytest.approx(0.0, abs=1e-4)
        assert off(machine, v)[0] + by == pytest.approx(error, abs=1e-4)
    if not feeder.settings.stage_correction:  # what is typed in is what was right before
        # what lags leave where the stage is off is told to 1e-4 mm, at up to 1000 mm/s
        lead_s = feeder.settings.engage_lead_s
        assert corrected.settings.engage_lead_s == pytest.approx(lead_s, abs=1e-7)
        assert corrected.settings.disengage_distance_mm == pytest.approx(
            feeder.settings.disengage_distance_mm
        )


@pytest.mark.parametrize("corrected", ["true", "false"])
def test_what_is_typed_in_is_on_the_steps_and_errs_by_half_a_step_at_most(corrected: str) -> None:
    found, machine = fit(
        believed(
            RATIO,
            f"feeder.0.settings.stage_correction={corrected}",
            "feeder.0.settings.resolution.distance=0.4 mm",
            "feeder.0.settings.resolution.lead=1 ms",
        ),
        trial((1.5, 2.3e-3), (2.0, 1.4e-3)),
    )
    settings = settings_with(found, machine, 0)
    for distance in (settings.engage_distance_mm, settings.disengage_distance_mm):
        assert distance / 0.4 == pytest.approx(round(distance / 0.4), abs=1e-9)
    for lead in (settings.engage_lead_s, settings.disengage_lead_s):
        assert lead / 1e-3 == pytest.approx(round(lead / 1e-3), abs=1e-9)
    pace = np.array([machine.line.speed_mm_s])
    typed, exact = found.moved(machine, 0, pace), found.moved(machine, 0, pace, exact=True)
    assert 0.0 < abs(typed - exact)[0] <= 0.2 + 1e-9
    # both sides rounded one by one, placements would err by what the stage loses, too
    stage = found.moved_stage(machine, 0, pace) - found.moved_stage(machine, 0, pace, exact=True)
    assert 0.0 < abs(stage)[0] <= 1.25 * 0.2 + 1e-9


def test_what_is_off_by_chance_is_left_alone() -> None:
    found, machine = fit(believed(), trial((0.01, 0.0), (0.0, 1e-6)))
    assert found.engage is not None
    assert not found.engage.applied
    assert found.disengage is not None
    assert not found.disengage.applied
    assert settings_with(found, machine, 0) == machine.feeders[0].settings


def test_a_stage_is_not_moved_where_the_placement_was_not_measured() -> None:
    found, machine = fit(believed(), trial(None, (2.0, 1e-3)))
    assert found.engage is None
    assert found.disengage is not None
    assert found.disengage.distance_mm.value == pytest.approx(-2.0)
    assert settings_with(found, machine, 0) == machine.feeders[0].settings


def test_one_speed_puts_all_on_the_distance() -> None:
    found, machine = fit(believed(), trial((1.5, 2e-3), None, speeds=np.array([500.0, 500.0])))
    assert found.engage is not None
    assert found.engage.lead_s is None
    assert found.engage.distance_mm.value == pytest.approx(-2.5)
    assert found.moved(machine, 0, np.array([500.0])) == pytest.approx([-2.5])


def test_two_lines_of_the_same_carriers_do_not_err_twice() -> None:
    # error and stage swing alike; error − stage does not swing at all
    data = trial((1.0, 1e-3), (0.5, 0.0))
    place = np.arange(len(data.row))
    one = fitted_line(data.error_mm, data.speed_mm_s, place, confidence=0.95)
    two = fitted_line(data.stage_mm - 70.0, data.speed_mm_s, place, confidence=0.95)
    assert one is not None
    assert two is not None
    values, covariance, _ = joined(one, two, factor=-1.0)
    assert values == pytest.approx([0.5, 1e-3])
    assert np.abs(covariance).max() < 1e-9 * np.abs(one.covariance).max()
    # of other carriers their variances add up
    other = replace(two, place=place + 100)
    _, apart, _ = joined(one, other, factor=-1.0)
    assert apart == pytest.approx(one.covariance + two.covariance)


def test_means_off_a_straight_line_widen_the_interval() -> None:
    straight, bent = trial((0.0, 1e-3), None), trial((0.0, 1e-3), None)
    bent.error_mm[2:6] += 1.0
    sds = []
    for data in (straight, bent):
        line = fitted_line(
            data.error_mm, data.speed_mm_s, np.arange(len(data.row)), confidence=0.95
        )
        assert line is not None
        sds.append(np.sqrt(np.diag(line.covariance)))
        straight_p = line.straight
    assert straight_p is not None
    assert straight_p < 0.05
    assert np.all(sds[1] > 3.0 * sds[0])


def test_speeds_within_a_per_cent_are_one() -> None:
    assert speed_groups(np.array([1000.0, 1009.0, 1011.0, 500.0])).tolist() == [1, 1, 2, 0]


def explained(scenario: Scenario, key: str, text: str) -> tuple[float, float, float, float]:
    """Return where that scenario has its inserts with the settings of the trial: error, stage."""
    machine = machine_of(override(scenario, [f"{key}={text}"]))
    frozen = machine_of(scenario).feeders[0].settings
    machine = replace(machine, feeders=(replace(machine.feeders[0], settings=frozen),))
    found = []
    for v in (400.0, 1000.0):
        there = at_speed(machine, v)
        offsets = expected_offsets(FeederAtSpeed(there, there.feeders[0], v))
        found.append(
            (
                offsets.error_mm + scale_shift(FeederAtSpeed(there, there.feeders[0])),
                offsets.stage_mm,
            )
        )
    (e1, s1), (e2, s2) = found
    return e1, e2, s1, s2


def test_each_cause_alone_would_explain_its_part() -> None:
    scenario = believed(RATIO)
    for error, stage, wanted in (
        ((2.0, 0.0), None, {"engage offset"}),
        ((0.0, 1.2e-3), None, {"engage slope"}),
        ((0.0, -1.0e-3), (0.0, 1.25e-3), {"disengage slope"}),
    ):
        found, machine = fit(scenario, trial(error, stage))
        rows = causes(scenario, machine, 0, found=found)
        assert {row.explains for row in rows} == wanted
        assert len(rows) >= 2
        units = {"time": "s", "length": "mm"}
        for row in rows:
            text = (
                f"{100.0 * row.instead!r} %"
                if row.kind == "share"
                else f"{row.instead!r} {units[row.kind]}"
            )
            e1, e2, s1, s2 = explained(scenario, row.key, text)
            lines = [(error[0] + error[1] * v) for v in (400.0, 1000.0)]
            assert (e1, e2) == pytest.approx(lines, abs=0.02), row
            if stage is not None:
                staged = [(stage[0] + stage[1] * v) for v in (400.0, 1000.0)]
                assert (s1, s2) == pytest.approx(staged, abs=0.02), row


def test_a_delay_of_both_sides_is_named_where_both_are_late_alike() -> None:
    scenario = believed(RATIO)
    found, machine = fit(scenario, trial((0.0, 0.0), (0.0, 1.25e-3)))
    keys = {row.key for row in causes(scenario, machine, 0, found=found)}
    assert "feeder.0.servo.command_delay" in keys
    e1, e2, s1, s2 = explained(scenario, "feeder.0.servo.command_delay", "1 ms")
    assert (e1, e2) == pytest.approx((0.0, 0.0), abs=0.02)
    assert (s1, s2) == pytest.approx((0.5, 1.25), abs=0.02)


def test_no_key_is_to_be_set_below_0() -> None:
    scenario = believed()
    found, machine = fit(scenario, trial((0.0, -3e-3), None))
    keys = {row.key for row in causes(scenario, machine, 0, found=found)}
    # 0.5 ms less 3 ms is no eye; an insert eye slower by 3 ms is one, a ramp of 14 ms too
    assert keys == {"feeder.0.eye.response", "feeder.0.clutch.ramp_in"}
    assert not any(row.above_0 for row in causes(scenario, machine, 0, found=found))
