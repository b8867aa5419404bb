"""Logs: what the recorder writes is read back; odd ones are refused, or mended and told."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from feedsim.draws.line_draws import Phases
from feedsim.errors import FeedsimError
from feedsim.logs import Log, OnOffSignal, read_log
from feedsim.logs.names import hint_of, signal_of
from feedsim.machine import Encoder
from tests.logged import LoggedRun, logged_run, written
from tests.machines import LAGGING, feeder, machine
from tests.random_machines import random_machine

COUNT_MM = 0.05


@pytest.fixture(scope="module")
def run() -> LoggedRun:
    line = machine(feeder(servo=LAGGING), encoder=Encoder(COUNT_MM, 0.001))
    return logged_run(line, carriers=30, seed=3)


def times(run: LoggedRun, part: str, event: str) -> np.ndarray:
    return np.array([e.time_s for e in run.trace.events if (e.part, e.event) == (part, event)])


def holds(level: OnOffSignal, on: np.ndarray, off: np.ndarray) -> None:
    """Every true edge lies in the interval that the log gives it."""
    for known, within, true in (
        (level.on_s, level.on_within_s, on),
        (level.off_s, level.off_within_s, off),
    ):
        assert len(known) == len(true)
        assert np.all(np.abs(known - true) <= within + 1e-9)


@pytest.mark.parametrize("shape", ["samples", "events"])
@pytest.mark.parametrize("rate_hz", [1000.0, 10_000.0])
def test_what_was_recorded_is_read_back(
    run: LoggedRun, tmp_path: Path, shape: str, rate_hz: float
) -> None:
    log = read_log(written(run, tmp_path / "log.csv", shape=shape, rate_hz=rate_hz), feeders=["a"])
    assert (log.shape, log.remarks, log.others, len(log.begins_s)) == (shape, (), (), 1)
    assert log.period_s == pytest.approx(1.0 / rate_hz, rel=1e-6)
    own = log.feeders[0]
    holds(
        own.clutch, times(run, "feeder.0.clutch", "closes"), times(run, "feeder.0.clutch", "opens")
    )
    np.testing.assert_array_less(
        np.abs(log.carrier_eye.on_s - times(run, "carrier_eye", "switches")),
        log.carrier_eye.on_within_s + 1e-9,
    )
    seen = times(run, "feeder.0.insert_eye", "switches")
    np.testing.assert_array_less(np.abs(own.eye.on_s - seen), own.eye.on_within_s + 1e-9)
    assert own.eye.starts_on == (True,)  # an insert is staged over it at the start
    feed = run.trace.feeds[0]
    for values, truth in ((own.command, feed.command), (own.actual, feed.position)):
        some = np.flatnonzero(values.time_s < run.trace.events[-1].time_s)[::101]
        there = np.array([truth(t) for t in values.time_s[some]])
        # a hundredth of a millimetre is half of one off at most, and the time half a microsecond
        assert np.all(np.abs(values.value[some] - there) <= 0.0051 + 1e-6 * 1200.0)
        assert values.step == 0.01
    draws: Phases = run.draws.phases()
    counts = run.trace.belt.positions(log.encoder.time_s) / 1.001 / COUNT_MM + draws.encoder
    # half a microsecond at 1 m/s is a hundredth of a count
    assert np.all(log.encoder.value <= counts + 0.02)
    assert np.all(log.encoder.value >= counts - 1.02)


def test_the_same_seed_writes_the_same_bytes(run: LoggedRun, tmp_path: Path) -> None:
    one = written(run, tmp_path / "a.csv", dropped=0.01, seed=5).read_bytes()
    assert one == written(run, tmp_path / "b.csv", dropped=0.01, seed=5).read_bytes()
    assert one != written(run, tmp_path / "c.csv", dropped=0.01, seed=6).read_bytes()


def test_dropped_rows_are_told_and_edges_know_it(run: LoggedRun, tmp_path: Path) -> None:
    log = read_log(written(run, tmp_path / "log.csv", dropped=0.05), feeders=["a"])
    (remark,) = log.remarks
    assert "rows are missing" in remark.text
    own = log.feeders[0].clutch
    holds(own, times(run, "feeder.0.clutch", "closes"), times(run, "feeder.0.clutch", "opens"))
    assert own.on_within_s.max() > 0.9e-3  # some edges fall where a row is missing


@pytest.mark.parametrize("seed", range(14))
def test_every_line_that_can_be_traced_can_be_logged(seed: int, tmp_path: Path) -> None:
    line = random_machine(seed)
    run = logged_run(line, carriers=12, seed=seed)
    names = [f"f{n}" for n in range(len(line.feeders))]
    for shape in ("samples", "events"):
        log = read_log(written(run, tmp_path / f"{shape}.csv", shape=shape), feeders=names)
        for n, own in enumerate(log.feeders):
            closes = times(run, f"feeder.{n}.clutch", "closes")
            assert len(own.clutch.on_s) <= len(closes)  # those within one look are not seen
        assert log.encoder is not None


# -- rows by hand -------------------------------------------------------------------------------

HEAD = "time_s,carrier_eye,encoder_count,feeder.0.clutch"


def rows(n: int = 200) -> list[str]:
    """A kilohertz; the eye is on for 60 ms of each 100, the clutch likewise, 20 counts a row."""
    return [f"{k / 1000:.3f},{int(k % 100 >= 40)},{20 * k},{int(k % 100 >= 70)}" for k in range(n)]


def reading(tmp_path: Path, text: str | bytes, **options: object) -> Log:
    path = tmp_path / "log.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_log(path, feeders=["card feeder"], **options)


def text_of(body: list[str], head: str = HEAD) -> str:
    return "\n".join([head, *body]) + "\n"


def told(tmp_path: Path, text: str | bytes, **options: object) -> str:
    with pytest.raises(FeedsimError) as error:
        reading(tmp_path, text, **options)
    return str(error.value)


def test_a_plain_log_needs_no_remark(tmp_path: Path) -> None:
    log = reading(tmp_path, text_of(rows()))
    assert log.remarks == ()
    np.testing.assert_allclose(log.carrier_eye.on_s, [0.0395, 0.1395])
    np.testing.assert_allclose(log.carrier_eye.off_s, [0.0995])
    assert list(log.carrier_eye.on_row) == [42, 142]  # the head is row 1, 0.000 s row 2
    assert log.feeders[0].eye is None
    assert log.clock.text(12.3454) == "12.345 s"


@pytest.mark.parametrize(
    ("head", "change"),
    [
        ("time_ms,carrier_eye,encoder_count,feeder.0.clutch", lambda k, c: [f"{k}", *c[1:]]),
        (
            "time,carrier_eye,encoder_count,feeder.0.clutch",
            lambda k, c: [f"14:03:07.{k:03}", *c[1:]],
        ),
        (
            "time,carrier_eye,encoder_count,feeder.0.clutch",
            lambda k, c: [f"2026-11-27T23:59:59.{k + 800}" if k < 200 else "", *c[1:]],
        ),
        ("sample,carrier_eye,encoder_count,feeder.0.clutch", lambda k, c: [f"{k}", *c[1:]]),
        ("time_s,carrier_eye,encoder_count,feeder.clutch", lambda _, c: c),
        ("time_s,carrier_eye,encoder_count,card feeder.clutch", lambda _, c: c),
        ("time_s,Carrier_Eye,encoder_counts,FEEDER.0.CLUTCH", lambda _, c: c),
        (HEAD, lambda _, c: [c[0], {"0": "FALSE", "1": "TRUE"}[c[1]], *c[2:]]),
        (HEAD, lambda _, c: [c[0], c[1], c[2], {"0": "off", "1": "on"}[c[3]]]),
        (HEAD, lambda _, c: [f'"{c[0]}"', *c[1:]]),
    ],
)
def test_other_ways_of_writing_it_read_alike(tmp_path: Path, head: str, change) -> None:
    body = [",".join(change(k, row.split(","))) for k, row in enumerate(rows())]
    log = reading(tmp_path, text_of(body, head), rate_hz=1000.0)
    assert log.remarks == ()
    eye = log.carrier_eye
    np.testing.assert_allclose(eye.on_s - log.begins_s[0], [0.0395, 0.1395], atol=1e-9)
    np.testing.assert_allclose(log.feeders[0].clutch.on_s - log.begins_s[0], [0.0695, 0.1695])


def test_decimal_commas_between_semicolons_read_alike(tmp_path: Path) -> None:
    text = text_of(rows()).replace(",", ";").replace(".0", ",0").replace("feeder,0", "feeder.0")
    log = reading(tmp_path, text.replace("0.1", "0,1"))
    np.testing.assert_allclose(log.carrier_eye.on_s, [0.0395, 0.1395])
    assert log.remarks == ()


def test_the_rate_may_stand_in_the_file(tmp_path: Path) -> None:
    body = [f"{k}," + row.partition(",")[2] for k, row in enumerate(rows())]
    text = "# sampling rate: 1 kHz\n" + text_of(body, HEAD.replace("time_s", "sample"))
    assert reading(tmp_path, text).period_s == pytest.approx(0.001)
    assert "rate" in told(tmp_path, text.partition("\n")[2])


def test_a_time_of_day_is_written_as_the_log_has_it(tmp_path: Path) -> None:
    body = [f"14:03:07.{k:03}," + row.partition(",")[2] for k, row in enumerate(rows())]
    log = reading(tmp_path, text_of(body, HEAD.replace("time_s", "time")))
    assert log.clock.text(log.begins_s[0] + 0.0395) == "14:03:07.040"


def test_time_of_day_goes_over_midnight_and_it_is_said(tmp_path: Path) -> None:
    body = [
        f"{'23:59:59' if k < 100 else '00:00:00'}.{(k + 900) % 1000:03}," + row.partition(",")[2]
        for k, row in enumerate(rows())
    ]
    log = reading(tmp_path, text_of(body, HEAD.replace("time_s", "time")))
    assert [r.row for r in log.remarks] == [102]
    assert "midnight" in log.remarks[0].text
    assert log.ends_s[0] - log.begins_s[0] == pytest.approx(0.199)


def with_cell(row: int, place: int, value: str) -> list[str]:
    """Change one cell; ``row`` as the file counts, 2 the first below the head."""
    body = [line.split(",") for line in rows()]
    body[row - 2][place] = value
    return [",".join(cells) for cells in body]


BINARY = b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR" + bytes(range(256))
REFUSED = {
    "decimal commas in a file of commas": (
        text_of([row.replace(".", ",") for row in rows()]),
        ("row 2", "5 cells", "semicolons"),
    ),
    "a word for a number": (text_of(with_cell(30, 2, "n/a")), ("row 30", "encoder_count", "n/a")),
    "a unit in the cell": (text_of(with_cell(30, 0, "0.028 s")), ("row 30", "time_s", "0.028 s")),
    "not a number": (text_of(with_cell(30, 2, "nan")), ("row 30", "encoder_count", "nan")),
    "infinity": (text_of(with_cell(31, 2, "inf")), ("row 31", "encoder_count", "inf")),
    "underscores": (text_of(with_cell(31, 2, "1_0")), ("row 31", "encoder_count", "1_0")),
    "a blank time": (text_of(with_cell(31, 0, "")), ("row 31", "time_s", "blank")),
    "a level that is none": (text_of(with_cell(9, 1, "7")), ("row 9", "carrier_eye", "0 or 1")),
    "half a count": (text_of(with_cell(9, 2, "140.5")), ("row 9", "encoder_count", "140.5")),
    "columns swapped": (
        text_of([",".join([a, c, b, d]) for a, b, c, d in (row.split(",") for row in rows())]),
        ("row 3", "carrier_eye", "encoder_count has only 0 and 1", "swapped"),
    ),
    "a row in the middle is short": (
        text_of([*rows()[:50], "0.050,0", *rows()[51:]]),
        ("row 52", "2 cells", "row 1 names 4"),
    ),
    "a clock that runs backwards once": (
        text_of([*rows()[:120], *rows()[:80]]),
        ("row 122", "time_s", "backwards by 0.119 s", "set back"),
    ),
    "two clocks in one column": (
        text_of([row for pair in zip(rows(), rows()[90:], strict=False) for row in pair]),
        ("row 4", "time_s", "two clocks in one column"),
    ),
    "two columns of times": (
        text_of([f"{row},{k}" for k, row in enumerate(rows())], HEAD + ",time_ms"),
        ("row 1", "two clocks", "time_s", "time_ms"),
    ),
    "times with too few digits": (
        text_of([f"{float(r[:5]):.2f}{r[5:]}" for r in rows()]),
        ("row 3", "time_s", "more digits"),
    ),
    "a counter that is set anew": (
        text_of(with_cell(150, 2, "0")[:149] + rows()[:1] + with_cell(3, 2, "0")[150:]),
        ("row 151", "time_s"),
    ),
    "no head": (text_of(rows()[1:], rows()[0]), ("row 1", "name the columns")),
    "no time": (text_of(rows(), HEAD.replace("time_s", "when")), ("row 1", "time_s")),
    "no known signal": (
        text_of(rows(), "time_s,carrier_eyes,counts,motor"),
        ("row 1", "carrier_eye", "did you mean"),
    ),
    "a travel without a unit": (
        text_of(rows(), HEAD.replace("feeder.0.clutch", "feeder.0.command")),
        ("feeder.0.command", "has no unit", "command_mm"),
    ),
    "one signal twice": (
        text_of([f"{row},0" for row in rows()], HEAD + ",feeder.clutch"),
        ("row 1", "two columns for one signal", "feeder.0.clutch", "feeder.clutch"),
    ),
    "another rate than said": (text_of(rows()), ("row 3", "0.001 s apart", "5000 Hz")),
    "binary": (BINARY, ("not UTF-8", "line 1")),
    "NUL characters": (text_of(rows()).replace("0.050", "0.0\x005").encode(), ("NUL", "row 52")),
    "nothing": ("", ("empty",)),
    "a head alone": (HEAD + "\n", ("0 rows",)),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_cannot_be_used_is_refused_by_row_and_column(tmp_path: Path, name: str) -> None:
    text, words = REFUSED[name]
    options = {"rate_hz": 5000.0} if name == "another rate than said" else {}
    said = told(tmp_path, text, **options)
    assert all(word in said for word in words), said
    assert "log.csv" in said


def test_a_counter_that_falls_back_is_refused(tmp_path: Path) -> None:
    body = rows()
    for k in range(150, 200):
        cells = body[k].split(",")
        body[k] = ",".join([*cells[:2], str(20 * (k - 150)), cells[3]])
    said = told(tmp_path, text_of(body))
    assert "row 152, encoder_count" in said
    assert "found 0 after 2980" in said


def bouncing(body: list[str]) -> list[str]:
    """On, off, on within a millisecond each, as the eye comes on at 40 ms and goes off at 100."""
    for k in (41, 101):
        cells = body[k].split(",")
        body[k] = ",".join([cells[0], str(1 - int(cells[1])), *cells[2:]])
    return body


WRAPPED = [
    ",".join([a, b, str((int(c) + 65_000) % 65_536), d])
    for a, b, c, d in (row.split(",") for row in rows())
]
MENDED = {
    "cut in mid-row": (text_of(rows())[:-8], ("Row 201", "cut short")),
    "cut in its last cell": (text_of(rows())[:-1], ("Row 201", "no line end")),
    "blank values": (text_of(with_cell(30, 2, "")), ("encoder_count", "row 30", "no sample")),
    "blank levels": (text_of(with_cell(30, 1, "")), ("carrier_eye", "row 30", "level is kept")),
    "bouncing edges": (text_of(bouncing(rows(2000))), ("carrier_eye bounces", "row 43")),
    "a counter that wraps": (text_of(WRAPPED), ("65,536", "row 29", "counting goes on")),
    "a counter that falls": (
        text_of([r.replace(f",{20 * k},", f",{-20 * k},") for k, r in enumerate(rows())]),
        ("encoder_count falls", "sign is reversed"),
    ),
    "a stuck signal": (
        text_of([",".join([a, "1", c, d]) for a, _, c, d in (row.split(",") for row in rows())]),
        ("carrier_eye is on from row 2", "stuck"),
    ),
    "a stuck encoder": (
        text_of([",".join([a, b, "7", d]) for a, b, _, d in (row.split(",") for row in rows())]),
        ("encoder_count stays at 7", "stuck"),
    ),
    "24 V for on": (
        text_of([",".join([a, str(24 * int(b)), c, d]) for a, b, c, d in map(_split, rows())])
        if (_split := lambda row: row.split(","))
        else "",
        ("0 or 24", "off and on"),
    ),
    "a gap": (text_of(rows()[:80] + rows()[130:]), ("0.051 s before row 82", "clock jumped")),
    "a clock that jumps": (
        text_of(
            [f"{float(r[:5]) + (3600 if k > 120 else 0):.3f}{r[5:]}" for k, r in enumerate(rows())]
        ),
        ("3600 s before row 123", "clock jumped"),
    ),
    "missing rows": (text_of(rows()[:50] + rows()[52:]), ("2 rows are missing", "row 52")),
    "a row twice": (text_of([*rows()[:50], *rows()[49:]]), ("row 52", "left out")),
}


@pytest.mark.parametrize("name", MENDED)
def test_what_is_mended_is_said(tmp_path: Path, name: str) -> None:
    text, words = MENDED[name]
    log = reading(tmp_path, text)
    (remark,) = log.remarks
    assert all(word in remark.text for word in words), remark.text
    assert remark.row > 0


def test_a_gap_makes_two_stretches_and_hides_its_edges(tmp_path: Path) -> None:
    log = reading(tmp_path, text_of(rows()[:80] + rows()[130:]))
    assert log.begins_s == (0.0, 0.13)
    assert log.ends_s == (0.079, 0.199)
    np.testing.assert_allclose(log.carrier_eye.on_s, [0.0395, 0.1395])
    assert log.carrier_eye.starts_on == (False, False)
    assert len(log.carrier_eye.off_s) == 0  # it went off in the gap


def test_bounces_leave_the_edges_of_a_clean_log(tmp_path: Path) -> None:
    clean, rough = (reading(tmp_path, text_of(b)) for b in (rows(2000), bouncing(rows(2000))))
    np.testing.assert_array_equal(rough.carrier_eye.on_s, clean.carrier_eye.on_s)
    np.testing.assert_array_equal(rough.carrier_eye.off_s, clean.carrier_eye.off_s)


def test_a_wrapped_counter_counts_on(tmp_path: Path) -> None:
    assert np.all(np.diff(reading(tmp_path, text_of(WRAPPED)).encoder.value) == 20.0)


def test_events_with_a_bad_cell_name_it(tmp_path: Path) -> None:
    body = [f"{k / 100},carrier_eye,{k % 2}" for k in range(50)]
    body[20] = "0.2,carrier_eye,high"
    said = told(tmp_path, text_of(body, "time_s,signal,value"))
    assert "row 22, value" in said
    assert '"high"' in said


def test_events_of_other_signals_are_left_out_and_named(tmp_path: Path) -> None:
    body = [f"{k / 100},{'pump' if k % 5 == 4 else 'carrier_eye'},{k % 2}" for k in range(50)]
    log = reading(tmp_path, text_of(body, "time_s,signal,value"))
    assert log.others == ('"pump"',)


@pytest.mark.parametrize(
    ("name", "feeders", "hint"),
    [
        ("Carrier Eye", ["a"], "did you mean carrier_eye?"),
        ("encoder count", ["a"], "did you mean encoder_count?"),
        ("feeder.1.cluch", ["a", "b"], "did you mean feeder.1.clutch?"),
        ("feeder.7.eye", ["a"], "the scenario has 1 feeder, feeder.0"),
        ("feeder.2.actual_mm", ["a", "b"], "the scenario has 2 feeders, feeder.0 to feeder.1"),
        ("pump", ["a"], ""),
        ("temperature_c", ["a"], ""),
    ],
)
def test_what_is_not_read_is_told_what_it_may_mean(
    name: str, feeders: list[str], hint: str
) -> None:
    assert signal_of(name, feeders) is None
    assert hint_of(f'"{name}"', feeders) == hint


def test_stuck_over_part_of_a_run_is_no_fault_of_the_reader(run: LoggedRun, tmp_path: Path) -> None:
    """The same run, its second half without the carrier eye: edges stop, and no other moves."""
    path = written(run, tmp_path / "log.csv")
    lines = path.read_text().splitlines()
    half = len(lines) // 2
    cells = (line.split(",") for line in lines[half:])
    path.write_text(
        "\n".join([*lines[:half], *(",".join([c[0], "0", *c[2:]]) for c in cells)]) + "\n"
    )
    log = read_log(path, feeders=["a"])
    assert log.carrier_eye.on_s[-1] < 0.51 * log.ends_s[0]


def test_events_that_are_missing_while_the_belt_runs_are_a_gap(
    run: LoggedRun, tmp_path: Path
) -> None:
    lines = written(run, tmp_path / "log.csv", shape="events").read_text().splitlines()
    kept = [r for r in lines[1:] if not 2.0 < float(r.partition(",")[0]) < 3.0]
    log = reading(tmp_path, text_of(kept, lines[0]))
    (remark,) = log.remarks
    assert "while the encoder ran on" in remark.text
    assert log.begins_s[1] - log.ends_s[0] == pytest.approx(1.0, abs=0.002)


def test_a_bounce_of_one_sample_is_left_out_where_every_edge_has_one(tmp_path: Path) -> None:
    """At 500 Hz it is 2 ms long; the carrier covers the eye for 200 ms, 300 ms apart."""
    level = [int((n + 110) % 150 < 100 and (n + 110) % 150 != 1) for n in range(3000)]
    rows = "".join(f"{0.002 * n:.3f},{on}\n" for n, on in enumerate(level))
    (tmp_path / "log.csv").write_text(f"time_s,carrier_eye\n{rows}")
    log = read_log(tmp_path / "log.csv", feeders=["a"])
    assert log.carrier_eye is not None
    assert len(log.carrier_eye.on_s) == 20
    assert "carrier_eye bounces" in log.remarks[0].text


@pytest.mark.parametrize("name", ["encoder_count", "feeder.0.actual_mm", "feeder.0.command_mm_s"])
def test_what_is_too_far_is_refused(tmp_path: Path, name: str) -> None:
    rows = "".join(f"{0.001 * n:.3f},{'1e300' if n == 7 else n}\n" for n in range(20))
    (tmp_path / "log.csv").write_text(f"time_s,{name}\n{rows}")
    with pytest.raises(FeedsimError, match=f"row 9, {name}: found 1e"):
        read_log(tmp_path / "log.csv", feeders=["a"])


def test_a_date_and_time_may_end_in_z(tmp_path: Path) -> None:
    rows = "".join(f"2026-03-01T14:03:07.{n:03}Z,{n % 2}\n" for n in range(20))
    (tmp_path / "log.csv").write_text(f"time,carrier_eye\n{rows}")
    log = read_log(tmp_path / "log.csv", feeders=["a"])
    assert log.clock.text(log.begins_s[0]) == "2026-03-01 14:03:07.000"
