"""Clocks that stamp late: told by the log's own encoder, and held against no program."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from feedsim.answers.learn.study.acts import compared_acts
from feedsim.logs import Log, read_log
from feedsim.machine import Line
from tests.logged import LoggedRun, logged_run, written
from tests.unit.test_learn_acts import line

SHAPES = (("samples", 1000.0), ("samples", 10_000.0), ("events", 1000.0), ("events", 10_000.0))
Row = list[str]


@pytest.fixture(scope="module")
def run() -> LoggedRun:
    return logged_run(line(), carriers=40, seed=4)


def changed(path: Path, change: Callable[[list[Row]], list[Row]]) -> Path:
    head, *rows = (text.split(",") for text in path.read_text().splitlines())
    path.write_text("\n".join(",".join(row) for row in [head, *change(rows)]) + "\n")
    return path


def stamped_late(rows: list[Row]) -> list[Row]:
    """Each stamp comes up to 3 ms late, and at least 20 µs after the one before."""
    times, which = np.unique([float(row[0]) for row in rows], return_inverse=True)
    late = np.minimum(np.random.default_rng(1).exponential(1e-3, len(times)), 3e-3)
    least = 2e-5 * np.arange(len(times))
    times = np.maximum.accumulate(times + late - least) + least
    return [[f"{times[n]:.6f}", *row[1:]] for n, row in zip(which, rows, strict=True)]


def jittering(log: Log) -> list[str]:
    return [remark.text for remark in log.remarks if "clock jitters" in remark.text]


@pytest.mark.parametrize(("shape", "rate_hz"), SHAPES)
def test_stamps_that_come_late_are_the_clocks_fault(
    run: LoggedRun, tmp_path: Path, shape: str, rate_hz: float
) -> None:
    """Acts of a healthy program, and each true edge lies in its interval."""
    path = written(run, tmp_path / "log.csv", shape=shape, rate_hz=rate_hz)
    log = read_log(changed(path, stamped_late), feeders=["a"])
    (said,) = jittering(log)
    assert "encoder_count" in said
    assert "first in row" in said
    assert compared_acts(log, run.machine).faults == ()
    closes = [e.time_s for e in run.trace.events if e.event == "closes"]
    clutch = log.feeders[0].clutch
    off = clutch.on_s - np.array(closes)
    assert np.all(np.abs(off - np.median(off)) <= clutch.on_within_s + 1e-3)
    if shape == "samples":  # the mean of all stamps is late, and nothing else is left
        assert np.ptp(off) <= 2.1 / rate_hz


def test_rare_late_stamps_are_told_too(run: LoggedRun, tmp_path: Path) -> None:
    """One row in three hundred waits 5 ms for its stamp, and those behind it queue."""

    def rarely(rows: list[Row]) -> list[Row]:
        times = np.array([float(row[0]) for row in rows])
        times[100::300] += 5e-3
        least = 2e-5 * np.arange(len(times))
        times = np.maximum.accumulate(times - least) + least
        return [[f"{t:.6f}", *row[1:]] for t, row in zip(times, rows, strict=True)]

    log = read_log(changed(written(run, tmp_path / "log.csv"), rarely), feeders=["a"])
    assert len(jittering(log)) == 1
    assert len(log.begins_s) == 1
    assert not any("missing" in remark.text for remark in log.remarks)
    assert compared_acts(log, run.machine).faults == ()


def test_rows_that_are_sampled_unevenly_keep_their_times(run: LoggedRun, tmp_path: Path) -> None:
    """Of ten thousand looks a second one in five to fifteen: the encoder is with the stamps."""
    path = written(run, tmp_path / "log.csv", rate_hz=10_000.0)
    steps = np.random.default_rng(2).integers(5, 16, 20_000)

    def some(rows: list[Row]) -> list[Row]:
        looks = np.cumsum(steps)
        return [rows[n] for n in looks[looks < len(rows)].tolist()]

    log = read_log(changed(path, some), feeders=["a"])
    assert not jittering(log)
    assert any("uneven times" in remark.text for remark in log.remarks)
    assert compared_acts(log, run.machine).faults == ()


@pytest.mark.parametrize(("shape", "rate_hz"), SHAPES)
@pytest.mark.parametrize("dropped", [0.0, 0.02])
def test_a_belt_that_speeds_up_and_slows_down_is_no_jitter(
    tmp_path: Path, shape: str, rate_hz: float, dropped: float
) -> None:
    speeds = ((0.0, 200.0), (2.0, 1200.0), (2.5, 1200.0), (2.6, 600.0))
    uneven = replace(line(), line=Line(1000.0, profile=speeds))
    path = tmp_path / "log.csv"
    written(
        logged_run(uneven, carriers=10, seed=2), path, shape=shape, rate_hz=rate_hz, dropped=dropped
    )
    assert not jittering(read_log(path, feeders=["a"]))


def test_an_encoder_that_is_read_seldom_counts_where_it_changes(
    run: LoggedRun, tmp_path: Path
) -> None:
    def held(rows: list[Row]) -> list[Row]:
        return [[*row[:2], rows[n // 4 * 4][2], *row[3:]] for n, row in enumerate(rows)]

    log = read_log(changed(written(run, tmp_path / "log.csv"), held), feeders=["a"])
    (said,) = (remark.text for remark in log.remarks)
    assert said.startswith("encoder_count holds for 4 rows at a time")
    assert "every 4 ms" in said
    found = compared_acts(log, run.machine)
    assert found.faults == ()
    assert found.feeders[0].closings.judged.sum() > 35
