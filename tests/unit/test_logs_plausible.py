"""The belt out of logged counts, and logs that cannot be of the scenario's machine."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import feedsim
from feedsim.answers.learn.study.learned import learned_from
from feedsim.arrivals import Arrival, Paced, RandomGaps
from feedsim.errors import FeedsimError
from feedsim.logs import Log, read_log
from feedsim.logs.belt import belt_of_log
from feedsim.logs.plausible import plausible
from feedsim.machine import Encoder, Inserts, Line
from feedsim.scenario import Scenario
from tests.logged import LoggedRun, logged_run, written
from tests.machines import LAGGING, feeder, machine

ENCODER = Encoder(0.05)
PROFILE = Line(1000.0, profile=((0.0, 200.0), (2.0, 1200.0), (4.0, 1200.0), (5.0, 600.0)))


@pytest.fixture(scope="module")
def run() -> LoggedRun:
    return logged_run(machine(feeder(servo=LAGGING), encoder=ENCODER), carriers=30, seed=3)


@pytest.mark.parametrize("shape", ["samples", "events"])
@pytest.mark.parametrize("line", [Line(1000.0), PROFILE])
def test_the_belt_is_within_a_count_of_the_true_one(line: Line, shape: str, tmp_path: Path) -> None:
    """Between looks a millisecond apart an acceleration of 600 mm/s² bends by 75 nm at most."""
    run = logged_run(machine(feeder(), encoder=ENCODER, line=line), carriers=20, seed=2)
    log = read_log(written(run, tmp_path / "log.csv", shape=shape), feeders=["a"])
    (belt,) = belt_of_log(log, ENCODER)
    times = np.linspace(belt.begin_s, belt.end_s, 5001)
    off = belt.counted_mm(times) / 0.05 - run.draws.phases().encoder
    off -= run.trace.belt.positions(times) / 0.05
    assert np.abs(off).max() <= 1.05
    assert belt.belt.count < (3 if line is not PROFILE else 0.1 * len(log.encoder.value))
    np.testing.assert_allclose(belt.times_at(belt.counted_mm(times[::50])), times[::50], atol=1e-6)


def test_a_good_log_is_plausible(run: LoggedRun, tmp_path: Path) -> None:
    log = read_log(written(run, tmp_path / "log.csv"), feeders=["a"])
    assert plausible(log, run.machine) == log


def with_columns(path: Path, names: tuple[str, str]) -> Path:
    """Swap two columns, but not their names."""
    lines = [line.split(",") for line in path.read_text().splitlines()]
    one, other = (lines[0].index(name) for name in names)
    for cells in lines[1:]:
        cells[one], cells[other] = cells[other], cells[one]
    path.write_text("\n".join(map(",".join, lines)) + "\n")
    return path


def refused(log: Log, run: LoggedRun) -> str:
    with pytest.raises(FeedsimError) as error:
        plausible(log, run.machine)
    return str(error.value)


def test_swapped_eyes_are_refused(run: LoggedRun, tmp_path: Path) -> None:
    path = with_columns(written(run, tmp_path / "log.csv"), ("carrier_eye", "feeder.0.eye"))
    said = refused(read_log(path, feeders=["a"]), run)
    assert "feeder.0.eye" in said
    assert "carrier_eye" in said
    assert "swapped" in said


def test_command_and_actual_swapped_are_told(run: LoggedRun, tmp_path: Path) -> None:
    names = ("feeder.0.command_mm", "feeder.0.actual_mm")
    path = with_columns(written(run, tmp_path / "log.csv"), names)
    said = refused(read_log(path, feeders=["a"]), run)
    assert "feeder.0.actual_mm: is ahead of feeder.0.command_mm" in said
    assert "swapped" in said


def test_speeds_of_command_and_actual_swapped_are_refused(run: LoggedRun, tmp_path: Path) -> None:
    """A servo's speed is below one that rises, and above one that falls."""
    path = written(run, tmp_path / "log.csv")
    lines = [line.split(",") for line in path.read_text().splitlines()]
    travels = np.array([cells[-2:] for cells in lines[1:]], dtype=float)
    speeds = np.round(np.diff(travels, axis=0, prepend=travels[:1]) / 1e-3)
    names = ["feeder.0.command_mm_s", "feeder.0.actual_mm_s"]
    for order in (names, names[::-1]):
        cells = zip(lines[1:], speeds.tolist(), strict=True)
        rows = [[*row[:-2], *map(str, pair)] for row, pair in cells]
        path.write_text("\n".join(map(",".join, [[*lines[0][:-2], *order], *rows])) + "\n")
        log = read_log(path, feeders=["a"])
        if order is names:
            assert plausible(log, run.machine) == log
        else:
            assert "feeder.0.actual_mm_s: is ahead of feeder.0.command_mm_s" in refused(log, run)


@pytest.mark.parametrize("shape", ["samples", "events"])
@pytest.mark.parametrize(
    ("names", "at"),
    [
        ({"time_s": "time_ms"}, "encoder_count"),
        ({"feeder.0.command_mm": "feeder.command_m"}, "feeder.command_m"),
        ({"feeder.0.actual_mm": "feeder.actual_um"}, "feeder.actual_um"),
        ({"feeder.0.eye": "feeder.clutch", "feeder.0.clutch": "feeder.eye"}, "feeder.clutch"),
        ({"feeder.0.eye": "carrier_eye", "carrier_eye": "feeder.eye"}, "feeder.eye"),
        ({"feeder.0.clutch": "carrier_eye", "carrier_eye": "feeder.clutch"}, "feeder.clutch"),
        (
            {
                "feeder.0.command_mm": "feeder.actual_mm",
                "feeder.0.actual_mm": "feeder.command_mm",
            },
            "feeder.actual_mm",
        ),
    ],
)
def test_a_refusal_names_row_and_column_as_the_file_has_it(
    run: LoggedRun, tmp_path: Path, names: dict[str, str], at: str, shape: str
) -> None:
    path = written(run, tmp_path / "log.csv", shape=shape)
    text = re.sub("|".join(map(re.escape, names)), lambda found: names[found[0]], path.read_text())
    path.write_text(text.replace("feeder.0.", "feeder."))
    said = refused(read_log(path, feeders=["a"]), run)
    found = re.search(r"log\.csv, row (\d+), (\S+): ", said)
    assert found is not None, said
    assert found[2] == at
    line = path.read_text().splitlines()[int(found[1]) - 1]
    assert shape == "samples" or f",{at}," in line


def with_cells(path: Path, name: str, change: Callable[[int], int]) -> Path:
    """Change each cell of a column of whole numbers."""
    lines = [line.split(",") for line in path.read_text().splitlines()]
    place = lines[0].index(name)
    for cells in lines[1:]:
        cells[place] = str(change(int(cells[place])))
    path.write_text("\n".join(map(",".join, lines)) + "\n")
    return path


@pytest.mark.parametrize(("times", "over"), [(4, 1), (2, 1), (1, 2), (1, 4)])
def test_a_counter_that_is_scaled_wrongly_is_refused(
    run: LoggedRun, tmp_path: Path, times: int, over: int
) -> None:
    """A carrier of 210 mm, ISO 216, would be so many times as long."""
    path = written(run, tmp_path / "log.csv")
    with_cells(path, "encoder_count", lambda count: count * times // over)
    said = refused(read_log(path, feeders=["a"]), run)
    factor = times / over
    assert f"{210.0 * factor:,.1f} mm" in said
    assert f"counts_per_rev {factor:.3g} times as high" in said
    assert "encoder_count" in said


@pytest.mark.parametrize("column", ["carrier_eye", "feeder.0.eye"])
def test_an_inverted_eye_is_refused(run: LoggedRun, tmp_path: Path, column: str) -> None:
    path = with_cells(written(run, tmp_path / "log.csv"), column, lambda level: 1 - level)
    said = refused(read_log(path, feeders=["a"]), run)
    assert column in said
    assert "1 has to mean covered" in said


def test_insert_eye_and_clutch_swapped_are_refused(run: LoggedRun, tmp_path: Path) -> None:
    path = with_columns(written(run, tmp_path / "log.csv"), ("feeder.0.clutch", "feeder.0.eye"))
    said = refused(read_log(path, feeders=["a"]), run)
    assert "feeder.0.clutch" in said
    assert "feeder.0.eye" in said
    assert "swapped" in said


@pytest.mark.parametrize("shape", ["samples", "events"])
@pytest.mark.parametrize("encoder", [True, False])
def test_they_are_refused_without_the_feed_too(
    run: LoggedRun, tmp_path: Path, shape: str, encoder: bool
) -> None:
    path = written(run, tmp_path / "log.csv", shape=shape)
    odd = [name for name in ("command", "actual", "encoder") if name != "encoder" or not encoder]
    text = path.read_text().replace("feeder.0.eye", "?").replace("feeder.0.clutch", "feeder.0.eye")
    text = text.replace("?", "feeder.0.clutch")
    for name in odd:
        text = text.replace(f"feeder.0.{name}" if name != "encoder" else "encoder_", "other")
    path.write_text(text)
    said = refused(read_log(path, feeders=["a"]), run)
    assert "swapped" in said
    assert "feeder.0.clutch" in said


@pytest.mark.parametrize(
    ("length", "pitch", "gap"),
    [(210.0, 420.0, 85.6), (210.0, 500.0, 60.0), (148.0, 260.0, 90.0), (320.0, 360.0, 70.0)],
)
@pytest.mark.parametrize("law", [Paced, RandomGaps])
def test_a_machine_unlike_the_scenario_is_plausible(
    run: LoggedRun, tmp_path: Path, *, length: float, pitch: float, gap: float, law: type[Arrival]
) -> None:
    """Carriers of another length, pitch and law, and inserts of another gap, are there to learn."""
    inserts = Inserts(length_mm=85.6, gap_mm=gap, gap_sd_mm=2.0)
    arrival = law(length_mm=length, pitch_mm=pitch, min_gap_mm=20.0)
    line = machine(feeder(servo=LAGGING, inserts=inserts), encoder=ENCODER)
    line = replace(line, carriers=replace(line.carriers, arrival=arrival))
    log = read_log(
        written(logged_run(line, carriers=25, seed=4), tmp_path / "log.csv"), feeders=["a"]
    )
    assert plausible(log, run.machine) == log


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("time_s", "time_ms", ("encoder_count", "a thousand times", "time column")),
        ("time_s", "time_min", ("encoder_count", "a sixtieth of")),
        ("feeder.0.command_mm", "feeder.0.command_m", ("feeder.0.command", "a thousand times")),
        ("feeder.0.actual_mm", "feeder.0.actual_um", ("feeder.0.actual", "a thousandth of")),
        ("feeder.0.actual_mm", "feeder.0.actual_in", ("feeder.0.actual", "25.4 times")),
    ],
)
def test_wrong_units_are_refused(
    run: LoggedRun, tmp_path: Path, old: str, new: str, words: tuple[str, ...]
) -> None:
    path = written(run, tmp_path / "log.csv")
    path.write_text(path.read_text().replace(old, new, 1))
    said = refused(read_log(path, feeders=["a"]), run)
    assert all(word in said for word in words), said


def test_counts_of_a_virtual_master_are_refused(run: LoggedRun, tmp_path: Path) -> None:
    log = read_log(written(run, tmp_path / "log.csv"), feeders=["a"])
    virtual = replace(run, machine=replace(run.machine, encoder=Encoder()))
    assert "counts_per_rev" in refused(log, virtual)
    assert belt_of_log(log, Encoder()) == ()


def test_an_inverted_clutch_is_refused(run: LoggedRun, tmp_path: Path) -> None:
    path = with_cells(written(run, tmp_path / "log.csv"), "feeder.0.clutch", lambda on: 1 - on)
    said = refused(read_log(path, feeders=["a"]), run)
    assert "feeder.0.clutch" in said
    assert "inverted" in said


def test_carrier_eye_and_clutch_swapped_are_refused(run: LoggedRun, tmp_path: Path) -> None:
    path = with_columns(written(run, tmp_path / "log.csv"), ("carrier_eye", "feeder.0.clutch"))
    said = refused(read_log(path, feeders=["a"]), run)
    assert "are the columns carrier_eye and feeder.0.clutch swapped?" in said


def from_row(path: Path, name: str, row: int, value: str) -> Path:
    """Write one value into a column from a row on."""
    lines = [line.split(",") for line in path.read_text().splitlines()]
    place = lines[0].index(name)
    for cells in lines[row - 1 :]:
        cells[place] = value
    path.write_text("\n".join(map(",".join, lines)) + "\n")
    return path


def test_an_encoder_that_gets_stuck_is_refused(run: LoggedRun, tmp_path: Path) -> None:
    path = written(run, tmp_path / "log.csv")
    value = path.read_text().splitlines()[3999].split(",")[2]
    said = refused(read_log(from_row(path, "encoder_count", 4000, value), feeders=["a"]), run)
    assert "row 4000, encoder_count: stays at" in said
    assert "stuck" in said


@pytest.mark.parametrize(
    "name",
    ["carrier_eye", "feeder.0.eye", "feeder.0.clutch", "feeder.0.command_mm", "feeder.0.actual_mm"],
)
def test_what_never_changes_is_left_out_and_accuses_nobody(
    run: LoggedRun, tmp_path: Path, name: str
) -> None:
    path = from_row(written(run, tmp_path / "log.csv"), name, 2, "0")
    found = learned_from(line_of_card(), [read_log(path, feeders=["a"])], version="")
    assert any("stuck" in remark and "row 2 " in remark for remark in found.logs[0].remarks)
    of = {fault.pattern for read in found.program for fault in read.faults}
    assert not of & {"no_mark", "marks_lost"}


def test_what_stays_to_the_end_is_named_with_its_row(run: LoggedRun, tmp_path: Path) -> None:
    path = from_row(written(run, tmp_path / "log.csv"), "feeder.0.eye", 3000, "1")
    said = [r.text for r in plausible(read_log(path, feeders=["a"]), run.machine).remarks]
    assert any("feeder.0.eye is on from row" in text and "stuck there?" in text for text in said)


def test_a_jump_of_the_clock_leaves_the_speed_as_it_is(run: LoggedRun, tmp_path: Path) -> None:
    path = written(run, tmp_path / "log.csv")
    lines = [line.split(",") for line in path.read_text().splitlines()]
    for cells in lines[4000:]:
        cells[0] = f"{float(cells[0]) + 3600.0:.6f}"
    path.write_text("\n".join(map(",".join, lines)) + "\n")
    found = learned_from(line_of_card(), [read_log(path, feeders=["a"])], version="")
    speed = next(row for row in found.learned if row.what == "line speed")
    assert speed.value == pytest.approx(1000.0, rel=1e-3)


def line_of_card() -> Scenario:
    """The membership card: about the line that was logged."""
    return feedsim.load("scenarios/membership_card.toml").scenario
