"""The speed at which counted shares reach what is allowed, and the interval of a difference.

The truth is set here: a share of p(v) = exp((v - w)/s)·a at speed v reaches the allowed a at v = w.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from feedsim.answers.tune.study.terms import Counts, Worth, crossing, differs, to_look_at

MOST = np.array([0.003])
RUNS, CARRIERS = 10, 4000


def share(speed: float, limit: float, scale: float = 60.0) -> float:
    return min(1.0, MOST[0] * float(np.exp((speed - limit) / scale)))


def counts(cards: NDArray[np.float64], p: float) -> Counts:
    """Return the hits among cards that each have a threshold: the same cards at any speed."""
    hits = (cards < p).sum(axis=1).astype(np.float64)
    return Counts(hits[:, None], np.full((RUNS, 1), float(cards.shape[1])))


def found_at(cards: NDArray[np.float64], limit: float, start: float) -> Worth:
    seen: dict[float, Counts] = {}
    while wanted := to_look_at(seen, MOST, start):
        for speed in wanted:
            seen[speed] = counts(cards, share(speed, limit))
    result = crossing(seen, MOST)
    assert result is not None
    return result


@pytest.mark.parametrize("start", [400.0, 990.0, 1000.0, 2500.0])
def test_it_is_found_from_wherever_one_begins(start: float) -> None:
    # cards that stand for the whole distribution: each run has the same share to 1/CARRIERS
    even = np.tile((np.arange(200_000) + 0.5) / 200_000, (RUNS, 1))
    # straight in the logarithm, so what is left is counting: ln(1 + 1/(0.003·2e6)) of the scale
    assert found_at(even, 1000.0, start).value == pytest.approx(1000.0, abs=0.5)


def test_it_is_none_where_it_is_out_of_reach() -> None:
    cards = np.random.Generator(np.random.PCG64(1)).random((RUNS, CARRIERS))
    for p in (0.0, 1.0):  # never, and always
        seen: dict[float, Counts] = {}
        for _ in range(40):
            wanted = to_look_at(seen, MOST, 1000.0)
            if not wanted:
                break
            for speed in wanted:
                assert 240.0 < speed < 4200.0
                seen[speed] = counts(cards, p)
        assert crossing(seen, MOST) is None


def test_a_share_that_jumps_is_enclosed_and_says_how_closely() -> None:
    seen: dict[float, Counts] = {}
    cards = np.full((RUNS, CARRIERS), 0.5)
    while wanted := to_look_at(seen, MOST, 950.0):
        for speed in wanted:
            seen[speed] = counts(cards, 1.0 if speed > 1003.7 else 0.0)
    found = crossing(seen, MOST)
    assert found is not None
    assert abs(found.value - 1003.7) <= 2.0 * found.apart <= 5e-4 * 1004.0
    size, (low, high) = found.over(found)
    assert size == 0.0
    assert high - low == pytest.approx(4.0 * found.apart)


def covered(*, paired: bool) -> tuple[float, float]:
    """Return how often the interval of a difference of 20 mm/s holds it, and its mean width."""
    hits, wide = 0, 0.0
    seeds = 200
    for seed in range(seeds):
        random = np.random.Generator(np.random.PCG64(seed))
        cards = random.random((RUNS, CARRIERS))
        others = cards if paired else random.random((RUNS, CARRIERS))
        one, other = found_at(cards, 1020.0, 1000.0), found_at(others, 1000.0, 1000.0)
        _, (low, high) = differs(one.value, one.without, other.value, other.without)
        hits += low <= 20.0 <= high
        wide += (high - low) / seeds
    return hits / seeds, wide


def test_the_interval_of_a_difference_covers_it_and_pairing_narrows_it() -> None:
    # 95 % of 200: standard error 1.54 %, so |z| < 4 from 88.8 % on; more is no fault
    share_paired, width_paired = covered(paired=True)
    share_apart, width_apart = covered(paired=False)
    assert share_paired > 0.888
    assert share_apart > 0.888
    assert width_paired < 0.7 * width_apart


def test_an_interval_that_takes_runs_for_one_another_would_be_found() -> None:
    """A planted fault: the deviations of too few runs, as if each were there four times."""
    hits, seeds = 0, 200
    for seed in range(seeds):
        cards = np.random.Generator(np.random.PCG64(seed)).random((RUNS, CARRIERS))
        one, other = found_at(cards, 1020.0, 1000.0), found_at(cards, 1000.0, 1000.0)
        size, (low, high) = differs(one.value, one.without, other.value, other.without)
        low, high = size + 0.25 * (low - size), size + 0.25 * (high - size)
        hits += low <= 20.0 <= high
    assert hits / seeds < 0.888
