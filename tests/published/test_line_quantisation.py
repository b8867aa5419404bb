"""Quantisation and scan wait, seen in the placements of a line with no other imperfection."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from feedsim.machine import Controller, Encoder, Eye, Machine
from feedsim.records.columns import FeederRecords
from tests.machines import (
    machine,
    mean_of,
    run,
    settings,
    spread_carriers,
    spread_feeder,
    variance_of,
)

pytestmark = pytest.mark.usefixtures("either_engine")

N = 6000
SPEED_MM_S = 1000.0
SCAN_S = 0.004


def bare(
    *, ratio: float = 1.0, carrier: bool = False, insert: bool = False, **line: object
) -> Machine:
    """Return a line without responses, leads or noise; ``carrier``, ``insert``: a scanned eye.

    Pitch and gap spread (4 mm) let every count and tick fall anywhere.
    """
    plain = settings(
        engage_lead_s=0.0,
        disengage_lead_s=0.0,
        disengage_distance_mm=60.0 / ratio,
        speed_ratio=ratio,
    )
    return machine(
        spread_feeder(settings=plain, eye=Eye(scanned=insert)),
        speed_m_min=60.0,
        carriers=spread_carriers(),
        carrier_eye=Eye(scanned=carrier),
        **line,
    )


def rows(line: Machine) -> FeederRecords:
    return run(line, carriers=N).feeders[0]


@pytest.mark.parametrize("count", [0.5, 2.0])
def test_quantisation_spreads_by_a_twelfth_of_its_square(count: float) -> None:
    # Quantisation error rms q/√12: Bennett 1948, Spectra of quantized signals, Bell System
    # Technical Journal 27:446-472, from memory. The stage holds one count, a placement two.
    found = rows(bare(encoder=Encoder(count)))
    stage = found.stage_position_mm[1:]
    assert abs(variance_of(stage).z(count**2 / 12.0)) < 4.0
    assert abs(variance_of(found.placement_error_mm[1:]).z(2.0 * count**2 / 12.0)) < 4.0
    # planted fault: the second count forgotten
    assert abs(variance_of(found.placement_error_mm[1:]).z(count**2 / 12.0)) > 4.0
    # evenly spread, not just as wide: a whole number of counts less what had passed of one
    assert 60.0 - count < stage.min() < stage.max() <= 60.0 + 1e-9
    assert stats.kstest(stage, stats.uniform(60.0 - count, count).cdf).pvalue > 1e-4
    assert stats.kstest(stage, stats.norm(60.0 - count / 2.0, count / 12.0**0.5).cdf).pvalue < 1e-4


def test_quantisation_of_the_stage_grows_with_the_speed_ratio() -> None:
    # a count of belt is g counts of feed
    line = bare(ratio=1.5, encoder=Encoder(2.0))
    stage = rows(line).stage_position_mm[1:]
    assert abs(variance_of(stage).z(3.0**2 / 12.0)) < 4.0
    assert abs(variance_of(stage).z(2.0**2 / 12.0)) > 4.0


def test_scan_wait_has_mean_half_a_scan_and_sd_a_scan_by_root_twelve() -> None:
    # Mean T/2 and sd T/√12 of an even wait on 0…T: here from scipy.stats, 4 ms at 1000 mm/s.
    # Rectangular distribution, JCGM 100:2008 (GUM) 4.3.7.
    wait = stats.uniform(0.0, SPEED_MM_S * SCAN_S)
    scan = Controller(scan_s=SCAN_S)
    late = rows(bare(carrier=True, controller=scan)).placement_error_mm
    assert abs(mean_of(late).z(wait.mean())) < 4.0
    assert abs(variance_of(late).z(wait.var())) < 4.0
    assert stats.kstest(late, wait.cdf).pvalue > 1e-4
    far = rows(bare(insert=True, controller=scan))
    assert abs(mean_of(far.stage_position_mm[1:]).z(60.0 + wait.mean())) < 4.0
    assert abs(variance_of(far.stage_position_mm[1:]).z(wait.var())) < 4.0
    # staged too far by a wait, so placed too early by it
    assert far.placement_error_mm[1:] == pytest.approx(60.0 - far.stage_position_mm[1:], abs=1e-9)


def test_two_scan_waits_differ_by_a_scan_by_root_six() -> None:
    # Two equal waits: variances add, T²/12 + T²/12 = T²/6; one against the other, no mean.
    both = bare(carrier=True, insert=True, controller=Controller(scan_s=SCAN_S))
    error = rows(both).placement_error_mm[1:]
    assert abs(mean_of(error).z(0.0)) < 4.0
    assert abs(variance_of(error).z((SPEED_MM_S * SCAN_S) ** 2 / 6.0)) < 4.0
    # a triangle on ±T, as the difference of two even waits is
    assert stats.kstest(error, stats.triang(0.5, -4.0, 8.0).cdf).pvalue > 1e-4


def test_a_latched_capture_does_not_feel_the_scan() -> None:
    found = rows(bare(controller=Controller(scan_s=SCAN_S)))
    assert np.abs(found.placement_error_mm).max() < 1e-9
    assert np.abs(found.stage_position_mm - 60.0).max() < 1e-9


def test_right_settings_take_the_mean_wait_out_and_leave_the_spread() -> None:
    line = bare(carrier=True, controller=Controller(scan_s=SCAN_S))
    f = line.feeders[0]
    right = replace(f.settings, engage_lead_s=SCAN_S / 2.0)
    error = rows(replace(line, feeders=(replace(f, settings=right),))).placement_error_mm
    assert abs(mean_of(error).z(0.0)) < 4.0
    assert abs(variance_of(error).z(16.0 / 12.0)) < 4.0
