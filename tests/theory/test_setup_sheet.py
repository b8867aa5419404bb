"""What the set-up sheet says, tried out: its settings, its known terms, its adjusting rules."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product
from typing import Any

import numpy as np
import pytest

from feedsim.answers.setup.study import sheet as set_up
from feedsim.answers.setup.study.sheet import as_typed, good_for, set_up_sheet
from feedsim.machine import Machine, Settings
from feedsim.running.run import machine_of
from feedsim.scenario import Scenario, at_line_speed, override, scenario_from_text
from feedsim.settings.cells import FASTEST_MM_S
from feedsim.settings.derivation import derivation
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.limits import Closed
from tests.machines import mean_of, run, variance_of
from tests.theory.known_terms import expected_means

pytestmark = pytest.mark.usefixtures("quick_engine")

BASE = """
title = "a sheet to try out"
seed = 11
[line]
speed = "60 m/min"
[carrier]
length = "210 mm"
pitch = "300 mm"
pitch_sd = "4 mm"
slip = "0.5 mm"
slip_sd = "0.1 mm"
[carrier_eye]
response_jitter = "0.2 ms"
edge_sd = "0.1 mm"
[[feeder]]
name = "card feeder"
eye_to_placement = "400 mm"
insert_eye_to_placement = "120 mm"
[feeder.insert]
length = "85.6 mm"
gap = "70 mm"
gap_sd = "4 mm"
slip = "0.4 mm"
slip_sd = "0.2 mm"
[feeder.eye]
response_jitter = "0.2 ms"
edge_sd = "0.1 mm"
[feeder.servo]
command_delay = "0.7 ms"
[feeder.settings]
target_offset = "20 mm"
stage_position = "60 mm"
"""
F = "feeder.0."
RAMPS = {
    "step": (F + "clutch.ramp_in=0 ms", F + "clutch.ramp_out=0 ms"),
    "time": (F + "clutch.ramp_out=15 ms",),
    "travel": (F + "clutch.ramp=travel", F + "clutch.ramp_in=20 mm", F + "clutch.ramp_out=12 mm"),
}
CAPTURES = {
    "latched": (),
    "scanned": ("carrier_eye.capture=scanned", F + "eye.capture=scanned"),
}
LAGS = {"rigid": (F + "servo.loop_gain=inf 1/s",), "lagging": ()}
CORRECTIONS = {"": (), "corrected": (F + "settings.stage_correction=true",)}
KINDS = list(product(RAMPS, CAPTURES, LAGS, CORRECTIONS))
SPEEDS = (19.0, 37.0, 60.0, 71.0, 83.0)


@dataclass(frozen=True, slots=True)
class OffTarget:
    """Where inserts are staged and placed: so much off, and so much more with speed.

    Attributes
    ----------
    stage_mm, stage_s : float
        Stage position off its target at standstill (mm, past it above 0), and its growth with
        line speed (mm per mm/s).
    placement_mm, placement_s : float
        Placement error at standstill (mm, late above 0), and its growth with line speed.
    """

    stage_mm: float
    stage_s: float
    placement_mm: float
    placement_s: float


def adjusted(settings: Settings, off: OffTarget) -> Settings:
    """Return settings that stage and place on target.

    The stage comes first. A nose that rests x too far comes back by x if the disengage distance
    gets x/g shorter; one that walks on by y per speed, if the disengage lead grows by y/g. As
    the stage comes back by x inserts land x/g later, but with stage correction, which makes up
    for it. What is then late at every speed comes off the engage distance; what grows with
    speed goes onto the engage lead. (From the sums of :mod:`feedsim.settings.solve`, where a
    distance enters as it is, and a lead with the controller's speed.)

    Parameters
    ----------
    settings : Settings
        Those in force.
    off : OffTarget
        What was measured with them.
    """
    g = settings.speed_ratio
    moved = 0.0 if settings.stage_correction else 1.0 / g
    return replace(
        settings,
        disengage_distance_mm=settings.disengage_distance_mm - off.stage_mm / g,
        disengage_lead_s=settings.disengage_lead_s + off.stage_s / g,
        engage_distance_mm=settings.engage_distance_mm - (off.placement_mm + moved * off.stage_mm),
        engage_lead_s=settings.engage_lead_s + (off.placement_s + moved * off.stage_s),
    )


def scenario(*changes: str) -> Scenario:
    return override(scenario_from_text(BASE), changes)


def of_kind(ramp: str, capture: str, lag: str, correction: str) -> Scenario:
    changes = (*RAMPS[ramp], *CAPTURES[capture], *LAGS[lag], *CORRECTIONS[correction])
    return scenario(*changes)


def at(typed: Scenario, speed_m_min: float) -> Machine:
    return machine_of(at_line_speed(typed, speed_m_min * 1000.0 / 60.0))


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: "-".join(k for k in kind if k))
def test_the_settings_of_the_sheet_are_right_at_five_speeds(
    kind: tuple[str, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    # no speed is refused: that has no part in the settings
    monkeypatch.setattr(set_up, "closed_forms", lambda _: [Closed((), (), FASTEST_MM_S)])
    typed = as_typed(of_kind(*kind))
    sheet = set_up_sheet(typed).feeders[0]
    assert sheet.typed == (
        "engage_distance", "engage_lead", "disengage_distance", "disengage_lead"
    )  # fmt: skip
    for speed in SPEEDS:
        line = at(typed, speed)
        assert line.feeders[0].settings.engage_distance_mm == pytest.approx(
            sheet.settings.engage_distance_mm, abs=1e-9
        )
        rows = run(line, carriers=1200).feeders[0]
        error, stage = expected_means(line)
        assert abs(mean_of(rows.placement_error_mm).z(error)) < 4.0
        assert abs(mean_of(rows.stage_position_mm[1:]).z(stage)) < 4.0


@pytest.mark.parametrize("kind", KINDS[::5], ids=lambda kind: "-".join(k for k in kind if k))
def test_the_sheet_states_the_known_terms(kind: tuple[str, ...]) -> None:
    typed = as_typed(of_kind(*kind))
    for point in set_up_sheet(typed).feeders[0].good_for:
        speed = point.line_speed_mm_s
        line = machine_of(at_line_speed(typed, speed))
        error, stage = expected_means(line)
        known, _ = expected_means(line, known_only=True)
        assert point.known_terms_mm == pytest.approx(known, abs=1e-9)
        assert point.placement_mean_mm == pytest.approx(error, abs=1e-6)
        assert point.stage_mean_mm == pytest.approx(stage, abs=1e-6)


def test_late_openings_are_in_the_spread_that_the_sheet_states() -> None:
    # 80 mm of stage less some 12 ms of lead: edges known after that in a scan of 100 mm open late
    late = ("controller.scan=100 ms", "controller.motion_cycle=0.1 ms", "carrier.pitch=900 mm",
            "carrier.pitch_sd=120 mm", F + "settings.stage_position=80 mm")  # fmt: skip
    line = at(scenario(*late), 60.0)
    point = good_for(FeederAtSpeed(line, line.feeders[0]), to_run=True)
    rows = run(line, carriers=20_000).feeders[0]
    for seen, mean, sd in (
        (rows.stage_position_mm, point.stage_mean_mm, point.stage_sd_mm),
        (rows.placement_error_mm, point.placement_mean_mm, point.placement_sd_mm),
    ):
        assert abs(mean_of(seen).z(mean)) < 4.0
        assert abs(variance_of(seen).z(sd * sd)) < 4.0
        assert sd > 5.0  # without them some tenths of a millimetre


def test_a_lead_that_is_half_a_cycle_short_is_found() -> None:
    kind = of_kind("time", "latched", "lagging", "")
    lead = machine_of(kind).feeders[0].settings.engage_lead_s
    wrong = override(as_typed(kind), [f"{F}settings.engage_lead={1e3 * lead - 0.5} ms"])
    line = at(wrong, 83.0)
    rows = run(line, carriers=1200).feeders[0]
    assert abs(mean_of(rows.placement_error_mm).z(expected_means(line, known_only=True)[0])) > 4.0


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: "-".join(k for k in kind if k))
def test_the_terms_add_up_to_the_settings(kind: tuple[str, ...]) -> None:
    machine = machine_of(of_kind(*kind))
    found = derivation(machine, machine.feeders[0])
    for name, unit in (
        ("engage_distance", "mm"),
        ("engage_lead", "s"),
        ("disengage_distance", "mm"),
        ("disengage_lead", "s"),
    ):
        total = sum(term.value for term in getattr(found, name))
        assert total == pytest.approx(getattr(found.solution, f"{name}_{unit}"), abs=1e-9)
        assert "cycle as it runs" not in " ".join(term.name for term in getattr(found, name))


HIDDEN = {
    "slow eyes": ("carrier_eye.response=1.8 ms", F + "eye.response=1.2 ms"),
    "a slow insert eye alone": (F + "eye.response=2.5 ms",),
    "eyes that sit elsewhere": (F + "eye_to_placement=402 mm", F + "settings.stage_position=59 mm"),
    "a wheel that is off": ("line.encoder.scale_error=0.4 %",),
    "a trimmed ratio and a slow bus": (F + "servo.command_delay=1.9 ms",),
}
RATIOS = {"": (), "geared": (F + "settings.speed_ratio=1.05",)}


@pytest.mark.parametrize("correction", CORRECTIONS)
@pytest.mark.parametrize("ratio", RATIOS)
@pytest.mark.parametrize("hidden", HIDDEN)
def test_following_the_adjusting_rules_puts_inserts_on_target(
    hidden: str, ratio: str, correction: str
) -> None:
    believed = scenario(
        *RATIOS[ratio], *CORRECTIONS[correction], "line.encoder.counts_per_rev=1000000"
    )
    settings = machine_of(believed).feeders[0].settings
    truth = override(believed, HIDDEN[hidden])

    def measured(speed: float, with_settings: Any) -> tuple[Any, Any]:
        line = at(truth, speed)
        typed = replace(line.feeders[0], settings=with_settings)
        rows = run(replace(line, feeders=(typed,)), carriers=1500).feeders[0]
        return mean_of(rows.placement_error_mm), mean_of(rows.stage_position_mm[1:])

    speeds = np.array([20.0, 80.0]) * 1000.0 / 60.0
    seen = [measured(speed, settings) for speed in (20.0, 80.0)]
    placement = np.polyfit(speeds, [error.mean for error, _ in seen], 1)
    stage = np.polyfit(speeds, [staged.mean - 60.0 for _, staged in seen], 1)
    off = OffTarget(
        stage_mm=float(stage[1]),
        stage_s=float(stage[0]),
        placement_mm=float(placement[1]),
        placement_s=float(placement[0]),
    )
    worst = max(abs(error.mean) for error, _ in seen)
    assert worst > 0.3 or abs(off.stage_mm) + abs(off.stage_s) * 1333.0 > 0.5
    right = adjusted(settings, off)
    for speed in (20.0, 50.0, 80.0):
        error, staged = measured(speed, right)
        # the corrections themselves come from as many carriers, so twice the variance
        assert abs(error.mean) < 4.0 * np.sqrt(3.0) * error.standard_error + 0.01
        assert abs(staged.mean - 60.0) < 4.0 * np.sqrt(3.0) * staged.standard_error + 0.01


@pytest.mark.parametrize("hidden", ["slow eyes", "eyes that sit elsewhere", "late everywhere"])
def test_two_measured_numbers_and_the_table_put_inserts_on_target(hidden: str) -> None:
    # the worker's way: mean slow (A) and fast (B), corrections in proportion to the table's row of
    # B - A = 1 mm; first of the stage, then measured again of the placement
    believed = scenario("line.encoder.counts_per_rev=1000000")
    faults = HIDDEN | {"late everywhere": (F + "eye_to_placement=398 mm", *HIDDEN["slow eyes"])}
    truth = override(believed, faults[hidden])
    how = set_up_sheet(believed).feeders[0].adjusting
    assert how is not None
    row = next(r for r in how.table if r.b_less_a_mm == 1.0)
    settings = machine_of(believed).feeders[0].settings

    def measured(speed_mm_s: float, carriers: int = 1500) -> tuple[Any, Any]:
        line = machine_of(at_line_speed(truth, speed_mm_s))
        typed = replace(line.feeders[0], settings=settings)
        rows = run(replace(line, feeders=(typed,)), carriers=carriers).feeders[0]
        return mean_of(rows.placement_error_mm), mean_of(rows.stage_position_mm[1:])

    a, b = (measured(end)[1].mean - 60.0 for end in (how.slow_mm_s, how.fast_mm_s))
    settings = replace(
        settings,
        disengage_distance_mm=settings.disengage_distance_mm
        - (a + row.standstill_less_a_mm * (b - a)),
        disengage_lead_s=settings.disengage_lead_s + 1e-3 * row.lead_ms * (b - a),
    )
    a, b = (measured(end)[0].mean for end in (how.slow_mm_s, how.fast_mm_s))
    # the fault that was left where the error at the slowest was read as the one at standstill
    assert max(abs(a), abs(b)) > 0.3
    settings = replace(
        settings,
        engage_distance_mm=settings.engage_distance_mm - (a + row.standstill_less_a_mm * (b - a)),
        engage_lead_s=settings.engage_lead_s + 1e-3 * row.lead_ms * (b - a),
    )
    for part in (0.0, 0.5, 1.0):
        speed = how.slow_mm_s + part * (how.fast_mm_s - how.slow_mm_s)
        error, staged = measured(speed)
        assert abs(error.mean) < 4.0 * np.sqrt(3.0) * error.standard_error + 0.01
        assert abs(staged.mean - 60.0) < 4.0 * np.sqrt(3.0) * staged.standard_error + 0.01


def test_above_the_limit_no_step_is_faster_than_the_limit() -> None:
    tight = scenario("acceptance.placement_tolerance=1 mm", "line.speed=110 m/min")
    sheet = set_up_sheet(tight)
    limit = sheet.highest_speed_mm_s
    assert limit is not None
    assert limit < sheet.line_speed_mm_s
    assert sheet.production is False
    runs = [p.line_speed_mm_s for p in sheet.feeders[0].good_for if p.to_run]
    assert runs
    assert max(runs) < limit
    assert set_up_sheet(at_line_speed(tight, 0.9 * limit)).production is True
