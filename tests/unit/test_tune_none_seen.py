"""A jam risk of which nothing was seen is not 0 for sure; that of two feeders is the worse one's.

Of n independent outcomes without a hit a share up to 1 - e^(1/n) cannot be ruled out at an error e
(Clopper and Pearson 1934, any text on the binomial law).
"""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import pytest

from feedsim.answers.tune.study.bench import bench_of
from feedsim.answers.tune.study.fresh import judge
from feedsim.answers.tune.study.outcome import seen
from feedsim.answers.tune.study.rungs import Believed
from feedsim.answers.tune.study.simulated import FeederRan
from feedsim.answers.tune.study.terms import figure_of, worth
from feedsim.answers.tune.text import _few_cases
from feedsim.metrics.tally import added
from feedsim.running.executor import Local
from feedsim.scenario import Scenario
from tests.tuning import PLAIN, tuning

pytestmark = pytest.mark.usefixtures("quick_engine")

STAGE = "feeder.0.settings.stage_position"
END = 0.0125


def at_60(*overrides: str, **keys: Any) -> Scenario:
    keys = {"carriers": 100, "draws": 20, "assurance": "80 %"} | keys
    return tuning(
        *overrides, knobs=[f"{STAGE}=60 mm,70 mm"], aim="jam_risk", speed="60 m/min", **keys
    )


def test_none_seen_is_not_none() -> None:
    with bench_of(at_60(unsure=["carrier_eye.response=±0.5 ms"]), where=Local(1)) as bench:
        for robust, carriers in ((False, 20 * 50), (True, 20 * 100)):
            found = judge(bench, bench.space.now, near_mm_s=1000.0, robust=robust)
            assert found.value == 0.0
            assert found.interval is not None
            exact = 1.0 - END ** (1.0 / carriers)
            assert 0.9 * exact < found.interval.high < 1.5 * exact
        points = [((place,), 1000.0) for place in (0, 1)]
        runs = bench.counted(points, first=0, runs=2, carriers=100)
        size, ends = worth(*(figure_of(each, "jam_risk") for each in runs), less=True)
        assert size == 0.0
        assert ends is not None
        assert ends.high == -ends.low > 1.0 - 0.05 ** (1.0 / 200)


def test_of_two_feeders_the_worse_one_counts_and_not_the_worse_one_of_each_run() -> None:
    both = PLAIN + PLAIN[PLAIN.index("[[feeder]]") :].replace("card feeder", "other feeder")
    overrides = [
        f"feeder.{n}.{key}" for n in (0, 1) for key in ("nose_limit=61.7 mm", "eye.edge_sd=1 mm")
    ]
    with bench_of(at_60(*overrides, base=both), where=Local(1)) as bench:
        found = judge(bench, bench.space.now, near_mm_s=1000.0, robust=False)
        runs = Believed(bench, bench.space.now, fresh=True).runs(1000.0)
    feeders = [added([run[n].tally for run in runs]) for n in (0, 1)]
    shares = [one.at_risk / one.cycles for one in feeders]
    each = [max(one.tally.at_risk / one.tally.cycles for one in run) for run in runs]
    assert sum(each) / len(each) > 1.1 * max(shares)  # what it must not be
    assert found.value == pytest.approx(max(shares))


def test_of_two_feeders_the_one_that_spreads_more_counts_in_a_front() -> None:
    """They take turns: 1 and 9 mm² are 5 on average, and 9 is the variance of none."""

    def ran(variance_mm2: float) -> FeederRan:
        return FeederRan(tally, placed=101, sum_mm=0.0, squares_mm2=100.0 * variance_mm2)

    with bench_of(at_60(), where=Local(1)) as bench:
        tally = Believed(bench, bench.space.now, fresh=True).runs(1000.0)[0][0].tally
        found = seen(
            bench, [(ran(1.0 + 8.0 * (n % 2)), ran(9.0 - 8.0 * (n % 2))) for n in range(8)]
        )
    assert found.sd_mm == pytest.approx(math.sqrt(5.0))
    assert found.sd_interval_mm is not None
    assert found.sd_interval_mm.low < math.sqrt(5.0) < found.sd_interval_mm.high


@pytest.mark.parametrize(("carriers", "told"), [(10_000, ""), (9_999, "may be missed")])
def test_so_few_carriers_that_chance_accepts_a_machine_are_told(carriers: int, told: str) -> None:
    """Of three times 1 allowed case 1 or none is seen in 20 %: Poisson, 4·e^-3."""
    scenario = at_60("acceptance.jam_risk=1 %", carriers=carriers)
    found = SimpleNamespace(scenario=scenario, unsure=("something",))
    assert told in " ".join(_few_cases(found))  # type: ignore[arg-type]
    assert bool(told) is bool(list(_few_cases(found)))  # type: ignore[arg-type]
