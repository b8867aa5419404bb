"""The modelled controller beside a logged one: planted faults are named and counted."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from feedsim.answers.learn.study.act_rows import ComparedActs, ProgramFault, Verdict
from feedsim.answers.learn.study.acts import compared_acts
from feedsim.arrivals import Paced
from feedsim.logs import read_log
from feedsim.machine import Carriers, Clutch, Controller, Encoder, Inserts, Machine
from tests.logged import LoggedRun, logged_run, written
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
        assert np.mean(rows.verdict == Verdict.AS_ASKED) > 0.95
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
