"""The modelled controller beside a logged one: planted faults are named and counted."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from feedsim.answers.learn.acts_words import fault_words
from feedsim.answers.learn.study.act_faults import came_after
from feedsim.answers.learn.study.act_rows import ActVerdict, ComparedActs, Preceding, ProgramFault
from feedsim.answers.learn.study.acts import compared_acts
from feedsim.answers.learn.study.figures import Subject
from feedsim.answers.learn.study.program import program_of, told_together
from feedsim.arrivals import Paced
from feedsim.logs import read_log
from feedsim.machine import Carriers, Clutch, Controller, Encoder, Inserts, Line, Machine
from tests.logged import LoggedRun, logged, logged_run, written
from tests.machines import LAGGING, NOISY_EYE, feeder, machine
from tests.random_machines import random_machine
from tests.unit import faulty_programs as faulty

CYCLE_S = 0.001
WAITS = Controller(0.002, CYCLE_S, late_mark_engages=True, not_ready_engages=True)
SHAPES = (("samples", 1000.0), ("events", 10_000.0))
ALL_SHAPES = (*SHAPES, ("samples", 10_000.0), ("events", 1000.0))


def line(**changes: object) -> Machine:
    """A line on counts of 0.05 mm with a motion cycle, whose pitch washes out every tick."""
    base = {
        "encoder": Encoder(0.05),
        "controller": Controller(scan_s=0.002, motion_cycle_s=CYCLE_S),
        "carriers": Carriers(Paced(210.0, 300.0, pitch_sd_mm=4.0, min_gap_mm=20.0)),
        "carrier_eye": NOISY_EYE,
    }
    inserts = Inserts(length_mm=85.6, gap_mm=70.0, gap_sd_mm=4.0, double=changes.pop("double", 0.0))
    clutch = Clutch(ramp_in=0.0206, ramp_out=0.02, settle_s=0.005)
    one = feeder(servo=LAGGING, inserts=inserts, eye=NOISY_EYE, clutch=clutch)
    return machine(one, **{**base, **changes})


def compared(
    run: LoggedRun, path: Path, asked: Machine, *, shape: str = "samples", rate_hz: float = 1000.0
) -> ComparedActs:
    log = read_log(
        written(run, path / "log.csv", shape=shape, rate_hz=rate_hz),
        feeders=["a", "b", "c", "d"][: len(asked.feeders)],
    )
    return compared_acts(log, asked)


def only(found: ComparedActs) -> ProgramFault:
    assert len(found.faults) == 1, found.faults
    return found.faults[0]


@pytest.mark.parametrize(("shape", "rate_hz"), ALL_SHAPES)
def test_a_healthy_line_draws_no_accusation(shape: str, rate_hz: float, tmp_path: Path) -> None:
    asked = line(double=0.05)
    found = compared(
        logged_run(asked, carriers=120, seed=4), tmp_path, asked, shape=shape, rate_hz=rate_hz
    )
    assert found.faults == ()
    (acts,) = found.feeders
    for rows in (acts.closings, acts.openings):
        assert np.mean(rows.verdict == ActVerdict.AS_ASKED) > 0.95
        exact = rows.exact & rows.judged
        assert np.all(rows.late_low_s[exact] <= 0.0)
        assert np.all(rows.late_high_s[exact] >= 0.0)
    assert acts.marks > 100


@pytest.mark.parametrize("seed", range(5))
def test_healthy_odd_lines_draw_none_either(seed: int, tmp_path: Path) -> None:
    asked = random_machine(seed)
    run = logged_run(asked, carriers=40, seed=seed)
    assert compared(run, tmp_path, asked).faults == ()


@pytest.mark.parametrize(
    ("shape", "rate_hz", "ticks"),
    [
        ("samples", 1000.0, 1),
        ("samples", 10_000.0, 2),
        ("events", 1000.0, 2),
        ("events", 10_000.0, 1),
        ("events", 10_000.0, 3),
    ],
)
def test_acts_late_by_whole_ticks(ticks: int, shape: str, rate_hz: float, tmp_path: Path) -> None:
    """A single tick of a millisecond is less than what events at a kilohertz leave open."""
    asked = line()
    run = faulty.late_by_ticks(asked, ticks, carriers=120, seed=4)
    found = only(compared(run, tmp_path, asked, shape=shape, rate_hz=rate_hz))
    assert (found.pattern, found.acts, found.ticks) == ("late_by_ticks", "all", ticks)
    assert found.count == found.judged > 200
    assert found.late_s == pytest.approx(ticks * CYCLE_S, abs=0.4 * CYCLE_S)


@pytest.mark.parametrize(
    ("shape", "rate_hz", "ratio"),
    [("samples", 1000.0, 1.02), ("events", 1000.0, 0.95), ("events", 10_000.0, 0.97)],
)
def test_a_wrong_count_scale(ratio: float, shape: str, rate_hz: float, tmp_path: Path) -> None:
    asked = line()
    run = logged_run(faulty.wrong_scale(asked, ratio), carriers=120, seed=4)
    found = only(compared(run, tmp_path, asked, shape=shape, rate_hz=rate_hz))
    assert (found.pattern, found.acts) == ("count_scale", "all")
    # of 50 mm a tenth of a millisecond at 1 m/s is 0.2 %
    assert found.ratio == pytest.approx(ratio, abs=0.006)


@pytest.mark.parametrize(("shape", "rate_hz"), SHAPES)
def test_a_lead_with_the_wrong_sign(shape: str, rate_hz: float, tmp_path: Path) -> None:
    asked = line()
    run = logged_run(faulty.lead_sign(asked), carriers=120, seed=4)
    found = only(compared(run, tmp_path, asked, shape=shape, rate_hz=rate_hz))
    assert (found.pattern, found.acts) == ("lead_sign", "closings")
    lead = asked.feeders[0].settings.engage_lead_s
    assert found.late_s == pytest.approx(2.0 * lead, abs=0.4e-3)


@pytest.mark.parametrize(("shape", "rate_hz"), SHAPES)
def test_marks_lost(shape: str, rate_hz: float, tmp_path: Path) -> None:
    asked = line()
    run, struck = faulty.loses_marks(asked, 17, carriers=120, seed=4)
    found = only(compared(run, tmp_path, asked, shape=shape, rate_hz=rate_hz))
    assert (found.pattern, found.count) == ("marks_lost", len(struck))


@pytest.mark.parametrize(("shape", "rate_hz"), SHAPES)
def test_marks_acted_on_twice(shape: str, rate_hz: float, tmp_path: Path) -> None:
    asked = line(carriers=Carriers(Paced(210.0, 600.0, pitch_sd_mm=4.0, min_gap_mm=20.0)))
    run, struck = faulty.acts_twice(asked, 17, carriers=120, seed=4)
    found = only(compared(run, tmp_path, asked, shape=shape, rate_hz=rate_hz))
    assert (found.pattern, found.count) == ("marks_twice", len(struck))


@pytest.mark.parametrize(("shape", "rate_hz"), SHAPES)
def test_marks_in_swapped_order(shape: str, rate_hz: float, tmp_path: Path) -> None:
    """Two marks wait at a time; the one that is put behind is acted on as soon as may be."""
    asked = line(controller=WAITS)
    run, struck = faulty.swaps_marks(asked, 17, carriers=120, seed=4)
    found = compared(run, tmp_path, asked, shape=shape, rate_hz=rate_hz)
    swapped = [fault for fault in found.faults if fault.pattern == "order_swapped"]
    assert [fault.count for fault in swapped] == [len(struck)]


@pytest.mark.parametrize(("shape", "rate_hz"), SHAPES)
def test_a_drift(shape: str, rate_hz: float, tmp_path: Path) -> None:
    asked = line()
    run = faulty.drifts(asked, 0.05, carriers=160, seed=4)
    found = only(compared(run, tmp_path, asked, shape=shape, rate_hz=rate_hz))
    assert (found.pattern, found.acts) == ("drift", "closings")
    # 0.05 mm each 0.3 s, at 1 m/s
    assert found.drift_s_per_hour == pytest.approx(0.05e-3 / 0.3 * 3600.0, rel=0.05)


@pytest.mark.parametrize(("shape", "rate_hz"), SHAPES)
def test_closings_late_after_doubles(shape: str, rate_hz: float, tmp_path: Path) -> None:
    """Eighty counts are 4 mm: more than edge, act and tick leave open at a kilohertz."""
    asked = line(double=0.06)
    run, struck = faulty.late_after_doubles(asked, 80, carriers=200, seed=4)
    assert len(struck) > 5
    found = only(compared(run, tmp_path, asked, shape=shape, rate_hz=rate_hz))
    assert (found.pattern, found.acts, found.count) == ("sporadic", "closings", len(struck))
    assert found.after == "a double"
    assert found.late_counts == pytest.approx(80.0, abs=20.0)


def together(asked: Machine, runs: list[Machine], path: Path) -> list[ProgramFault]:
    """Hold two logs, at 1000 and at 600 mm/s, against what was asked; their faults."""
    found = []
    for number, run in enumerate(runs):
        speed = replace(run, line=Line((1000.0, 600.0)[number]))
        log = logged(speed, path, carriers=90, seed=4 + number, rate_hz=10_000.0)
        found.append(compared_acts(read_log(log, feeders=["a"]), asked))
    return [fault for told in told_together(found, asked) for fault in told]


def test_whole_ticks_at_one_speed_are_a_distance_at_two(tmp_path: Path) -> None:
    """2 mm more take 2 ms at 1000 mm/s, which are two ticks, and 3.33 at 600, which are none."""
    asked = line()
    longer = asked.feeders[0].settings.engage_distance_mm + 2.0
    real = faulty.with_settings(asked, engage_distance_mm=longer)
    alone = compared(
        logged_run(real, carriers=120, seed=4), tmp_path, asked, rate_hz=10_000.0
    ).faults[0]
    assert (alone.pattern, alone.ticks) == ("late_by_ticks", 2)
    found = together(asked, [real, real], tmp_path)
    assert [fault.acts for fault in found] == ["closings", "closings"]
    assert all(fault.pattern in {"offset", "count_scale"} for fault in found)
    assert not any("late_by_ticks" in fault.or_else for fault in found)


def test_a_scale_and_a_lead_are_told_apart_at_two_speeds(tmp_path: Path) -> None:
    asked = line()
    scaled = faulty.wrong_scale(asked, 1.02)
    found = together(asked, [scaled, scaled], tmp_path)
    assert {fault.pattern for fault in found} == {"count_scale"}
    assert all(fault.ratio == pytest.approx(1.02, abs=0.003) for fault in found)
    turned = faulty.lead_sign(asked)
    found = together(asked, [turned, turned], tmp_path)
    assert {(fault.pattern, fault.acts) for fault in found} == {("lead_sign", "closings")}
    assert not any("count_scale" in fault.or_else for fault in found)


def test_what_another_log_at_that_speed_does_not_have_is_said(tmp_path: Path) -> None:
    asked = line()
    turned = faulty.lead_sign(asked)
    logs = [logged(m, tmp_path, carriers=60, seed=n) for n, m in ((1, turned), (2, asked))]
    found = [compared_acts(read_log(log, feeders=["a"]), asked) for log in logs]
    (faults, none) = told_together(found, asked)
    assert [fault.here_alone for fault in faults] == [True]
    assert none == ()
    assert "Another log at this speed does not show it" in fault_words(
        faults[0], ["a"], virtual=False
    )


def with_ticks_unknown(run: LoggedRun, path: Path, asked: Machine) -> list[ProgramFault]:
    """Hold a log that shows no ticks against a program; its faults."""
    log = read_log(written(run, path / "log.csv"), feeders=["a"])
    untold = Subject("controller.motion_cycle", "motion cycle", "time").untold(CYCLE_S, "")
    (read,) = program_of([log], ["log.csv"], asked, [untold])
    return list(read.faults)


def test_late_acts_are_tried_with_a_longer_motion_cycle(tmp_path: Path) -> None:
    """Ticks of 8 ms keep acts waiting up to 8; the latest of n by 8·n/(n + 1) on average."""
    asked = line()
    real = replace(asked, controller=replace(asked.controller, motion_cycle_s=0.008))
    run = logged_run(real, carriers=28, seed=4)
    found = with_ticks_unknown(run, tmp_path, asked)
    assert {fault.acts for fault in found} == {"closings", "openings"}
    assert all(0.006 < fault.fits_cycle_s <= 0.008 for fault in found)
    said = fault_words(found[0], ["a"], virtual=False)
    assert "These closings fit a motion cycle of" in said
    assert all(
        math.isnan(fault.fits_cycle_s)
        for fault in compared(run, tmp_path, asked).faults  # of a log that shows its ticks
    )


def test_acts_late_by_whole_ticks_fit_no_longer_cycle(tmp_path: Path) -> None:
    """Five ticks late lie about 5.5 ms behind their points, those of a 6 ms cycle about 3."""
    asked = line()
    run = faulty.late_by_ticks(asked, 5, carriers=60, seed=4)
    (found,) = with_ticks_unknown(run, tmp_path, asked)
    assert (found.pattern, found.ticks) == ("late_by_ticks", 5)
    assert math.isnan(found.fits_cycle_s)


def odd(count: int, known: int, after: int) -> ProgramFault:
    came = (Preceding("a double", after, 0.12),)
    at = {"first_s": 1.0, "first_row": 9, "first_at": "14:03:07.211"}
    size = {"late_s": 0.0006, "late_counts": 12.0}
    return ProgramFault("sporadic", 0, "closings", count, 200, **at, **size, known=known, came=came)


def test_what_odd_acts_came_after_is_asked_of_all_logs_together() -> None:
    """Three of three by chance: 0.12³ = 0.0017; six of six: 3·10⁻⁶, and below 0.001."""
    assert came_after([odd(3, 3, 3)])[0].after == ""
    found = came_after([odd(3, 3, 3), odd(3, 3, 3)])
    assert [(fault.after, fault.after_count) for fault in found] == [("a double", 3)] * 2
    assert [fault.after for fault in came_after([odd(3, 3, 3), odd(3, 3, 0)])] == ["", ""]


def test_an_odd_act_is_said_with_its_time_its_share_and_what_it_came_after() -> None:
    """Of 200 acts 8 are 4 %."""
    (each,) = came_after([odd(8, 8, 8)])
    assert fault_words(each, ["a"], virtual=False) == (
        "At 14:03:07.211 (row 9) the clutch closed 12 counts (0.6 ms) later than these settings "
        "ask for; so did 8 closings of 200 (4 %), each after a double."
    )
    assert "200 closings of 200 (100 %)" in fault_words(odd(200, 0, 0), ["a"], virtual=False)
    (most,) = came_after([odd(20, 20, 19)])
    assert "20 closings of 200 (10 %), 19 of them after a double" in fault_words(
        most, ["a"], virtual=False
    )
