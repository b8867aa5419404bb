"""Placement with polled and filtered eyes: right leads, and what the scan spreads.

A polled eye captures at the first scan at which a card's level is there. While a level lasts for
longer than a scan, its edge comes at a uniform phase of the scan, so that the capture is late by
filter + scan/2 on average, with the variance scan²/12 (standard deviation of a rectangular
distribution, JCGM 100:2008, 4.3.7); the engage travel takes off the mean, v times that spreads.
A shorter level is seen only if a scan falls into it, and then at a uniform place in it.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from feedsim.machine import Controller, Eye, Machine
from tests.machines import (
    Sample,
    machine,
    mean_of,
    run,
    spread_carriers,
    spread_feeder,
    variance_of,
)

pytestmark = pytest.mark.usefixtures("quick_engine")

SCAN_S, FILTER_S = 0.004, 0.003
CARRIERS = 8_000
EYE = Eye(response_s=0.0005, off_response_s=0.0005)
POLLED = replace(EYE, scanned=True, polled=True, filter_s=FILTER_S)
FILTERED = replace(EYE, filter_s=FILTER_S)


def line(carrier: Eye, insert: Eye) -> Machine:
    return machine(
        spread_feeder(eye=insert),
        carriers=spread_carriers(),
        carrier_eye=carrier,
        controller=Controller(scan_s=SCAN_S, motion_cycle_s=0.0),
    )


def errors(what: Machine) -> tuple[Sample, Sample]:
    rows = run(what, carriers=CARRIERS).feeders[0].placement_error_mm
    return mean_of(rows), variance_of(rows)


@pytest.mark.parametrize("polled", [(True, True), (True, False), (False, True)])
def test_the_mean_is_taken_off_and_each_scan_spreads(polled: tuple[bool, bool]) -> None:
    eyes = [POLLED if p else FILTERED for p in polled]
    mean, variance = errors(line(*eyes))
    theory = sum(polled) * (1000.0 * SCAN_S) ** 2 / 12.0
    assert abs(mean.z(0.0)) < 4.0
    assert abs(variance.z(theory)) < 4.0


def test_filtered_latches_are_exact() -> None:
    rows = run(line(FILTERED, FILTERED), carriers=200).feeders[0].placement_error_mm
    assert abs(rows).max() < 1e-6


def test_leads_that_know_of_no_filter_are_found_out() -> None:
    blind = replace(line(EYE, EYE), carrier_eye=POLLED)
    mean, _ = errors(blind)
    assert abs(mean.z(0.0)) > 4.0
    # the filter and half a scan late, at 1000 mm/s
    assert abs(mean.z(1000.0 * (FILTER_S + 0.5 * SCAN_S))) < 4.0
