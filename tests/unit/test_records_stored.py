"""Records in temporary files: read as arrays are, and the same figures from them."""

from __future__ import annotations

import gc
import tempfile
from collections.abc import Iterator
from dataclasses import fields, replace
from pathlib import Path
from typing import Any
from weakref import WeakValueDictionary

import numpy as np
import pytest

from feedsim.draws.line_draws import RunDraws
from feedsim.errors import FeedsimError
from feedsim.metrics import course, cycle_hazards, rows, spread, spread_intervals
from feedsim.metrics.plain import as_object
from feedsim.metrics.results import summarise
from feedsim.records import stored as stored_module
from feedsim.records.columns import RunRecords
from feedsim.records.stored import StoredColumn, stored
from feedsim.running.run import criteria_of, machine_of
from feedsim.scenario import load_scenario
from feedsim.simulation.line import simulate

SCENARIOS = Path(__file__).parents[2] / "scenarios"


def column(values: Any, *, at_once: int = 7) -> StoredColumn:
    array = np.asarray(values)
    made = StoredColumn(array.dtype)
    for begin in range(0, len(array), at_once):
        made.put(begin, array[begin : begin + at_once])
    return made


@pytest.fixture(autouse=True)
def few_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    for module in (stored_module, course, rows, spread, spread_intervals):
        monkeypatch.setattr(module, "AT_ONCE", 50)
    assert not hasattr(cycle_hazards, "AT_ONCE")  # else it belongs to those above


def test_rows_are_those_of_the_array() -> None:
    values = np.random.default_rng(1).normal(size=300)
    kept = column(values)
    mask = values > 0.5
    for asked in (
        *(slice(None), slice(3, 9), slice(290, 999), slice(40, 40), slice(5, None, 3)),
        *(slice(None, None, -1), slice(-10, None)),
        *(
            mask,
            np.zeros(300, bool),
            np.flatnonzero(mask),
            np.array([7, 3, 299]),
            np.array([], int),
        ),
        *(np.array([0, 299]), 12, -1),
    ):
        assert np.array_equal(kept[asked], values[asked]), asked
    assert len(kept) == 300
    assert kept.shape == values.shape
    assert list(kept) == list(values)


def test_it_reckons_as_the_array_does() -> None:
    kept = column(np.array([1, 2, 3], np.int8))
    assert ((kept != 2) == [True, False, True]).all()
    assert (np.asarray(kept) + kept).tolist() == [2, 4, 6]
    assert np.isnan(column([1.0, np.nan])).tolist() == [False, True]
    assert np.asarray(kept, float).dtype == float


def test_a_row_that_is_written_again_is_replaced() -> None:
    kept = column(np.arange(30.0))
    kept.put(12, np.array([-1.0]))
    assert kept[10:15].tolist() == [10.0, 11.0, -1.0, 13.0, 14.0]
    assert len(kept) == 30


def test_rows_of_several_blocks_are_replaced_at_once() -> None:
    kept, other = column(np.arange(30.0)), column(np.arange(100, 130))
    kept.put(5, -np.arange(5.0, 33.0))
    expected = np.concatenate((np.arange(5.0), -np.arange(5.0, 33.0)))
    assert kept[:].tobytes() == expected.tobytes()
    assert other[:].tolist() == list(range(100, 130))


def test_many_columns_take_one_file(monkeypatch: pytest.MonkeyPatch) -> None:
    # a process may open 1024 files where nobody says otherwise (getrlimit(2), from memory)
    made = []
    usual = tempfile.TemporaryFile

    def noted(**how: Any) -> Any:
        made.append(usual(**how))
        return made[-1]

    monkeypatch.setattr(tempfile, "TemporaryFile", noted)
    monkeypatch.setattr(stored_module, "_files", WeakValueDictionary())
    columns = [column(np.arange(30.0) + k) for k in range(40)]
    assert len(made) == 1
    for k, kept in enumerate(columns):
        assert kept[7:23].tolist() == [row + k for row in range(7, 23)]
    del columns, kept
    gc.collect()
    assert all(file.closed for file in made)


def test_where_there_is_no_room_an_error_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    class Full:
        def seek(self, _: int) -> None: ...

        def write(self, _: object) -> None:
            raise OSError(28, "No space left on device")

        def close(self) -> None: ...

    monkeypatch.setattr(tempfile, "TemporaryFile", lambda **_: Full())
    monkeypatch.setattr(stored_module, "_files", {})
    with pytest.raises(FeedsimError, match=r"cannot keep the records in .*No space left.*TMPDIR"):
        StoredColumn(np.dtype(float)).put(0, np.ones(3))


def blocks_of(records: RunRecords, size: int) -> Iterator[tuple[int, RunRecords]]:
    n = len(records.carriers.eye_time_s)

    def cut(part: Any, some: slice) -> Any:
        columns = {f.name: getattr(part, f.name) for f in fields(part) if f.name != "books"}
        return replace(part, **{name: values[some] for name, values in columns.items()})

    for begin in range(0, n, size):
        some = slice(begin, begin + size)
        feeders = tuple(cut(feeder, some) for feeder in records.feeders)
        yield begin, replace(records, carriers=cut(records.carriers, some), feeders=feeders)


@pytest.mark.parametrize("name", ["membership_card", "two_feeders", "hand_fed", "from_standstill"])
@pytest.mark.parametrize("size", [64, 333])
def test_the_figures_are_the_same_to_the_last_bit(name: str, size: int) -> None:
    changes = ["run.carriers=700", "run.warm_up=30", "feeder.0.insert.misfeed=5 %"]
    scenario = load_scenario(SCENARIOS / f"{name}.toml", overrides=changes)
    machine = machine_of(scenario)
    records = simulate(machine, RunDraws(machine, 3), carriers=730)
    names = [feeder.name for feeder in scenario.feeder]

    def figures(of: RunRecords) -> Any:
        found = summarise(
            replace(of, warm_up=30),
            machine,
            criteria=criteria_of(scenario),
            names=names,
            title="",
            seed=3,
        )
        return as_object(found)

    assert figures(stored(blocks_of(records, size))) == figures(records)
