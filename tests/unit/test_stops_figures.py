"""Figures of stops: what counts, runs put together, tables."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from feedsim.answers.run.stops_text import stops_text
from feedsim.answers.run.tables import stops_csv
from feedsim.draws.line_draws import RunDraws
from feedsim.machine import Clearing, FaultKind, PlannedFault, StopRules, Supervision, When
from feedsim.metrics.results import summarise
from feedsim.metrics.stops import LineStops, Stops, line_stops
from feedsim.records.columns import RunRecords
from feedsim.records.joined import joined
from feedsim.records.outcome import Outcome
from feedsim.records.stop import RecoveryStep, Rule, Stop
from feedsim.simulation.line import simulate
from tests.machines import machine, spread_carriers, spread_feeder
from tests.unit import records_builder as built


def stop(time_s: float, restarted_s: float, *, lost: tuple[int, ...] = (), **more: object) -> Stop:
    base = Stop(Rule.JAM, "", -1, -1, time_s, time_s + 0.5, restarted_s, (lost,), ())
    return replace(base, **more)  # type: ignore[arg-type]


def rows(*stops: Stop, carriers: int = 10, warm_up: int = 0, **more: object) -> RunRecords:
    """Return a run with a carrier every 0.26 s, if the eye times are not told."""
    run = built.run(built.feeder([built.placed()] * carriers), warm_up=warm_up)
    return replace(run, stops=stops, **more)  # type: ignore[arg-type]


def eye_times(run: RunRecords, *times: float) -> RunRecords:
    return replace(run, carriers=replace(run.carriers, eye_time_s=np.array(times)))


def test_only_what_lies_after_the_warm_up_counts() -> None:
    # Warm-up of two carriers: counted from 10 s on, to 100 s. A stop before; one that ends at 14 s,
    # 4 s of which count; one of 20 s; one after the last carrier, of 30 s.
    run = eye_times(
        rows(
            stop(2.0, 6.0, lost=(0,)),
            stop(9.0, 14.0, lost=(1, 2)),
            stop(40.0, 60.0, lost=(3, 4), rule=Rule.NO_INSERT),
            stop(101.0, 131.0),
            carriers=5,
            warm_up=2,
        ),
        5.0,
        10.0,
        20.0,
        39.0,
        100.0,
    )
    figures = line_stops(run)
    assert figures.count == 3
    assert figures.by_rule == {"jam": 2, "no_insert": 1}
    assert figures.downtime_s == pytest.approx(4.0 + 20.0 + 30.0)
    assert figures.uptime_s == pytest.approx(90.0 - 24.0)
    assert figures.availability == pytest.approx(66.0 / 120.0)
    assert figures.downtime_by_rule_s == pytest.approx({"jam": 34.0, "no_insert": 20.0})
    assert figures.mean_downtime_s == pytest.approx(18.0)
    assert figures.lost_by_rule == {"jam": 1, "no_insert": 2}  # carrier 1 is of the warm-up
    assert (figures.lost_carriers, figures.lost_by_feeder) == (3, (3,))


def test_a_run_that_was_given_up_is_down_to_its_end() -> None:
    run = eye_times(rows(stop(6.0, math.nan), carriers=3), 2.0, 5.0, math.nan)
    figures = line_stops(replace(run, end_time_s=16.0, gave_up="why"))
    assert (figures.uptime_s, figures.downtime_s) == pytest.approx((6.0, 10.0))
    assert (figures.gave_up, figures.never_came) == ("why", 1)
    # given up in the warm-up: counted from the start of the belt
    warm = replace(run, warm_up=3, end_time_s=16.0, gave_up="why")
    assert line_stops(warm).uptime_s == pytest.approx(6.0)


def test_a_line_that_nothing_can_stop_has_the_plain_figures() -> None:
    line = machine()
    for supervision, kind in [(None, Stops), (Supervision(), LineStops)]:
        results = summarise(
            rows(),
            replace(line, supervision=supervision),
            criteria=built.CRITERIA,
            names=["one"],
            title="t",
            seed=1,
        )
        assert type(results.stops) is kind
        assert results.stops.availability == 1.0
        assert results.complete.per_hour == pytest.approx(10 / 2.6 * 3600.0)


MACHINE = machine(spread_feeder(), carriers=spread_carriers())
FAULTS = tuple(PlannedFault(When(t), FaultKind.CARRIER_JAM) for t in (2.0, 30.0, 50.0))
CHANCY = StopRules(clearing=Clearing(20.0, exponential=True))
STOPPED = replace(MACHINE, supervision=Supervision(CHANCY, faults=FAULTS))


def one(replication: int, warm_up: int) -> RunRecords:
    draws = RunDraws(STOPPED, 5, replication=replication)
    return replace(simulate(STOPPED, draws, carriers=100), warm_up=warm_up)


@pytest.mark.parametrize("warm_up", [0, 12])
def test_runs_put_together_have_the_stops_of_all(warm_up: int) -> None:
    runs = [one(replication, warm_up) for replication in range(4)]
    together, alone = line_stops(joined(runs)), [line_stops(run) for run in runs]
    assert sum(a.count for a in alone) >= 4
    assert together.count == sum(a.count for a in alone)
    assert together.downtime_s == pytest.approx(sum(a.downtime_s for a in alone), rel=1e-9)
    assert together.uptime_s == pytest.approx(sum(a.uptime_s for a in alone), rel=1e-9)
    assert together.lost_carriers == sum(a.lost_carriers for a in alone)
    rows = joined(runs).feeders[0]
    lost = sorted(c for s in joined(runs).stops for c in s.lost[0])
    assert lost == np.flatnonzero(rows.outcome == Outcome.LINE_STOP).tolist()
    times = [s.time_s for s in joined(runs).stops]
    assert times == sorted(times)


def test_runs_of_which_one_was_given_up() -> None:
    run = one(0, 0)
    times = run.carriers.eye_time_s.copy()
    times[-5:] = math.nan
    end = float(np.nanmax(times)) + 40.0
    given_up = replace(run, carriers=replace(run.carriers, eye_time_s=times))
    given_up = replace(given_up, end_time_s=end, gave_up="why")
    together = joined([given_up, one(1, 0)])
    assert together.gave_up == "why"
    assert line_stops(together).never_came == 5
    assert line_stops(one(1, 0)).never_came == 0
    assert np.isfinite(together.carriers.eye_time_s[-1])
    assert together.carriers.eye_time_s[100] > end - 1e-9  # the second run begins after the first


def test_a_row_for_each_stop() -> None:
    steps = (RecoveryStep(61.0, "cleared"), RecoveryStep(63.0, "inserts_cleared", 1, 2))
    first = stop(0.5, 63.0, lost=(3, 4), cause="double", feeder=0, carrier=3, steps=steps)
    last = stop(70.0, math.nan, rule=Rule.EMERGENCY_STOP)
    lines = stops_csv(rows(first, last)).decode("ascii").splitlines()
    assert lines[0] == (
        "stop,rule,cause,feeder,carrier,time_s,at_rest_s,restarted_s,downtime_s,lost,"
        "lost_carriers,recovery,within"
    )
    recovery = "cleared@61.000000 inserts_cleared:1=2@63.000000"
    assert lines[1] == f"0,jam,double,0,3,0.5,1.0,63.0,62.5,2,0:3 0:4,{recovery},"
    assert lines[2] == "1,emergency_stop,,,,70.0,70.5,,,0,,,"
    assert len(lines) == 3


def said(stops: LineStops) -> str:
    return "\n".join(stops_text(stops))


def test_the_table_of_stops_in_words() -> None:
    figures = line_stops(rows(stop(0.5, 60.5, lost=(2,)), stop(70.0, 80.0, rule=Rule.NO_INSERT)))
    text = said(figures)
    assert [line.split() for line in text.splitlines() if line.startswith("  ")][1:4] == [
        ["jam", "1", "60", "s", "1"],
        ["no", "insert", "1", "10", "s", "0"],
        ["all", "2", "70", "s", "1"],
    ]
    assert "GIVEN UP" not in text
    assert said(line_stops(rows())).strip() == ""
    assert "THE RUN WAS GIVEN UP: no luck" in said(replace(figures, gave_up="no luck"))
