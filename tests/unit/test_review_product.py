"""What check says of a product before it runs."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

import feedsim
from feedsim.answers.check.study.review import review
from feedsim.criteria import AllowedOverlap
from feedsim.machine import Controller, Encoder
from feedsim.metrics.overlaps import overlaps_mm
from feedsim.scenario import load_scenario
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.overlap import expected_overlap
from feedsim.settings.sources import placement_sd
from tests.machines import (
    NOISY_EYE,
    machine,
    mean_of,
    run,
    settings,
    spread_carriers,
    spread_feeder,
    variance_of,
)

TWO = Path(feedsim.__file__).parents[1] / "scenarios" / "two_feeders.toml"


def said(*overrides: str) -> tuple[str, str]:
    """Return what is said of the line, and its warnings, of the whole line alone."""
    found = review(load_scenario(TWO, overrides=overrides))
    return "\n".join(found.words), "\n".join(found.warnings)


def wants(**limits: str) -> str:
    more = "".join(f', {name}="{value}"' for name, value in limits.items())
    return f'product.pair=[{{below="card feeder", above="leaflet feeder"{more}}}]'


def test_the_example_is_told_in_words():
    """By hand: 30 + 85.6 to 160 mm. At 50 m/min 1500 − 60 − 0.08 s·833.3 = 1373.3 mm.

    The leaflet lands at 1360 mm after 70 mm of run-up, so that its clutch closes at 1290 mm less
    half a 40 ms ramp (16.7 mm) and the lag of its servo, (1 − 0.8)/200 s (0.8 mm), at 1272.5 mm.
    """
    words, warnings = said()
    assert "card feeder and leaflet feeder lie 44.4 mm clear of each other" in words
    assert "The divert gate at 1500 mm must be told by 1373 mm of belt travel" in words
    assert "a miss of leaflet feeder is known at 1272 mm" in words
    assert (
        "at least 42.5 mm clear: that is only 3.1 standard deviations of 0.622 mm away" in warnings
    )
    assert said("product.pair=[]")[1] == ""


@pytest.mark.parametrize(("change", "part"), [
    (wants(max_overlap="-45 mm"), "[product] wants at least 45 mm clear: most products are wrong"),
    (wants(min_overlap="-44 mm"), "[product] wants at most 44 mm clear: most products are wrong"),
    (wants(min_overlap="5 mm"), "[product] wants at least 5 mm on each other: most"),
    (wants(max_overlap="-43 mm"), "at least 43 mm clear: that is only 2.3 standard deviations"),
    ("feeder.1.settings.target_offset=100 mm", "lie 15.6 mm on each other on average"),
    ("divert.gate_time=250 ms", "What leaflet feeder misses is known only 1272 mm after the"),
    ("feeder.1.double_check.finds=0 %", "Nobody tells the divert gate of a double at leaflet"),
])  # fmt: skip
def test_what_cannot_go_well_is_a_warning(change, part):
    assert part in said(change)[1]


def test_a_recipe_without_overlaps_warns_of_one():
    nearer = "feeder.1.settings.target_offset=9 cm"
    warnings = said("product.pair=[]", "product.may_overlap=false", nearer)[1]
    assert "lie 25.6 mm on each other on average, and [product] wants at most edge" in warnings


def test_a_gate_as_far_down_as_advised_is_in_time():
    """1500 + 1272 − (1440 − 0.25·833.3) = 1540.6 mm."""
    late = ("divert.gate_time=250 ms",)
    assert "Put the gate at 1541 mm or further" in said(*late)[1]
    assert "gate" not in said(*late, "divert.at=1542 mm")[1]


@pytest.mark.parametrize("fault", [None, "nothing shared", "one alone"])
def test_the_spread_of_an_overlap_is_that_of_a_run(fault):
    """Sum of the placements' variances less what both share; twins without that must fail."""
    feeders = [
        spread_feeder(
            eye_to_placement_mm=400.0 + 400.0 * i,
            eye=NOISY_EYE,
            settings=settings(target_offset_mm=20.0 + 100.0 * i),
        )
        for i in range(2)
    ]
    carriers = spread_carriers(slip_mm=1.0, slip_sd_mm=0.3)
    line = machine(*feeders, carriers=carriers, carrier_eye=replace(NOISY_EYE, edge_sd_mm=0.4))
    pair = AllowedOverlap(0, 1)
    records = run(line, carriers=4000)
    values = overlaps_mm(records, line, one=0, other=1)
    mean, sd = expected_overlap(line, pair, speed=line.line.speed_mm_s)
    shared = 0.4**2 + 0.3**2 + (line.line.speed_mm_s * 0.0002) ** 2 / 3.0
    theory = {None: sd**2, "nothing shared": sd**2 + 2.0 * shared, "one alone": sd**2 / 2.0}[fault]
    assert abs(mean_of(values).z(mean)) < 4.0
    # rigid, no ticks: what is left are the insert eyes' edges and jitter, (0.1² + 0.2²/3) mm² each
    assert (abs(variance_of(values).z(theory)) < 4.0) is (fault is None)


@pytest.mark.parametrize(
    ("controller", "capture", "apart_mm"),
    [
        (Controller(scan_s=0.002, motion_cycle_s=0.002), "latched", 400.0),  # 200 whole cycles
        (Controller(scan_s=0.002, motion_cycle_s=0.002), "latched", 401.0),  # half a cycle more
        (Controller(scan_s=0.003, motion_cycle_s=0.002), "scanned", 401.2),
        (Controller(scan_s=0.0031, motion_cycle_s=0.0019), "scanned", 400.0),
    ],
)
def test_closings_that_go_by_one_count_and_one_clock_err_together(controller, capture, apart_mm):
    """The wait of one follows from that of the other; a twin of waits that do not fails.

    That twin's variance is what one feeder has of its closing tick, of each scan too, twice over
    ((cycle² − γ²)/12 and scan²/12, MODEL.md section 13, fact 4).
    """
    feeders = [
        spread_feeder(
            eye_to_placement_mm=400.0 + apart_mm * i,
            settings=settings(target_offset_mm=20.0 + 100.0 * i),
        )
        for i in range(2)
    ]
    eye = replace(NOISY_EYE, scanned=capture == "scanned")
    one_more = {"carrier_eye": eye, "controller": controller, "encoder": Encoder(scale_error=0.002)}
    line = machine(*feeders, carriers=spread_carriers(), **one_more)
    values = overlaps_mm(run(line, carriers=4000), line, one=0, other=1)
    v = line.line.speed_mm_s
    mean, sd = expected_overlap(line, AllowedOverlap(0, 1), speed=v)
    alone = sum(placement_sd(FeederAtSpeed(line, one, v)) ** 2 for one in line.feeders)
    both_see = 2.0 * (0.1**2 + (v * 0.0002) ** 2 / 3.0)
    # ε times the travel between placements and between targets, MODEL.md section 13, fact 5
    scaled = mean_of(values).z(mean + 0.002 * (apart_mm + 100.0))
    assert abs(scaled) > 4.0
    assert abs(mean_of(values).z(mean)) < 4.0
    assert abs(variance_of(values).z(sd**2)) < 4.0
    assert abs(variance_of(values).z(alone - both_see)) > 4.0
