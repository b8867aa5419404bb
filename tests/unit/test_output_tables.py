"""The CSV files say exactly what records and traces hold."""

import csv
import io
import math
from dataclasses import replace

import numpy as np
import pytest

from feedsim.answers.run.tables import carrier_columns, counted_carriers, events_csv
from feedsim.answers.run.tables import carriers_csv as some_carriers_csv
from feedsim.draws.line_draws import RunDraws
from feedsim.records.outcome import Outcome
from feedsim.render import csv_table
from feedsim.simulation.line import simulate_traced
from tests.machines import NOISY_EYE, feeder, machine, run, spread_carriers
from tests.unit import records_builder as by_hand

WORDS = {"outcome"}
NUMBERS = {
    "carrier", "feeder", "insert", "strays", "double", "called_double", "late_engage",
    "late_opening",
}  # fmt: skip


def text_of(content) -> str:
    file = io.BytesIO()
    content(file)
    return file.getvalue().decode("ascii")


def carriers_csv(records):
    return some_carriers_csv(records, counted_carriers(records))


def table_of(content) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text_of(content))))


def test_a_small_run_line_by_line():
    first = by_hand.feeder([by_hand.placed(), by_hand.missed(Outcome.LATE_MARK)])
    second = by_hand.feeder(
        [
            by_hand.placed(placement_error_mm=0.1 + 0.2, demanded_acceleration_mm_s2=math.inf),
            by_hand.placed(insert=12, double=1, late_engage=1, strays=2),
        ]
    )
    lines = text_of(carriers_csv(by_hand.run(first, second))).split("\n")
    assert lines == [
        "carrier,feeder,leading_edge_mm,eye_time_s,outcome,insert,engage_time_s,stage_position_mm,"
        "placement_time_s,offset_mm,placement_error_mm,nose_speed_mm_s,belt_speed_mm_s,"
        "opening_time_s,tail_mm,ready_time_s,demanded_acceleration_mm_s2,strays,double,"
        "called_double,late_engage,late_opening",
        "0,0,260.0,0.26,placed,0,1.0,60.0,1.08,20.0,0.0,1000.0,1000.0,1.15,105.0,1.17,50000.0,"
        "0,0,0,0,0",
        "0,1,260.0,0.26,placed,0,1.0,60.0,1.08,20.0,0.30000000000000004,1000.0,1000.0,1.15,105.0,"
        "1.17,inf,0,0,0,0,0",
        "1,0,520.0,0.52,late_mark,,,,,,,,,,,,,0,0,0,0,0",
        "1,1,520.0,0.52,placed,12,1.0,60.0,1.08,20.0,0.0,1000.0,1000.0,1.15,105.0,1.17,50000.0,"
        "2,1,0,1,0",
        "",
    ]


@pytest.mark.parametrize("warm_up", [0, 7, 40])
def test_reading_it_back_gives_the_records_bit_by_bit(monkeypatch, warm_up):
    monkeypatch.setattr(csv_table, "_ROWS_AT_ONCE", 16)  # several lots, one not full
    busy = feeder(eye=replace(NOISY_EYE, missed=0.2))
    line = machine(busy, feeder(), carriers=spread_carriers(), carrier_eye=busy.eye)
    records = replace(run(line, carriers=40), warm_up=warm_up)
    table = table_of(carriers_csv(records))
    assert [(int(row["carrier"]), int(row["feeder"])) for row in table] == [
        (carrier, number) for carrier in range(warm_up, 40) for number in (0, 1)
    ]
    for number, columns in enumerate(records.feeders):
        mine = table[number::2]
        for name in list(carrier_columns(records, counted_carriers(records)))[4:]:
            column = getattr(columns, name)[warm_up:]
            if name in WORDS:
                assert [row[name] for row in mine] == [Outcome(i).cause for i in column]
            elif name in NUMBERS:
                assert [int(row[name] or -1) for row in mine] == column.tolist()
            else:
                back = np.array([float(row[name] or math.nan) for row in mine])
                np.testing.assert_array_equal(back, column)
    if warm_up == 0:
        assert {row["outcome"] for row in table} >= {"placed", "not_seen"}


def test_no_cell_says_nan_or_minus_one_insert():
    rows = [by_hand.missed(outcome) for outcome in list(Outcome)[1:]]
    for row in table_of(carriers_csv(by_hand.run(by_hand.feeder(rows)))):
        assert row["insert"] == ""
        assert "nan" not in row.values()


def test_events_line_by_line():
    line = machine(feeder())
    _, trace = simulate_traced(line, RunDraws(line, 1), carriers=1)
    table = table_of(events_csv(trace))
    assert [tuple(row.values()) for row in table] == [
        (
            repr(event.time_s),
            event.part,
            event.event,
            "" if event.carrier < 0 else str(event.carrier),
            "" if event.insert < 0 else str(event.insert),
            repr(event.belt_mm),
            "" if math.isnan(event.feed_mm) else repr(event.feed_mm),
        )
        for event in trace.events
    ]
    assert list(table[0]) == [
        "time_s", "part", "event", "carrier", "insert", "belt_mm", "feed_mm"
    ]  # fmt: skip
    assert table[0]["part"] == "carrier_eye"
    assert table[0]["feed_mm"] == ""
    assert "feeder.0.servo" in {row["part"] for row in table}


def test_the_same_run_gives_the_same_bytes():
    line = machine(feeder(), carriers=spread_carriers())
    once, again = (text_of(carriers_csv(run(line, carriers=30))) for _ in range(2))
    assert once == again


def test_rows_of_some_carriers_are_those_of_the_whole_file():
    records = by_hand.run(
        by_hand.feeder([by_hand.placed(insert=i) for i in range(6000)]),
        by_hand.feeder([by_hand.placed(insert=i) for i in range(6000)]),
    )
    whole = text_of(carriers_csv(records)).splitlines()
    some = text_of(some_carriers_csv(records, np.array([3, 4097, 5999]))).splitlines()
    assert some == [whole[0], *(whole[1 + 2 * k + n] for k in (3, 4097, 5999) for n in (0, 1))]
