"""Recorded carriers: the file, what it becomes, what stays in the scenario, and what is refused."""

from __future__ import annotations

import json
import math
import re
import statistics
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from feedsim.arrivals import Recorded
from feedsim.errors import FeedsimError
from feedsim.scenario import (
    Scenario,
    load_scenario,
    machine_from,
    override,
    scenario_from_dict,
    scenario_from_text,
    scenario_to_dict,
)
from tests.cli.bad_scenarios.table import BASE, changed

Change = tuple[str, str | None]
RECORDED: list[Change] = [
    ("carrier/arrival", '"recorded"'),
    ("carrier/record", '"p.csv"'),
    *((f"carrier/{key}", None) for key in ("pitch", "pitch_sd", "min_gap", "missing")),
]
TIMES: Change = ("carrier/record_speed", '"60 m/min"')  # 1000 mm/s
END: Change = ("carrier/after_record", '"end"')


def read(folder: Path, content: str | bytes, *changes: Change, **more: list[str]) -> Scenario:
    """Read a scenario whose record has this content, both in a folder that is not the current."""
    (folder / "p.csv").write_bytes(content if isinstance(content, bytes) else content.encode())
    (folder / "a.toml").write_text(changed(*RECORDED, *changes), "utf-8")
    return load_scenario(folder / "a.toml", **more)


def refused(folder: Path, content: str | bytes, *changes: Change) -> list[str]:
    """Return the lines of the refusal, the folder's name taken out."""
    with pytest.raises(FeedsimError) as caught:
        read(folder, content, *changes)
    lines = [re.sub(r'"[^"]*p\.csv"', "FILE", line) for line in caught.value.lines]
    assert all(line.isprintable() and len(line) < 400 for line in lines)
    return lines


# -- files that are right ------------------------------------------------------------------------

PITCHES = {
    "plain": "pitch_mm\n260\n261.5\n",
    "no end of line": "pitch_mm\n260\n261.5",
    "ends of line of other systems": "pitch_mm\r\n260\r\n261.5\r\n",
    "those of old ones": "pitch_mm\r260\r261.5\r",
    "a blank first row": "\npitch_mm\n260\n261.5\n",
    "remarks": "# logged on the line\npitch_mm\n260\n# a pause\n261.5\n",
    "a separator that is named": "sep=;\nn;pitch_mm\n1;260,0\n2;261,5\n",
    "byte order mark": "\ufeffpitch_mm\n260\n261.5\n",
    "blank rows at the end": "pitch_mm\n260\n261.5\n\n  \n\n",
    "blank cells at the end": "n,pitch_mm,x\n1,260,\n2,261.5\n,,\n",
    "more columns": 'logged,"pitch_mm",what\n08:00,260,"a, b"\n08:01,261.5,"two\nlines"\n',
    "a name in capitals, blanks": " Pitch_MM , x\n 260 ,1\n\t261.5,2\n",
    "semicolons and decimal commas": "n;pitch_mm\n1;260,0\n2;261,5\n",
    "semicolons and points": "n;pitch_mm\n1;260\n2;261.5\n",
    "one column and decimal commas": "pitch_mm\n260,0\n261,5\n",
    "tabs": "n\tpitch_mm\n1\t260\n2\t261,5\n",
    "exponents and signs": "pitch_mm\n+2.6e2\n.2615E3\n",
    "cm": "pitch_cm\n26\n26.15\n",
    "m": "pitch_m\n0.26\n0.2615\n",
    # 260/25.4 = 10.236…: not these, but 10.5 in = 266.7 mm, 11 in = 279.4 mm, 1 ft = 304.8 mm
    "in": ("pitch_in\n10.5\n11\n", (266.7, 279.4)),
    "inch": ("pitch_inch\n10.5\n11\n", (266.7, 279.4)),
    "ft": ("pitch_ft\n1\n0.875\n", (304.8, 266.7)),
}


@pytest.mark.parametrize("name", PITCHES)
def test_pitches(name: str, tmp_path: Path) -> None:
    case = PITCHES[name]
    content, pitches = case if isinstance(case, tuple) else (case, (260.0, 261.5))
    assert read(tmp_path, content).carrier.record == pitches


EYE_TIMES = {  # at 1000 mm/s
    "from 0": ("eye_time_s\n0\n0.26\n0.5215\n", (260.0, 261.5)),
    "from anywhere": ("eye_time_s\n-7.25\n-6.99\n-6.7285\n", (260.0, 261.5)),
    # seconds since 1970 with microseconds have more digits than a float
    "since 1970": ("eye_time_s\n1764000000.000001\n1764000000.260001\n1764000000.521502\n",
                   (260.0, 261.501)),
    "ms": ("eye_time_ms\n10\n270\n531.5\n", (260.0, 261.5)),
    "us": ("eye_time_us\n10\n260010\n521510\n", (260.0, 261.5)),
    "min": ("eye_time_min;n\n1;1\n1,005;2\n1,0095;3\n", (300.0, 270.0)),
}  # fmt: skip


@pytest.mark.parametrize("name", EYE_TIMES)
def test_eye_times_are_pitches_at_the_speed_of_the_log(name: str, tmp_path: Path) -> None:
    content, pitches = EYE_TIMES[name]
    scenario = read(tmp_path, content, TIMES)
    assert scenario.carrier.record == pitches
    assert scenario.carrier.record_speed is None  # used up
    # the pitches stay what they are at another line speed; at another speed of the log they grow
    assert read(tmp_path, content, TIMES, ("line/speed", '"30 m/min"')).carrier.record == pitches
    faster = read(tmp_path, content, ("carrier/record_speed", '"120 m/min"'))
    assert faster.carrier.record == pytest.approx([2.0 * pitch for pitch in pitches], rel=1e-15)


def test_a_record_may_be_as_long_as_is_said(tmp_path: Path) -> None:
    assert len(read(tmp_path, "pitch_mm\n" + "260\n" * 100_000).carrier.record) == 100_000
    times = "eye_time_s\n" + "".join(f"{place}\n" for place in range(100_001))
    assert len(read(tmp_path, times, TIMES).carrier.record) == 100_000


def test_carriers_that_touch_do_not_overlap(tmp_path: Path) -> None:
    touching = ("carrier/length", '"8.25 in"')  # 209.55 mm
    assert read(tmp_path, "pitch_in\n8.25\n9\n", touching).carrier.record == (209.55, 228.6)


# -- files that are wrong ------------------------------------------------------------------------

NAMES = (
    'row 1 has to name a column of pitches, such as "pitch_mm" or "pitch_in", or of eye times, '
    '"eye_time_s"; it has'
)
LONG = "2" * 50
A_NUMBER = "needs a number, such as 260.5, without its unit, which is in the head of the column"
SHORT = "needs at least 210 mm (carrier.length): carriers would overlap"
NO_TEXT = "FILE: is not UTF-8 text (line 1); save it as UTF-8"
WRONG = {
    "nothing": ("", ["FILE: is empty"]),
    "only blanks": ("\n \n", ["FILE: is empty"]),
    "no rows": ("pitch_mm\n\n", ['FILE: row 1 names "pitch_mm"; there has to be a pitch below it']),
    "no header": ("260\n261\n", [
        "FILE: row 1 has numbers; it has to name a column of pitches, such as "
        '"pitch_mm" or "pitch_in", or of eye times, "eye_time_s"',
    ]),
    "another column": ("pitch,x\n1,2\n", [f'FILE: {NAMES} "pitch", "x"']),
    "a unit that is none": ("pitch_kg\n1\n", [f'FILE: {NAMES} "pitch_kg"']),
    "a unit of the other": ("eye_time_mm\n1\n", [f'FILE: {NAMES} "eye_time_mm"']),
    "one endless name": ("n" * 70 + ",m" * 99 + ",p\u0007" * 99, [
        f'FILE: {NAMES} "{"n" * 59}…", "m", "m", "m", "m", "m" and more',
    ]),
    "names that cannot be shown": (",".join(["\x07" * 9] * 4), [
        f'FILE: {NAMES} ' + ", ".join(['"' + "\\u0007" * 9 + '"'] * 4)[:100] + " and more",
    ]),
    "many columns": ("a,b,c,d,e,f,g\n", [f'FILE: {NAMES} "a", "b", "c", "d", "e", "f" and more']),
    "two that fit": ("pitch_mm,x,eye_time_s\n260,1,2\n",
                     ['FILE: row 1 names "pitch_mm" and "eye_time_s"; a record has one of them']),
    "one twice": ("pitch_mm,pitch_mm\n260,260\n",
                  ['FILE: row 1 names "pitch_mm" and "pitch_mm"; a record has one of them']),
    "no numbers": (
        "pitch_mm\n260\nnan\ninf\n260 mm\n0x10\n1_000\n260\n",
        [f'FILE, row {row}: found "{text}"; {A_NUMBER}'
         for row, text in ((3, "nan"), (4, "inf"), (5, "260 mm"), (6, "0x10"), (7, "1_000"))],
    ),
    "many that are none": (
        "pitch_mm\n" + "x\n" * 8,
        [*(f'FILE, row {row}: found "x"; {A_NUMBER}'
           for row in range(2, 7)), "and 3 more faulty rows"],
    ),
    "thousands": ("n;pitch_mm\n1;1.260,5\n", [f'FILE, row 2: found "1.260,5"; {A_NUMBER}']),
    "a decimal comma between commas": (
        'n,pitch_mm\n1,260,5\n2,"260,5"\n',
        ["FILE, row 2: has 3 cells, and row 1 names 2; decimal commas need semicolons between "
         "the cells",
         'FILE, row 3: found "260,5"; needs a number with a decimal point; decimal commas need '
         "semicolons between the cells"],
    ),
    "too many cells": ("n;pitch_mm\n1;260;5\n", ["FILE, row 2: has 3 cells, and row 1 names 2"]),
    "a cell left out": ("n,pitch_mm\n1,260\n2\n3, \n",
                        ['FILE, row 3: nothing in column "pitch_mm"',
                         'FILE, row 4: nothing in column "pitch_mm"']),
    "blank rows between": ("pitch_mm\n260\n\n\n260\n;\n260\n",
                           ["FILE, row 3: is blank, with rows after it",
                            "FILE, row 6: is blank, with rows after it"]),
    "no pitches": (
        "pitch_mm\n260\n0\n-260\n1e10\n1e-7\n1e99\n",
        # the sizes of pitches are looked at where all are numbers within reason
        ['FILE, row 7: found "1e99"; that is out of range'],
    ),
    "pitches of no size": (
        "pitch_mm\n260\n0\n-260\n1e10\n1e-7\n",
        ["FILE, row 3: a pitch has to be more than 0", "FILE, row 4: a pitch has to be more than 0",
         "FILE, row 5: a pitch of 1e+10 mm is out of range",
         "FILE, row 6: a pitch of 1e-07 mm is out of range"],
    ),
    "carriers that overlap": (
        "pitch_in\n10\n8.25\n9\n1\n",  # 209.55 mm and 25.4 mm, of carriers of 210 mm
        [f"FILE, row 3: a pitch of 209.55 mm; {SHORT}",
         f"FILE, row 5: a pitch of 25.4 mm; {SHORT}"],
    ),
    "many that overlap": (
        "pitch_mm\n" + "209\n" * 7,
        [*(f"FILE, row {row}: a pitch of 209 mm; {SHORT}" for row in range(2, 7)),
         "and 2 more such pitches"],
    ),
    "too many rows": ("pitch_mm\n" + "260\n" * 100_001, ["FILE: has more than 100,000 rows"]),
    "too large": (b"\n" * 20_000_001, ["FILE: is larger than 20 MB; that is no record"]),
    "not UTF-8": (b"pitch_mm,Ger\xe4t\n260,a\n", [NO_TEXT]),
    "a NUL": (b"pitch_mm\n260\0\n", ["FILE: has a NUL character (row 2); so it is not a CSV file"]),
    "bytes of a picture": (b"\x89PNG\r\n\x1a\n\x00", [NO_TEXT]),
    "a quote that is not closed": ('pitch_mm\n"' + "260\n" * 50_000, [
        "FILE: is not a CSV file: a quote is not closed, or a cell is far too long",
    ]),
    "a long number": (f"pitch_mm\n{LONG}\n", [f'FILE, row 2: found "{LONG}"; {A_NUMBER}']),
    "a page of the web": ("<!DOCTYPE html>\n", [f'FILE: {NAMES} "<!DOCTYPE html>"']),
    "control characters": ("pitch_mm\n\x1b[31m\x07\n",
                           [f'FILE, row 2: found "\\u001b[31m\\u0007"; {A_NUMBER}']),
}  # fmt: skip


@pytest.mark.parametrize("name", WRONG)
def test_a_wrong_file_is_refused_by_file_and_row(name: str, tmp_path: Path) -> None:
    content, lines = WRONG[name]
    expected = [f"carrier.record: {line}" for line in lines]
    assert refused(tmp_path, content) == expected


WRONG_TIMES = {
    "falling": ("eye_time_s\n0\n0.3\n0.2\n0.5\n0.5\n0.8\n", [
        "carrier.record: FILE, row 4: its eye time is not later than that of the row before",
        "carrier.record: FILE, row 6: its eye time is not later than that of the row before",
    ]),
    "one only": ("eye_time_s\n5\n", [
        'carrier.record: FILE: row 1 names "eye_time_s"; there has to be two eye times or more: a '
        "pitch lies between them",
    ]),
    "overlapping": ("eye_time_s\n0\n0.3\n0.5\n", [
        f"carrier.record: FILE, row 4: a pitch of 200 mm; {SHORT}",
    ]),
    "beyond all reason": ("eye_time_s\n0\n1e13\n", [
        'carrier.record: FILE, row 3: found "1e13"; that is out of range',
    ]),
    "a year between": ("eye_time_s\n0\n31536000\n", [  # 3.15e10 mm
        "carrier.record: FILE, row 3: a pitch of 3.15e+10 mm is out of range",
    ]),
    "too many": ("eye_time_s\n" + "".join(f"{place}\n" for place in range(100_002)), [
        "carrier.record: FILE: has more than 100,000 rows",
    ]),
}  # fmt: skip


@pytest.mark.parametrize("name", WRONG_TIMES)
def test_wrong_eye_times(name: str, tmp_path: Path) -> None:
    content, lines = WRONG_TIMES[name]
    assert refused(tmp_path, content, TIMES) == lines


def test_eye_times_need_a_speed_and_pitches_have_none(tmp_path: Path) -> None:
    times = "eye_time_s\n0\n0.3\n"
    assert refused(tmp_path, times) == [
        'carrier.record_speed: found nothing; needs a speed, such as "60 m/min": the belt speed '
        "while these eye times were logged"
    ]
    assert refused(tmp_path, times, ("carrier/record_speed", "60")) == [
        'carrier.record_speed: found 60; needs a speed with its unit, in quotes; write "60 m/min"'
    ]
    assert refused(tmp_path, "pitch_mm\n300\n", TIMES) == [
        'carrier.record_speed: found "60 m/min"; needs to be left out: the record has pitches; '
        "only eye times need a belt speed"
    ]


def test_faults_of_the_file_and_of_the_scenario_come_together(tmp_path: Path) -> None:
    more = [("line/speed", "60"), ("feeder.settings/stage_position", '"130 mm"'), END]
    lines = refused(tmp_path, "pitch_mm\n300\n209\n", ("run/warm_up", "2"), *more)
    assert [line.partition(": ")[0] for line in lines] == [
        "line.speed",
        "carrier.record",
        "run.warm_up",
        "feeder.0.settings.stage_position",
    ]


def test_a_file_that_may_not_be_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    opened = open

    def refuse(path: object, *more: str) -> object:
        if str(path).endswith("p.csv"):
            raise PermissionError(13, "Permission denied")
        return opened(path, *more)  # type: ignore[call-overload]

    (tmp_path / "a.toml").write_text(changed(*RECORDED), "utf-8")
    monkeypatch.setattr("builtins.open", refuse)
    with pytest.raises(FeedsimError, match=r'carrier\.record: ".*p\.csv": may not be read by you'):
        load_scenario(tmp_path / "a.toml")


# -- where the path begins -----------------------------------------------------------------------


def test_a_path_begins_at_the_scenario_or_at_the_current_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "line").mkdir()
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")
    read(tmp_path / "line", "pitch_mm\n260\n")
    (tmp_path / "here/p.csv").write_text("pitch_mm\n270\n", "utf-8")
    (tmp_path / "other.csv").write_text("pitch_mm\n280\n", "utf-8")
    for path in ("../line/a.toml", tmp_path / "line/a.toml"):
        assert load_scenario(path).carrier.record == (260.0,)
        # in an override as well
        changes = ["carrier.record=../other.csv"]
        assert load_scenario(path, overrides=changes).carrier.record == (280.0,)
        changes = [f"carrier.record={tmp_path / 'here/p.csv'}"]
        assert load_scenario(path, overrides=changes).carrier.record == (270.0,)
    text = changed(*RECORDED)
    assert scenario_from_text(text).carrier.record == (270.0,)
    assert scenario_from_text(text, folder=tmp_path / "line").carrier.record == (260.0,)
    # of a scenario that is read already nobody knows where it stood
    scenario = load_scenario(tmp_path / "line/a.toml")
    assert override(scenario, ["carrier.record=p.csv"]).carrier.record == (270.0,)


# -- what stays in the scenario ------------------------------------------------------------------


@pytest.mark.parametrize("after", ["repeat", "end"])
def test_a_scenario_needs_its_file_no_more(after: str, tmp_path: Path) -> None:
    times = "eye_time_s\n0\n0.3\n0.7\n0.9999999\n1.3333333\n1.7\n2\n2.5\n"
    ends = ("carrier/after_record", f'"{after}"')
    scenario = read(tmp_path, times, TIMES, ends)
    (tmp_path / "p.csv").unlink()
    data = scenario_to_dict(scenario)
    assert scenario_from_dict(data) == scenario
    assert scenario_from_dict(json.loads(json.dumps(data))) == scenario
    assert scenario_to_dict(scenario_from_dict(data)) == data
    assert data["carrier"] == {
        "length": "210 mm",
        "arrival": "recorded",
        "record": ["300 mm", "400 mm", "299.9999 mm", "333.3334 mm", "366.6667 mm", "300 mm",
                   "500 mm"],
        "after_record": after,
        "slip": "0 mm",
        "slip_sd": "0 mm",
    }  # fmt: skip
    assert isinstance(hash(scenario), int)


@settings(max_examples=100)
@given(st.lists(st.floats(210.0, 1e9), min_size=1, max_size=20))
def test_every_pitch_comes_back_exactly(pitches: list[float]) -> None:
    data = scenario_to_dict(scenario_from_text(changed(*RECORDED, ("carrier/record", '["1 m"]'))))
    data["carrier"]["record"] = [f"{pitch!r} mm" for pitch in pitches]
    scenario = scenario_from_dict(data)
    assert scenario.carrier.record == tuple(pitches)
    assert scenario_from_dict(scenario_to_dict(scenario)) == scenario


def test_keys_of_a_record_are_not_written_beside_a_pitch() -> None:
    carrier = scenario_to_dict(scenario_from_text(BASE))["carrier"]
    assert list(carrier) == ["length", "pitch", "pitch_sd", "min_gap", "arrival", "missing", "slip",
                             "slip_sd"]  # fmt: skip


def test_a_list_of_any_lengths() -> None:
    pitches = ("carrier/record", '["260 mm", "10.5 in", "0.3 m", " 2.6e2 mm"]')
    scenario = scenario_from_text(changed(*RECORDED, pitches))
    assert scenario.carrier.record == (260.0, 266.7, 300.0, 260.0)
    other = override(scenario, ["carrier.record.1=11 in"])
    assert other.carrier.record == (260.0, 279.4, 300.0, 260.0)


# -- another arrival by an override ----------------------------------------------------------------


def test_another_arrival_leaves_out_what_has_no_place_beside_it(tmp_path: Path) -> None:
    (tmp_path / "p.csv").write_text("pitch_mm\n300\n310\n", "utf-8")
    to_record = ["carrier.arrival=recorded", "carrier.record=p.csv"]
    of_file = scenario_from_text(BASE, overrides=to_record, folder=tmp_path)
    assert (of_file.carrier.pitch, of_file.carrier.record) == (None, (300.0, 310.0))
    paced = scenario_from_text(BASE)
    recorded = override(paced, [to_record[0], 'carrier.record=["300 mm", "310 mm"]'])
    assert recorded == of_file
    # and back again; the keys left out have their defaults then
    back = override(recorded, ["carrier.arrival=paced", "carrier.pitch=260 mm"])
    assert back.carrier.record == ()
    assert override(back, ["carrier.pitch_sd=2 mm"]) == paced


def test_what_overrides_themselves_say_has_to_go_together() -> None:
    with pytest.raises(FeedsimError) as caught:
        scenario_from_text(
            BASE,
            overrides=["carrier.arrival=recorded", 'carrier.record=["1 m"]', "carrier.pitch=1 m"],
        )
    assert [fault.key for fault in caught.value.faults] == ["carrier.pitch"]
    with pytest.raises(FeedsimError, match='needs arrival = "recorded" beside it'):
        scenario_from_text(BASE, overrides=["carrier.arrival=random", "carrier.after_record=end"])
    # without the arrival nothing of the file is left out
    with pytest.raises(FeedsimError, match='needs arrival = "recorded" beside it'):
        scenario_from_text(BASE, overrides=['carrier.record=["1 m"]'])


# -- the machine, and how long the run is ---------------------------------------------------------


def test_the_machine_has_the_records_own_figures(tmp_path: Path) -> None:
    pitches = [260.0, 263.0, 255.5, 300.0, 251.0]
    content = "pitch_mm\n" + "".join(f"{pitch}\n" for pitch in pitches)
    carriers = machine_from(read(tmp_path, content, ("run/warm_up", "0"))).carriers
    law = carriers.arrival
    assert isinstance(law, Recorded)
    assert law.record_mm == tuple(pitches)
    assert law.repeats
    assert carriers.pitch_mm == pytest.approx(statistics.mean(pitches), rel=1e-15)
    assert law.pitch_sd_mm == pytest.approx(statistics.stdev(pitches), rel=1e-14)
    assert law.min_gap_mm == 41.0  # 251 − 210
    ends = machine_from(read(tmp_path, content, ("run/warm_up", "0"), END)).carriers
    assert ends.arrival == replace(law, repeats=False)
    alone = machine_from(read(tmp_path, "pitch_mm\n260\n")).carriers
    assert (alone.pitch_mm, alone.arrival.pitch_sd_mm) == (260.0, 0.0)


@pytest.mark.parametrize(("rows", "wanted", "carriers"), [(9, 500, 4), (6, 500, 1), (505, 500, 500),
                                                          (504, 500, 499), (9, 2, 2)])  # fmt: skip
def test_a_run_that_ends_with_its_record_has_the_carriers_after_the_warm_up(
    rows: int, wanted: int, carriers: int, tmp_path: Path
) -> None:
    content, much = "pitch_mm\n" + "260\n" * rows, ("run/carriers", str(wanted))
    assert read(tmp_path, content, much, END).run.carriers == carriers  # 5 warm up
    assert read(tmp_path, content, much).run.carriers == wanted
    with_more = read(tmp_path, content, END, overrides=[f"run.carriers={wanted}"])
    assert with_more.run.carriers == carriers


# -- whatever stands in the file -----------------------------------------------------------------

CELLS = st.sampled_from(
    ["260", "260.5", "261,5", "0", "-3", "nan", "1e3", "1e400", "", " ", '"', "x", '"2\n60"',
     "\x00", "é", "9" * 45, "1e-3"]
)  # fmt: skip
HEADS = st.sampled_from(
    ["pitch_mm", "pitch_in", "eye_time_s", "eye_time_ms", "n", "", '"', "pitch_", "\ufeffpitch_mm"]
)
TABLES = st.builds(
    lambda head, rows, part, end: end.join([part.join(head), *map(part.join, rows)]).encode(),
    st.lists(HEADS, min_size=1, max_size=3),
    st.lists(st.lists(CELLS, max_size=3), max_size=6),
    st.sampled_from([",", ";", "\t"]),
    st.sampled_from(["\n", "\r\n", "\r"]),
)


KEYS = {"carrier.record", "carrier.record_speed", "run.warm_up"}


def is_read(folder: Path, content: bytes, changes: tuple[Change, ...]) -> bool:
    """Read it, or see it refused in lines that can be printed; tell which."""
    try:
        scenario = read(folder, content, *changes)
    except FeedsimError as error:
        told = all(line.isprintable() and len(line) < 1000 for line in error.lines)
        if not told or not error.faults or not {fault.key for fault in error.faults} <= KEYS:
            raise
        return False
    assert scenario.carrier.record
    assert all(210.0 <= pitch < math.inf for pitch in scenario.carrier.record)
    assert scenario_from_dict(scenario_to_dict(scenario)) == scenario
    return True


@settings(max_examples=400)
@given(
    TABLES | st.text(max_size=60).map(str.encode) | st.binary(max_size=60),
    st.sampled_from([(), (TIMES,), (END,), (TIMES, END, ("run/warm_up", "0"))]),
)
def test_any_file_is_read_or_refused_in_our_words(
    tmp_path_factory: pytest.TempPathFactory, content: bytes, changes: tuple[Change, ...]
) -> None:
    is_read(tmp_path_factory.getbasetemp(), content, changes)


def test_the_reading_of_that_test_tells_right_from_wrong(tmp_path: Path) -> None:
    assert is_read(tmp_path, b"pitch_mm;x\r260,5;x", ())
    assert is_read(tmp_path, b"eye_time_s\n0\n1e0\n2", (TIMES, END, ("run/warm_up", "0")))
    assert not is_read(tmp_path, b"pitch_mm;x\r260,5;x", (END,))  # 5 carriers warm up
