"""The verdict of a search is right as often as it says, and that on its own cards is not.

All of it at its full size, over 100 seeds, is in ``tests/benchmarks/test_tune.py``.
"""

from __future__ import annotations

from collections.abc import Sequence
from statistics import fmean
from types import SimpleNamespace
from typing import Any

import pytest

from feedsim.answers.tune.study.bench import bench_of
from feedsim.answers.tune.study.fresh import judge, machines_needed
from feedsim.answers.tune.study.rungs import Believed, highest, rung_of, speed_at
from feedsim.draws.unsure import SEARCH, VERDICT, deviations
from feedsim.running.executor import Local
from tests.tuning import TOLERANCE_MM, WITHIN, known_line, known_speed, tuning

pytestmark = pytest.mark.usefixtures("quick_engine", "few_long_runs")

SEEDS = range(1, 9)
FEW = range(1, 5)


def test_a_robust_verdict_is_right_and_its_interval_holds_the_truth():
    """Of 4 verdicts that are each right in 95 % two are wrong once in 70 (binomial)."""
    assurance, edge = 0.8, 0.2
    truth, right, inside = known_speed(edge, assurance), 0, 0
    for seed in FEW:
        line = known_line(seed, edge_mm=edge, assurance=assurance, carriers=200, draws=20)
        with bench_of(line, where=Local(1)) as bench:
            found = judge(bench, bench.space.now, near_mm_s=truth, robust=True)
        assert found.verdict == "accepted"
        assert found.verdict_speed_mm_s is not None
        assert found.interval is not None
        right += found.verdict_speed_mm_s <= truth
        inside += found.interval.low <= truth <= found.interval.high
    assert right >= len(FEW) - 1
    assert inside >= len(FEW) - 1


def claims(seed: int, *, fresh: bool) -> bool:
    """Tell whether a speed that is claimed to be accepted is, on a line whose speed is known.

    The response is v·j off, uniform, and nothing else varies: within the tolerance t lie t/(v·j),
    which is W at v = t/(j·W). With ``fresh`` the claim is the verdict's, else that of the cards on
    which the speed was found.
    """
    jitter = 0.001
    truth = TOLERANCE_MM / (jitter * WITHIN)
    line = tuning(
        f"seed={seed}",
        "carrier_eye.response_jitter=1 ms",
        f"acceptance.within_tolerance={100.0 * WITHIN} %",
        "acceptance.missed=20 %",
        "acceptance.jam_risk=20 %",
        knobs=["carrier_eye.edge_sd=0.1,0.2 mm"],
        carriers=400,
    )
    with bench_of(line, where=Local(1)) as bench:
        start = rung_of(bench, truth)
        if fresh:
            found = judge(bench, bench.space.now, near_mm_s=truth, robust=False).verdict_speed_mm_s
        else:
            own = highest(Believed(bench, bench.space.now, fresh=False).accepted, start)
            found = None if own is None else speed_at(bench, own)
        assert found is not None
        return found <= truth


def test_a_verdict_on_the_cards_of_the_search_is_caught():
    """The planted fault: half of the speeds found on some cards are above the truth."""
    assert sum(claims(seed, fresh=True) for seed in SEEDS) >= len(SEEDS) - 2
    assert sum(claims(seed, fresh=False) for seed in SEEDS) < len(SEEDS) - 2


def test_a_machine_accepted_by_luck_at_a_faster_speed_is_not_taken_as_accepted(
    monkeypatch: pytest.MonkeyPatch,
):
    """Told is a speed at which each machine was run, and how many of these were accepted.

    Planted: eight machines that are accepted above the edge of all others, and refused at it and
    one rung below it.
    """
    line = known_line(1, edge_mm=0.2, assurance=0.8, carriers=200, draws=20)
    with bench_of(line, where=Local(1)) as bench:
        edge = rung_of(bench, known_speed(0.2, 0.8))
        near = speed_at(bench, edge)
        order, _ = bench.ranked(bench.space.now, near, fresh=20)
        lucky, asked = set(order[:8]), []

        def met(_setup: Any, numbers: Sequence[int], speed_mm_s: float, *, fresh: int) -> list[Any]:
            rung = rung_of(bench, speed_mm_s)
            asked.extend((number, rung) for number in numbers)
            ups = [rung - edge not in {-1, 0} if n in lucky else rung <= edge for n in numbers]
            return [SimpleNamespace(met=up) for up in ups]

        monkeypatch.setattr(bench, "met", met)
        found = judge(bench, bench.space.now, near_mm_s=near, robust=True)
        assert found.verdict == "accepted"
        assert found.verdict_speed_mm_s == speed_at(bench, edge - 2)
        assert found.drawn is not None
        assert (found.drawn.accepted, found.drawn.drawn) == (20, 20)
        assert any(number in lucky and rung > edge for number, rung in asked)  # the luck was met


def test_machines_that_show_an_assurance_when_all_are_accepted():
    """The chance of that is 0.95^n, at most 1.25 % (after Wilks 1942, whose 5 % take 59)."""
    assert machines_needed(0.95) == 86  # 0.95^85 = 0.01278, 0.95^86 = 0.01214
    assert machines_needed(0.99) == 437  # 0.99^436 = 0.01251, 0.99^437 = 0.01239


@pytest.mark.parametrize(("law", "sd"), [
    ("uniform", 1.0 / 3.0**0.5),  # half a/√3, a/√6: JCGM 100:2008, 4.3.7 and 4.3.9
    ("triangular", 1.0 / 6.0**0.5),
    ("normal", 0.98658 / 3.0),  # cut off at three of its own: √(1 − 2·3·φ(3)/(2Φ(3) − 1))
])  # fmt: skip
def test_the_laws_of_what_is_unsure(law: str, sd: float):
    for kind, n, sure in ((SEARCH, 2000, 0.002), (VERDICT, 20_000, 0.01)):
        drawn = deviations(3, kind, "x", n=n, low=-1.0, high=1.0, law=law)
        assert all(-1.0 <= one <= 1.0 for one in drawn)
        assert abs(fmean(drawn)) < 4.0 * sure
        assert fmean(one * one for one in drawn) ** 0.5 == pytest.approx(sd, rel=4.0 * sure)
