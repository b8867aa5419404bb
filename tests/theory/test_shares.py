"""Closed-form shares of carriers, cycles and inserts against simulated ones.

Each case is one where a mechanism that is easily forgotten decides. The theory of each is derived
in feedsim/settings (the module named beside it). The number of carriers is such that a share
wrong by ``worth`` of itself would be 4 standard errors off, √(p·(1 − p)/n):
n = 16·(1 − p)/(p·worth²).
What a closed form without the mechanism says (``without``) has to be found out by the same run.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from feedsim.answers.limit.study.search import run_batch
from feedsim.arrivals import Paced
from feedsim.criteria import Figure
from feedsim.machine import Carriers, Clutch, Servo
from feedsim.metrics.tally import added
from feedsim.running.run import criteria_of, machine_of
from feedsim.scenario import Scenario, at_line_speed, override, scenario_from_text, scenario_to_dict
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.mechanisms import MECHANISMS
from feedsim.settings.nominal_cycle import no_cycle_because
from tests.machines import feeder, machine, run, settings

pytestmark = pytest.mark.usefixtures("quick_engine")

SCENARIOS = Path(__file__).parents[2] / "scenarios"
F = "feeder.0."
WIDE = "acceptance.placement_tolerance=10 mm"
SCANNED = ("carrier_eye.capture=scanned", F + "eye.capture=scanned")
POLLED_MARK = (
    "carrier_eye.capture=polled",
    "controller.mark_memory=1",
    "controller.scan=4 ms",
    "controller.motion_cycle=2 ms",
)
SHORT_WAY = (
    F + "insert_eye_to_placement=140 mm",
    F + "insert.gap=20 mm",
    F + "grip_end=10 mm",
    WIDE,
)


@dataclass(frozen=True)
class Case:
    """A scenario at a speed (m/min), and what would be said of a share without the mechanism."""

    figure: Figure
    speed: float
    without: float
    changes: tuple[str, ...]
    worth: float = 0.2
    file: str = "membership_card"
    batch: int = 1000


CASES = {
    # settings/nominal_cycle.py: the feed's own motion from the opening tick, at speed ratio 0.8
    "landing in the ramp-out of a slow feed": Case(
        "jam_risk", 63.4, 0.0002,
        (*SHORT_WAY, F + "clutch.ramp_out=60 ms", F + "settings.speed_ratio=0.8",
         "limits.speed_mismatch=25 %"),
    ),
    "landing in the ramp-out of a slow feed, faster": Case(
        "jam_risk", 71.4, 0.0002,
        (*SHORT_WAY, F + "clutch.ramp_out=60 ms", F + "settings.speed_ratio=0.8",
         "limits.speed_mismatch=25 %"),
    ),
    "landing in the ramp-out behind a lag": Case(
        "jam_risk", 56.5, 0.940,
        (*SHORT_WAY, F + "clutch.ramp_out=30 ms", F + "servo.loop_gain=60 1/s",
         F + "servo.velocity_feedforward=0 %"),
    ),
    # settings/nominal_cycle.py: a lag that is not over when the clutch opens
    "a tail behind a lag": Case(
        "jam_risk", 115.6, 0.207,
        (F + "servo.loop_gain=40 1/s", F + "servo.velocity_feedforward=30 %",
         F + "grip_end=75 mm", "limits.speed_mismatch=40 %", WIDE),
    ),
    "a tail behind a lag, faster": Case(
        "jam_risk", 126.1, 0.931,
        (F + "servo.loop_gain=40 1/s", F + "servo.velocity_feedforward=30 %",
         F + "grip_end=75 mm", "limits.speed_mismatch=40 %", WIDE),
    ),
    # settings/spreads.py: one count to a locked scanned side, that of the storing tick
    "coarse counts of scanned eyes": Case(
        "within_tolerance", 60.7, 0.149,
        (*SCANNED, "line.encoder.counts_per_rev=200", "acceptance.placement_tolerance=2.5 mm",
         "carrier.pitch_sd=10 mm", "carrier.min_gap=0 mm", F + "insert.gap_sd=10 mm"),
    ),
    # settings/spreads.py: a late opening pushes the next nose on too, past its eye unseen
    "strays behind late openings": Case(
        "jam_risk", 60.0, 0.0033,
        ("controller.scan=140 ms", "carrier.pitch=900 mm", "carrier.pitch_sd=120 mm",
         F + "insert.gap=40 mm", F + "insert.gap_sd=3 mm", F + "insert_eye_to_placement=160 mm",
         F + "nose_limit=159 mm", F + "grip_end=30 mm", F + "settings.stage_position=80 mm",
         F + "settings.stage_correction=true"),
    ),
    # settings/mechanisms_missed.py: a mark that finds no place
    "a memory of one mark": Case("missed", 60.0, 0.0004, ("controller.mark_memory=1",)),
    "a memory of two marks": Case(
        "missed", 60.0, 0.0004, ("controller.mark_memory=2", F + "eye_to_placement=800 mm"),
    ),
    # settings/followed.py: pitches that vary, and more than one place
    "a memory of two marks, carriers not quite steady": Case(
        "missed", 60.0, 0.0001,
        ("controller.mark_memory=2", F + "eye_to_placement=800 mm", "carrier.pitch=390 mm",
         "carrier.pitch_sd=20 mm"),
    ),
    "a memory of two marks, fed by hand": Case(
        "missed", 6.0, 0.001, ("controller.mark_memory=2", F + "eye_to_placement=800 mm"),
        file="hand_fed",
    ),
    # settings/kept.py: kept for counted travel, up to the scan tick at which another is known
    "a memory of four marks, an encoder that counts too little": Case(
        "missed", 60.0, 0.0305,
        ("controller.mark_memory=4", F + "eye_to_placement=1086 mm",
         "line.encoder.scale_error=0.1 %"),
    ),
    # settings/kept.py: a polled mark is acted on whole cycles, the next one known whole scans later
    "a memory of one polled mark, acted on just behind a scan": Case(
        "missed", 55.0, 0.0418,
        (*POLLED_MARK, "carrier.pitch=355 mm", "carrier.pitch_sd=3 mm"),
    ),
    "a memory of one polled mark, acted on just before a scan": Case(
        "missed", 53.0, 0.0334,
        (*POLLED_MARK, "carrier.pitch=355 mm", "carrier.pitch_sd=3 mm"),
    ),
    # settings/kept.py: counts and the opening's steps spread a corrected point, which is rounded
    "a memory of one mark, corrected, of coarse counts": Case(
        "missed", 54.0, 0.0021,
        ("controller.mark_memory=1", "controller.scan=4 ms", "controller.motion_cycle=2 ms",
         F + "eye.capture=scanned", F + "settings.stage_correction=true",
         "line.encoder.counts_per_rev=100", "carrier.pitch=360 mm", "carrier.pitch_sd=4 mm"),
    ),
    # settings/kept.py: the motion tick before a scan tick is 4 or 8 ms earlier, not between them
    "a memory of one mark, ticks far apart": Case(
        "missed", 60.0, 0.0057,
        ("controller.mark_memory=1", "controller.scan=4 ms", "controller.motion_cycle=8 ms",
         "carrier.pitch=357 mm", "carrier.pitch_sd=3 mm"),
    ),
    # settings/mechanisms_unseen.py: the slip comes off the gap while the tail covers the eye
    "a gap less the slip": Case(
        "jam_risk", 68.4, 0.0010,
        (F + "insert.gap=20 mm", F + "insert.slip=1.5 mm", F + "insert.slip_sd=0.5 mm",
         F + "eye.off_response=12 ms", F + "grip_end=30 mm", F + "clutch.ramp_out=10 ms",
         "acceptance.placement_tolerance=5 mm"),
        worth=0.5,
    ),
    # settings/mechanisms_unseen.py: the tail of a short insert is past the eye at rest
    "tails that have passed the eye": Case(
        "jam_risk", 100.0, 0.505,
        (F + "insert.length=30 mm", F + "insert.gap=100 mm", F + "eye.off_response=60 ms",
         F + "grip_end=100 mm", F + "insert.double=1 %"),
        worth=0.4,
    ),
    # settings/levels.py: a level that is over before the scan, or before the filter lets it through
    "carriers between two scans": Case(
        "missed", 60.0, 0.0004,
        ("carrier.length=30 mm", "carrier_eye.capture=polled", "controller.scan=40 ms",
         F + "settings.target_offset=2 mm", "carrier.pitch_sd=12 mm", "carrier.min_gap=0 mm"),
    ),
    "carriers between two scans, behind a filter": Case(
        "missed", 60.0, 0.25,  # without the filter
        ("carrier.length=30 mm", "carrier_eye.capture=polled", "controller.scan=40 ms",
         "carrier_eye.filter_time=24 ms", "carrier_eye.edge_sd=3 mm", "carrier_eye.response=5 ms",
         F + "settings.target_offset=2 mm", "carrier.pitch_sd=12 mm", "carrier.min_gap=0 mm"),
    ),
    "carriers too short for a filter": Case(
        "missed", 60.0, 0.0004,
        ("carrier.length=30 mm", "carrier_eye.filter_time=29 ms", "carrier_eye.edge_sd=1 mm",
         F + "settings.target_offset=2 mm", "carrier.min_gap=0 mm"),
    ),
    "inserts between two scans": Case(
        "jam_risk", 60.0, 0.016,
        (F + "insert.length=30 mm", F + "insert.gap=100 mm", F + "insert.gap_sd=15 mm",
         F + "eye.capture=polled", "controller.scan=35 ms", F + "grip_end=110 mm",
         F + "nose_limit=200 mm", "carrier.pitch=420 mm"),
        worth=0.3,
    ),
    "inserts between two scans, and who waits for the next": Case(
        "missed", 60.0, 0.016,
        (F + "insert.length=30 mm", F + "insert.gap=100 mm", F + "insert.gap_sd=15 mm",
         F + "eye.capture=polled", "controller.scan=35 ms", F + "grip_end=110 mm",
         F + "nose_limit=200 mm", "carrier.pitch=250 mm"),
        worth=0.3,
    ),
    "gaps between two scans": Case(
        "missed", 60.0, 0.0004,
        ("carrier.length=270 mm", "carrier.pitch=310 mm", "carrier.pitch_sd=10 mm",
         "carrier.min_gap=5 mm", "carrier_eye.capture=polled", "controller.scan=40 ms"),
        worth=0.3,
    ),
    "insert gaps that a filter bridges": Case(
        "jam_risk", 60.0, 0.0003,
        (F + "insert.gap=30 mm", F + "insert.gap_sd=8 mm", F + "insert.min_gap=5 mm",
         F + "eye.filter_time=25 ms", F + "grip_end=40 mm", F + "nose_limit=200 mm",
         "carrier.pitch=420 mm", "limits.speed_mismatch=90 %"),
        worth=0.3,
    ),
    # settings/acts.py: lateness of a locked opening is in its steps already
    "openings of a scanned eye that are always late": Case(
        "within_tolerance", 150.0, 0.98,
        (*SCANNED, F + "settings.stage_position=22 mm", F + "grip_end=20 mm",
         "acceptance.placement_tolerance=3 mm"),
        worth=0.5, batch=500,  # less run-up from a stage further on is not in the closed form
    ),
    # settings/acts.py: a locked tick and a step of correction make up one cycle
    "corrections behind a scanned carrier eye": Case(
        "within_tolerance", 101.0, 0.0095,
        ("carrier_eye.capture=scanned", "controller.scan=3 ms", "controller.motion_cycle=2 ms",
         "acceptance.placement_tolerance=4 mm", F + "settings.stage_correction=true",
         "carrier.pitch_sd=8 mm", F + "insert.gap_sd=6 mm", F + "grip_end=60 mm"),
        worth=0.3,
    ),
    # settings/mechanisms_missed.py: misfeeds in a row, hand feeding, doubles, empty pitches
    "two misfeeds in a row": Case(
        "missed", 60.0, 0.0001, (F + "insert.misfeed=8 %", "carrier.pitch=420 mm"), worth=0.5,
    ),
    "misfeeds, fed by hand": Case(
        "missed", 6.0, 0.053, (F + "insert.misfeed=5 %", "carrier.min_gap=0 mm"),
        worth=0.15, file="hand_fed",
    ),
    "doubles that lengthen a cycle": Case(
        "missed", 75.0, 0.0004, (F + "insert.double=3 %", "carrier.pitch=235 mm"), worth=0.4,
    ),
    "empty pitches": Case(
        "missed", 100.0, 0.209,
        ("carrier.missing=40 %", "carrier.pitch_sd=8 mm", F + "clutch.settle=40 ms"),
    ),
    # settings/mechanisms_placed.py: a misfeed has a carrier wait
    "misfeeds that are waited for": Case(
        "within_tolerance", 60.0, 0.0001,
        (F + "insert.misfeed=2 %", "controller.not_ready=engage"), worth=0.4,
    ),
    # settings/spreads.py: pitches are clipped at the shortest
    "pitches that are clipped": Case(
        "missed", 88.0, 0.262,
        ("carrier.pitch=232 mm", "carrier.pitch_sd=10 mm", F + "clutch.settle=30 ms",
         F + "grip_end=50 mm", WIDE),
    ),
    # settings/mechanisms_jams.py: who waits is put off his carrier
    "waits that end off the carrier": Case(
        "jam_risk", 18.0, 0.0,
        ("controller.not_ready=engage", F + "insert.misfeed=0 %", "carrier.min_gap=0 mm"),
        worth=0.4, file="hand_fed",
    ),
    # settings/waits.py: hand feeding has no spread of the pitch, and carriers wait all the same
    "late service, fed by hand": Case(
        "within_tolerance", 12.0, 0.0,
        ("controller.not_ready=engage", F + "insert.misfeed=0 %", "carrier.min_gap=0 mm"),
        worth=0.3, file="hand_fed",
    ),
    # settings/mechanisms_jams.py: too fast at the end of the ramp-in, and some land before it
    "a run-up that ends too fast": Case(
        "jam_risk", 62.0, 1.0,
        (F + "insert_eye_to_placement=78 mm", F + "grip_end=50 mm", F + "nose_limit=75 mm", WIDE,
         F + "settings.speed_ratio=1.04", "limits.speed_mismatch=3 %", F + "insert.slip_sd=0.6 mm",
         F + "clutch.ramp_out=10 ms"),
    ),
    # settings/mechanisms_missed.py: carriers that merge are among those that find it busy
    "merging carriers, fed by hand": Case(
        "missed", 6.0, 0.071,
        ("carrier.min_gap=0 mm", "carrier_eye.off_response=60 ms", F + "insert.misfeed=0 %"),
        file="hand_fed",
    ),
}  # fmt: skip


@cache
def scenario_of(file: str, changes: tuple[str, ...]) -> Scenario:
    text = (SCENARIOS / f"{file}.toml").read_text(encoding="utf-8")
    return override(scenario_from_text(text), changes)


def predicted(scenario: Scenario, speed_mm_s: float, figure: Figure) -> float:
    line, allowed = machine_of(at_line_speed(scenario, speed_mm_s)), criteria_of(scenario)
    left = 1.0
    for m in MECHANISMS:
        if m.figure == figure:
            left *= 1.0 - m.share(FeederAtSpeed(line, line.feeders[0], speed_mm_s), allowed)
    return 1.0 - left


def simulated(scenario: Scenario, speed_mm_s: float, figure: Figure, runs: int) -> tuple[int, int]:
    """Return how many, and of how many."""
    plain = scenario_to_dict(scenario)
    counts = added([run_batch(plain, speed_mm_s, number)[0] for number in range(runs)])
    return {
        "missed": (counts.missed, counts.carriers),
        "jam_risk": (counts.at_risk, counts.cycles),
        "within_tolerance": (counts.placed - counts.within, counts.placed),
    }[figure]


@pytest.mark.parametrize("name", CASES)
def test_a_share_is_what_the_simulation_has(name: str) -> None:
    case = CASES[name]
    speed = case.speed * 1000.0 / 60.0
    scenario = scenario_of(case.file, (*case.changes, f"run.carriers={case.batch}"))
    share = predicted(scenario, speed, case.figure)
    wanted = 16.0 * (1.0 - share) / (share * case.worth**2)
    seen, n = simulated(scenario, speed, case.figure, math.ceil(wanted / case.batch))
    error = math.sqrt(share * (1.0 - share) / n)
    assert abs(seen / n - share) < 4.0 * error
    assert abs(seen / n - case.without) > 4.0 * math.sqrt(case.without * (1.0 - case.without) / n)


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        # 155.6 mm in 155.6 ms at 1000 mm/s, and then the two ramps alike: less than a ramp-in
        (
            (F + "clutch.ramp_in=160 ms", F + "clutch.ramp_out=160 ms"),
            "before its ramp-in has ended",
        ),
        # 154 mm of run-up and 3 mm of slip, and the feed stops after 155.6 mm
        (
            (F + "insert_eye_to_placement=214 mm", F + "insert.slip=3 mm"),
            "in the next cycle",
        ),
    ],
)
def test_cycles_that_do_not_repeat_are_a_limit(changes: tuple[str, ...], reason: str) -> None:
    scenario = scenario_of("membership_card", changes)
    line = machine_of(scenario)
    assert reason in no_cycle_because(FeederAtSpeed(line, line.feeders[0], 1000.0))
    assert predicted(scenario, 1000.0, "within_tolerance") == 1.0
    right = machine_of(scenario_of("membership_card", ()))
    assert not no_cycle_because(FeederAtSpeed(right, right.feeders[0], 1000.0))


def test_every_second_carrier_is_placed_exactly_where_a_cycle_takes_longer_than_a_pitch() -> None:
    # nominal cards, a lag of 50 ms: what is left of it when the next cycle begins depends on
    # whether that is one cycle later (about 260 mm) or two pitches of 230 mm
    slow = feeder(
        clutch=Clutch(False, 0.02, 0.02, 0.08),
        servo=Servo(20.0, 0.0),
        settings=settings(stage_position_mm=60.0),
    )
    line = machine(slow, carriers=Carriers(Paced(190.0, 230.0)))
    rows = run(line, carriers=60).feeders[0]
    error = rows.placement_error_mm[20:]
    assert np.isnan(error).sum() == 20
    np.testing.assert_allclose(error[~np.isnan(error)], 0.0, rtol=0.0, atol=1e-6)
