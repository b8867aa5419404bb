"""How long a level must last, against elementary sampling and against sums over phases."""

from __future__ import annotations

import math

import numpy as np
import pytest

from feedsim.machine import Controller, Eye
from feedsim.probability.distribution import Distribution
from feedsim.settings.levels import averaged, gap_lasts, level_lasts

POLLED = Eye(scanned=True, polled=True)


def lost(length_s: float, eye: Eye, scan_s: float) -> float:
    """Return the share of levels of one length that are not seen."""
    needs = level_lasts(eye, Controller(scan_s=scan_s))
    return Distribution(length_s).plus(needs.times(-1.0)).share_below(0.0)


@pytest.mark.parametrize("length", [0.1, 0.3, 0.5, 0.9])
def test_a_pulse_shorter_than_a_scan_is_missed_with_1_less_their_ratio(length: float) -> None:
    # max(0, 1 - L/T): elementary, and counted here: scans at n*T, the pulse from a phase on
    phases = (np.arange(100_000) + 0.5) / 100_000
    counted = float(np.mean(np.ceil(phases) - phases > length))
    assert counted == pytest.approx(max(0.0, 1.0 - length), abs=1e-5)
    assert lost(length, POLLED, 1.0) == pytest.approx(counted, abs=3e-4)


@pytest.mark.parametrize("length", [1.001, 1.5, 7.0])
def test_a_pulse_longer_than_a_scan_is_never_missed(length: float) -> None:
    assert lost(length, POLLED, 1.0) == pytest.approx(0.0, abs=3e-4)


def test_a_filter_is_all_or_nothing_for_one_length() -> None:
    eye = Eye(filter_s=0.3)
    assert [lost(x, eye, 1.0) for x in (0.2, 0.299, 0.301, 0.5)] == [1.0, 1.0, 0.0, 0.0]


@pytest.mark.parametrize("scan", [0.0, 0.2, 0.5, 1.0])
@pytest.mark.parametrize("length", [0.25, 0.35, 0.8])
def test_filter_and_scan_together_want_the_longer_of_both(scan: float, length: float) -> None:
    # input on from s + 0.3 to o + 0.3, where o - s = length; not at all if that is below 0.3
    eye = Eye(scanned=True, polled=True, filter_s=0.3)
    starts = (np.arange(100_000) + 0.5) / 100_000 * max(scan, 1e-9)
    ticks = np.ceil((starts + 0.3) / scan) * scan if scan else starts + 0.3
    counted = float(np.mean((length < 0.3) | (ticks >= starts + 0.3 + length)))
    assert lost(length, eye, scan) == pytest.approx(counted, abs=1e-3)


@pytest.mark.parametrize("eye", [
    Eye(response_s=0.1, scanned=True, polled=True),
    Eye(response_s=0.1, scanned=True, polled=True, filter_s=0.25),
    Eye(response_s=0.1, filter_s=0.25),
    Eye(response_s=0.1, filter_s=0.05),
])  # fmt: skip
def test_a_gap_at_the_eye_is_longer_by_the_response_in_the_output(eye: Eye) -> None:
    # a gap of x behind the off-response: below 0 the output never drops; else it is off for
    # x + response, which filter and scan must see
    needs = gap_lasts(eye, Controller(scan_s=0.7))
    waits = (np.arange(100_000) + 0.5) / 100_000 * (0.7 if eye.polled else 0.0)
    for x in (-0.05, 0.02, 0.1, 0.2, 0.4, 0.65):
        off = x + eye.response_s
        counted = float(np.mean((x < 0.0) | (off < np.maximum(waits, eye.filter_s))))
        found = Distribution(x).plus(needs.times(-1.0)).share_below(0.0)
        assert found == pytest.approx(counted, abs=1e-3)


def test_averages_over_what_is_needed_are_those_of_a_fine_sum() -> None:
    needs = level_lasts(Eye(scanned=True, polled=True, filter_s=0.3), Controller(scan_s=1.0))
    waits = np.maximum((np.arange(1_000_000) + 0.5) / 1_000_000, 0.3)
    fine = float(np.mean(1.0 - np.exp(-waits / 0.2)))
    found = averaged(lambda need: -math.expm1(-need / 0.2), needs)
    assert found == pytest.approx(fine, abs=1e-6)
