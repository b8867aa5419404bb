"""First crossings against dense sampling and a general root finder."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import brentq

from feedsim.motion.crossing import curve_at, first_rise, increasing_root


def curve(poly: tuple[float, float, float], decay: float, rate: float, s: np.ndarray) -> np.ndarray:
    a0, a1, a2 = poly
    return a0 + a1 * s + a2 * s**2 + decay * np.exp(-rate * s)


def sampled(
    poly: tuple[float, float, float], decay: float, rate: float, end: float
) -> tuple[float, bool]:
    """Return the first crossing from a dense grid, and whether the grid can be trusted.

    It cannot where a top comes so close to 0 that it may lie between two points.
    """
    s = np.unique(np.concatenate([np.linspace(0.0, end, 4001), np.geomspace(1e-6, end, 4001)]))
    h = curve(poly, decay, rate, s)
    if h[0] >= 0.0:
        return 0.0, True
    tops = np.flatnonzero((h[1:-1] >= h[:-2]) & (h[1:-1] >= h[2:])) + 1
    scale = max(abs(poly[0]), abs(decay), 1e-9)
    trusted = not (np.abs(h[tops]) < 1e-3 * scale).any() and abs(h[-1]) > 1e-9 * scale
    up = np.flatnonzero(h >= 0.0)
    if not len(up):
        return math.inf, trusted
    i = int(up[0])
    at = brentq(lambda x: float(curve(poly, decay, rate, np.array(x))), s[i - 1], s[i], xtol=1e-14)
    return float(at), trusted


@pytest.mark.parametrize("block", range(4))
def test_first_rise_is_the_first_crossing(block: int) -> None:
    rng = np.random.default_rng(block)
    kinds = {"never": 0, "later": 0, "untrusted": 0}
    for _ in range(250):
        a0 = -abs(float(rng.normal(0.0, 50.0)))
        a1 = float(rng.choice([0.0, 1.0, -1.0])) * float(rng.exponential(100.0))
        a2 = float(rng.choice([0.0, 1.0, -1.0])) * float(rng.exponential(300.0))
        decay = float(rng.choice([0.0, 1.0, -1.0])) * float(rng.exponential(40.0))
        rate = float(rng.choice([3.0, 33.0, 200.0]))
        end = float(rng.choice([0.02, 0.5, 4.0]))
        expected, trusted = sampled((a0, a1, a2), decay, rate, end)
        found = first_rise((a0, a1, a2), decay=decay, rate=rate, end=end)
        if not trusted:
            kinds["untrusted"] += 1
            continue
        kinds["never" if expected == math.inf else "later"] += 1
        assert found == pytest.approx(expected, rel=1e-9, abs=1e-9)
    assert kinds["never"] > 30  # the coefficients must do what they are there for
    assert kinds["later"] > 60
    assert kinds["untrusted"] < 25


def test_the_first_of_two_crossings() -> None:
    # −6 + 5s − s² = −(s − 2)(s − 3)
    assert first_rise((-6.0, 5.0, -1.0), decay=0.0, rate=0.0, end=9.0) == pytest.approx(2.0)
    # it must not be taken for the one beyond the end
    assert first_rise((-6.0, 5.0, -1.0), decay=0.0, rate=0.0, end=1.9) == math.inf


def test_a_top_that_only_the_decay_makes() -> None:
    # h = −1 − s² + s·0 + 3·(1 − e^(−10 s)) starts at −1, is at its top 1.6 near s = 0.28
    poly = (-1.0 + 3.0, 0.0, -1.0)
    expected = brentq(lambda s: 2.0 - s * s - 3.0 * math.exp(-10.0 * s), 0.0, 0.28, xtol=1e-15)
    found = first_rise(poly, decay=-3.0, rate=10.0, end=math.inf)
    assert found == pytest.approx(expected, abs=1e-12)


def test_a_dip_and_a_top_that_lie_close_together() -> None:
    # h = −3.01 + 2.9·s − s² + 3·e^(−s) starts at −0.01 falling, turns, is +0.02 at s = 0.72, and
    # falls for good
    def h(s: float) -> float:
        return -3.01 + 2.9 * s - s * s + 3.0 * math.exp(-s)

    expected = brentq(h, 0.1, 0.72, xtol=1e-15)
    found = first_rise((-3.01, 2.9, -1.0), decay=3.0, rate=1.0, end=9.0)
    assert found == pytest.approx(expected, abs=1e-10)


def test_where_it_starts_and_where_it_ends() -> None:
    assert first_rise((0.0, -1.0, 0.0), decay=0.0, rate=0.0, end=1.0) == 0.0
    assert first_rise((-1.0, 1.0, 0.0), decay=0.0, rate=0.0, end=1.0) == pytest.approx(1.0)
    assert first_rise((-1.0, 1.0, 0.0), decay=0.0, rate=0.0, end=0.999) == math.inf
    assert first_rise((-1.0, 0.0, 0.0), decay=0.0, rate=0.0, end=math.inf) == math.inf
    assert first_rise((-1.0, 1e-4, 0.0), decay=0.0, rate=0.0, end=math.inf) == pytest.approx(1e4)


@pytest.mark.parametrize("target", [1e-9, 0.3, 1.0, 7.0])
def test_increasing_root_against_brentq(target: float) -> None:
    rising = (0.0, 0.01, 0.0, 1.0, 0.0, 0.0, 0.0, target)  # 0.01·s + s³
    expected = brentq(lambda s: s**3 + 0.01 * s - target, 0.0, 3.0, xtol=1e-15, rtol=1e-15)
    for start in (0.0, 0.5, 2.9, -4.0):
        found = increasing_root(rising, 0.0, high=3.0, start=start)
        assert found == pytest.approx(expected, abs=1e-12)


def test_increasing_root_of_a_curve_with_all_its_terms() -> None:
    # 2 + s + s²/2 + s³/4 + s⁴/8 − 3·e^(−4 s) = 5
    def h(s: float) -> float:
        return 2.0 + s + s * s / 2 + s**3 / 4 + s**4 / 8 - 3.0 * math.exp(-4.0 * s) - 5.0

    curve = (2.0, 1.0, 0.5, 0.25, 0.125, -3.0, 4.0, 5.0)
    expected = brentq(h, 0.0, 3.0, xtol=1e-15, rtol=1e-15)
    assert increasing_root(curve, 0.0, high=3.0, start=0.0) == pytest.approx(expected, abs=1e-12)
    value, slope = curve_at(curve, 0.7)
    assert value == pytest.approx(h(0.7), abs=1e-12)
    assert slope == pytest.approx((h(0.7 + 1e-6) - h(0.7 - 1e-6)) / 2e-6, rel=1e-7)


def test_increasing_root_from_where_the_curve_is_flat() -> None:
    # (s − 1.5)³: Newton's step is of no use at 1.5, the bracket is
    curve = (-(1.5**3), 3.0 * 1.5**2, -4.5, 1.0, 0.0, 0.0, 0.0, 0.5)
    found = increasing_root(curve, 0.0, high=4.0, start=1.5)
    assert found == pytest.approx(1.5 + 0.5 ** (1.0 / 3.0), abs=1e-12)
