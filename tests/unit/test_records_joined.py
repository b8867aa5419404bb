"""Several runs of one machine as one record."""

from __future__ import annotations

from dataclasses import fields, replace
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from feedsim.draws.line_draws import RunDraws
from feedsim.metrics.course import Course
from feedsim.metrics.means import mean_interval
from feedsim.metrics.plain import as_object
from feedsim.records.columns import RunRecords
from feedsim.records.joined import joined
from feedsim.records.stored import ReadColumn, StoredColumn, stored
from feedsim.running import engines
from feedsim.running.run import run_scenario
from feedsim.scenario import load_scenario
from feedsim.simulation.line import simulate
from tests.machines import machine, spread_carriers, spread_feeder

SCENARIOS = Path(__file__).parents[2] / "scenarios"
MACHINE = machine(spread_feeder(), carriers=spread_carriers())


def one(replication: int, warm_up: int = 0) -> RunRecords:
    records = simulate(MACHINE, RunDraws(MACHINE, 5, replication=replication), carriers=30)
    return replace(records, warm_up=warm_up)


def test_a_single_run_stays_as_it_is() -> None:
    run = one(0)
    assert joined([run]) is run


@pytest.mark.parametrize("warm_up", [0, 7])
def test_counted_rows_follow_each_other_and_time_goes_on(warm_up: int) -> None:
    runs = [one(replication, warm_up) for replication in range(3)]
    together = joined(runs)
    counted = 30 - warm_up
    assert together.begins == (0, counted, 2 * counted)
    assert together.warm_up == 0
    for number, run in enumerate(runs):
        rows = slice(number * counted, (number + 1) * counted)
        for name in ("placement_error_mm", "stage_position_mm", "tail_mm", "outcome"):
            here = getattr(together.feeders[0], name)[rows]
            np.testing.assert_array_equal(here, getattr(run.feeders[0], name)[warm_up:])
        took = together.feeders[0].ready_time_s[rows] - together.feeders[0].engage_time_s[rows]
        alone = run.feeders[0].ready_time_s - run.feeders[0].engage_time_s
        np.testing.assert_allclose(took, alone[warm_up:], rtol=0.0, atol=1e-12)
    spans = [
        run.carriers.eye_time_s[-1] - (run.carriers.eye_time_s[warm_up - 1] if warm_up else 0.0)
        for run in runs
    ]
    last = together.carriers.eye_time_s[-1] - together.start_time_s
    assert last == pytest.approx(sum(spans), rel=1e-12)
    books = [run.feeders[0].books for run in runs]
    assert together.feeders[0].books.drawn == sum(b.drawn for b in books)


@pytest.mark.parametrize("warm_up", [0, 7])
def test_runs_that_lie_in_files_are_joined_where_they_lie(
    warm_up: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    runs = [one(replication, warm_up) for replication in range(3)]
    whole = joined(runs)
    most = 0
    read = StoredColumn._read

    def noted(column: StoredColumn, start: int, stop: int) -> object:
        nonlocal most
        most = max(most, stop - start)
        return read(column, start, stop)

    monkeypatch.setattr(StoredColumn, "_read", noted)
    kept = joined([replace(stored([(0, run)]), warm_up=warm_up) for run in runs])
    assert most <= 1, "a column was read whole to join it"
    assert kept.begins == whole.begins
    rng = np.random.default_rng(1)
    pairs = zip((kept.carriers, *kept.feeders), (whole.carriers, *whole.feeders), strict=True)
    for ours, theirs in pairs:
        for name in (f.name for f in fields(theirs) if f.name != "books"):
            column, expected = getattr(ours, name), getattr(theirs, name)
            assert not isinstance(column, np.ndarray)
            assert column.dtype == expected.dtype
            assert column[:].tobytes() == expected.tobytes(), name
            if n := len(expected):
                low, high = sorted(rng.integers(0, n, 2))
                assert column[low:high].tobytes() == expected[low:high].tobytes()
                mask = rng.random(n) < 0.3
                assert column[mask].tobytes() == expected[mask].tobytes()
                assert column[-1].tobytes() == expected[-1].tobytes()


def test_runs_of_which_some_are_held_are_read_the_same_each_time() -> None:
    runs = [one(replication, 7) for replication in range(3)]
    expected = joined(runs).carriers.eye_time_s.copy()
    last = replace(stored([(0, runs[2])]), warm_up=7)
    mixed = joined([*runs[:2], last]).carriers.eye_time_s
    for _ in range(2):
        assert mixed[:].tobytes() == expected.tobytes()


def test_the_interval_of_several_runs_is_that_of_their_means() -> None:
    rng = np.random.default_rng(1)
    runs = [rng.normal(size=50) + shift for shift in (0.0, 0.3, -0.2, 0.1)]
    found = mean_interval(np.concatenate(runs), course=Course((0, 50, 100, 150)))
    means = [run.mean() for run in runs]
    expected = stats.t.interval(0.95, 3, loc=np.mean(means), scale=stats.sem(means))
    assert found == pytest.approx(expected, rel=1e-9)


def test_a_run_that_placed_nothing_is_no_batch() -> None:
    assert Course((0, 5, 5)).runs(10) == [slice(0, 5), slice(5, 10)]
    assert Course((0, 0)).runs(10) == [slice(0, 10)]


@pytest.mark.usefixtures("quick_engine")
def test_the_figures_of_runs_too_long_to_hold_are_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    changes = ["run.carriers=400", "run.warm_up=20", "feeder.0.insert.misfeed=3 %"]
    scenario = load_scenario(SCENARIOS / "two_feeders.toml", overrides=changes)
    held = run_scenario(scenario, replications=3)
    monkeypatch.setattr(engines, "MOST_HELD", 1000)  # each for itself is shorter
    lying = run_scenario(scenario, replications=3)
    assert isinstance(lying.records.feeders[0].insert, ReadColumn)
    assert as_object(lying.results) == as_object(held.results)
