"""Setups whose best is known in closed form, derived here from the model, found to the step."""

from __future__ import annotations

import math
from itertools import product
from pathlib import Path

import pytest

from feedsim.measures import parse
from tests.tuning import searched, tuning

pytestmark = pytest.mark.usefixtures("quick_engine")

CARD = (Path(__file__).parents[2] / "scenarios" / "membership_card.toml").read_text("utf-8")


def test_the_stage_is_centred_between_its_two_hazards():
    """Nose strike above, tail held below, both with the spread of the insert's edge alone.

    The stage is off by the edge's error e: margin of the nose N − s − e. At the opening tick the
    feed has v·T/2 of the ramp-out before it (feedsim/MODEL.md, 6 and 8), so that the tail that has
    been placed lies at s + gap − v·T/2 + e: margin s + gap − v·T/2 − G + e. Of two equal normal
    tails Φ(−a/σ) + Φ(−b/σ) with a + b fixed is least where a = b (Φ is convex below 0).
    """
    nose_limit, grip_end, gap, speed, ramp_out = 95.0, 100.0, 20.0, 1000.0, 0.02
    best = 0.5 * (nose_limit + grip_end - gap + speed * ramp_out / 2.0)
    scenario = tuning(
        f"feeder.0.nose_limit={nose_limit} mm",
        f"feeder.0.grip_end={grip_end} mm",
        f"feeder.0.insert.gap={gap} mm",
        "feeder.0.insert.gap_sd=0 mm",
        "feeder.0.eye.edge_sd=1 mm",
        "acceptance.jam_risk=5 %",
        "acceptance.placement_tolerance=6 mm",
        "feeder.0.settings.stage_position=91 mm",
        knobs=["feeder.0.settings.stage_position=88:97:0.25 mm"],
        aim="jam_risk",
        speed="60 m/min",
        carriers=2000,
    )
    found = searched(scenario)
    assert abs(parse(found.best.values[0], "length") - best) <= 0.25
    distance = nose_limit - best
    risk = 2.0 * 0.5 * math.erfc(distance / math.sqrt(2.0))
    interval = found.best.interval
    assert interval is not None
    assert interval.low <= risk <= interval.high
    assert found.knobs[0].matters


def test_the_ramp_is_as_long_as_drive_and_run_up_let_it_be():
    """A longer ramp asks less of the drive, and more of the way to the placement point.

    The drive gives a: v ≤ a·T. The nose is near enough to the belt's speed, 1 − m of it, after
    v·(1 − m)²·T/2 of feed (a straight ramp), which may be no more than R = S − stage:
    v ≤ 2·R/((1 − m)²·T). Both bind at T = √(2·R/a)/(1 − m), and the speed is highest there.
    """
    acceleration, way, mismatch = 50_000.0, 240.0 - 180.0, 0.005
    best = math.sqrt(2.0 * way / acceleration) / (1.0 - mismatch)
    scenario = tuning(
        "carrier.length=400 mm",
        "carrier.pitch=900 mm",
        "feeder.0.eye_to_placement=900 mm",
        "feeder.0.insert.length=200 mm",
        "feeder.0.insert.gap=150 mm",
        "feeder.0.insert_eye_to_placement=240 mm",
        "feeder.0.nose_limit=238 mm",
        "feeder.0.settings.stage_position=180 mm",
        "feeder.0.clutch.ramp_out=80 ms",
        "feeder.0.servo.max_acceleration=50 m/s^2",
        f"limits.speed_mismatch={mismatch * 100} %",
        knobs=["feeder.0.clutch.ramp_in=20:80:1 ms"],
        carriers=1000,
    )
    found = searched(scenario)
    assert abs(parse(found.best.values[0], "time") - best) <= 0.001
    assert found.best.value == pytest.approx(acceleration * best, rel=0.025)
    assert found.best.verdict == "accepted"


def test_two_tick_sources_share_what_may_be_spent():
    """The scan of a carrier eye and the motion cycle, each cheaper the longer it is.

    With a scan c that is a whole number of cycles m, the eye's wait spreads by c²/12, the closing
    follows at once, and the opening waits by m²/12 (feedsim/MODEL.md, 13, fact 4; with γ their
    greatest common divisor the closing adds (m² − γ²)/12). So the two weigh alike, and of a fixed
    sum of both each should have half.
    """
    lengths, prices, spend = (1, 2, 3, 4), (300, 200, 100, 0), 400

    def variance(scan: int, cycle: int) -> float:
        return float(scan**2 + cycle**2 + cycle**2 - math.gcd(scan, cycle) ** 2)

    affordable = [
        (a, b) for a, b in product(lengths, lengths) if prices[a - 1] + prices[b - 1] <= spend
    ]
    least = min(affordable, key=lambda pair: variance(*pair))
    assert least == (2, 2)
    scenario = tuning(
        "carrier_eye.capture=scanned",
        "controller.scan=4 ms",
        "controller.motion_cycle=4 ms",
        "acceptance.placement_tolerance=12 mm",
        "tune.knob=[" + ", ".join(
            f'{{key="controller.{name}", values=["1 ms", "2 ms", "3 ms", "4 ms"], '
            f"price={list(prices)}}}"
            for name in ("scan", "motion_cycle")
        ) + "]",
        knobs=(),
        aim="spread",
        spend=spend,
        carriers=4000,
    )  # fmt: skip
    found = searched(scenario)
    assert found.best.values == ("2 ms", "2 ms")
    assert found.best.price == 400.0
    assert found.best.interval is not None
    low, high = found.best.interval
    assert low <= 1000.0 * math.sqrt((0.002**2 + 0.002**2) / 12.0) <= high


def test_the_widest_window_has_the_stage_in_its_middle():
    """The tail is held below s + gap − v·T/2 = G; the nose needs v·(1 − m)²·T/2 of run-up (above).

    With nothing that varies both ends are sharp, and the middle has most room on its nearer side.
    """
    speed, ramp, gap, grip_end, to_placement, mismatch = 1000.0, 0.02, 70.0, 100.0, 120.0, 0.05
    low = grip_end - gap + speed * ramp / 2.0
    high = to_placement - speed * (1.0 - mismatch) ** 2 * ramp / 2.0
    scenario = tuning(
        f"feeder.0.grip_end={grip_end} mm",
        "feeder.0.insert.gap_sd=0 mm",
        knobs=["feeder.0.settings.stage_position=20:119:1 mm"],
        aim="window",
        speed="60 m/min",
        carriers=200,
    )
    found = searched(scenario)
    assert abs(parse(found.best.values[0], "length") - 0.5 * (low + high)) <= 1.0
    assert found.best.value == pytest.approx(0.5 * (high - low) / 99.0, abs=1.5 / 99.0)


def test_late_openings_count_in_the_spread_that_a_stage_leaves():
    """An opening known too late lets an insert run on, unless it is staged far past its eye.

    So closed forms tell the stages apart as fresh runs do; without late openings they are alike.
    """
    stage = "feeder.0.settings.stage_position"
    scenario = tuning(
        "controller.scan=100 ms",
        "controller.motion_cycle=0.1 ms",
        "carrier.pitch=900 mm",
        "carrier.pitch_sd=120 mm",
        "feeder.0.insert.gap=60 mm",
        "feeder.0.insert.gap_sd=3 mm",
        f"{stage}=80 mm",
        "acceptance.placement_tolerance=60 mm",
        "acceptance.within_tolerance=50 %",
        "acceptance.missed=50 %",
        "acceptance.jam_risk=90 %",
        base=CARD,
        knobs=[f"{stage}=70:110:10 mm"],
        aim="spread",
        carriers=400,
    )
    found = searched(scenario)
    assert found.best.values == ("90 mm",)
    assert found.gain_interval is not None
    low, high = found.gain_interval
    worth = found.knobs[0].worth
    assert worth is not None
    assert 1.0 < low < worth < high
