"""What settings predict of scanned eyes on locked ticks, against the simulation.

From a scan tick to a motion tick passes a whole number of steps of their greatest common divisor,
so the act does not follow the point continuously. The predictions are derived in
feedsim/settings/acts.py; here they are held against runs whose seeds and targets differ.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from feedsim.draws.line_draws import RunDraws
from feedsim.machine import Controller, Encoder, Inserts, Machine
from feedsim.running.engines import simulated
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.predict import expected_offsets, known_bias
from feedsim.settings.sources import placement_sd
from tests.machines import (
    NOISY_EYE,
    machine,
    mean_of,
    settings,
    spread_carriers,
    spread_feeder,
    variance_of,
)

pytestmark = pytest.mark.usefixtures("either_engine")

COUNT = 0.1413  # mm: no whole part of v·cycle, which would lock the counts to the ticks as well
SPREAD = 40.0  # mm: covers the longest beat of the ticks below, 20 ms at 300 mm/s, several times


def line(
    *,
    cycle_ms: float,
    target: float = 20.0,
    correct: bool = False,
    carrier_scanned: bool = True,
    insert_scanned: bool = True,
    count_mm: float = COUNT,
    **typed: float,
) -> Machine:
    return machine(
        spread_feeder(
            eye=replace(NOISY_EYE, scanned=insert_scanned),
            inserts=Inserts(85.6, 150.0, gap_sd_mm=SPREAD / 2.0),
            settings=settings(target_offset_mm=target, stage_correction=correct, **typed),
        ),
        speed_m_min=18.0,
        carriers=spread_carriers(pitch_mm=700.0, pitch_sd_mm=SPREAD),
        carrier_eye=replace(NOISY_EYE, scanned=carrier_scanned),
        controller=Controller(scan_s=0.010, motion_cycle_s=cycle_ms * 1e-3),
        encoder=Encoder(count_mm),
    )


def rows(made: Machine, carriers: int = 4000) -> tuple[np.ndarray, np.ndarray]:
    found = simulated(made, RunDraws(made, 3), carriers=carriers).feeders[0]
    return found.placement_error_mm, found.stage_position_mm[1:]


CASES = [
    {"cycle_ms": cycle, "target": target, "correct": correct, "insert_scanned": insert}
    for cycle in (5.0, 4.0, 3.0)
    for target in (20.0, 20.4)
    for correct in (False, True)
    for insert in (False, True)
]
CASES += [
    {"cycle_ms": 5.0, "correct": True, "carrier_scanned": False},
    {"cycle_ms": 4.0, "count_mm": 0.0},
]


@pytest.mark.parametrize("case", CASES, ids=lambda c: "-".join(f"{k}={v}" for k, v in c.items()))
def test_mean_and_variance_are_as_predicted(case: dict[str, float]) -> None:
    made = line(**case)  # type: ignore[arg-type]
    error, _ = rows(made)
    first, v = made.feeders[0], made.line.speed_mm_s
    assert abs(mean_of(error).z(known_bias(FeederAtSpeed(made, first, v)))) < 4.0
    # the variance that counts add to locked steps is left out of the closed form: below q²/4
    sample, theory = variance_of(error), placement_sd(FeederAtSpeed(made, first, v)) ** 2
    allowed = 4.0 * sample.standard_error + 0.25 * made.encoder.count_mm**2
    assert abs(sample.mean - theory) < allowed


def test_the_locked_steps_matter_here() -> None:
    # the same predictions without what this file is about would be found wrong
    made = line(cycle_ms=5.0, target=20.4)
    error, _ = rows(made)
    assert abs(mean_of(error).z(0.0)) > 4.0
    corrected = line(cycle_ms=5.0, correct=True, insert_scanned=False)
    sample = variance_of(rows(corrected)[0])
    v = corrected.line.speed_mm_s
    short = (
        placement_sd(FeederAtSpeed(corrected, corrected.feeders[0], v)) ** 2
        - (v * 0.005) ** 2 / 12.0
    )
    assert sample.mean - short > 4.0 * sample.standard_error + 0.25 * COUNT**2


@pytest.mark.parametrize(
    "typed",
    [
        {"engage_distance_mm": 300.0},
        {"disengage_distance_mm": 75.0},
        {"engage_distance_mm": 361.3, "disengage_distance_mm": 58.8},
        {"engage_lead_s": 0.0, "disengage_lead_s": 0.004},
    ],
)
@pytest.mark.parametrize("correct", [False, True])
def test_typed_settings_stage_and_place_where_predicted(
    typed: dict[str, float], correct: bool
) -> None:
    # latched and scanned: the correction of a typed distance is not spread about the nominal
    # point, so with correction the latched case is taken, whose known term is 0
    made = line(cycle_ms=5.0, correct=correct, insert_scanned=not correct,
                carrier_scanned=not correct, **typed)  # fmt: skip
    error, stage = rows(made)
    expected = expected_offsets(FeederAtSpeed(made, made.feeders[0], made.line.speed_mm_s))
    assert abs(mean_of(error).z(expected.error_mm)) < 4.0
    assert abs(mean_of(stage - 60.0).z(expected.stage_mm)) < 4.0
