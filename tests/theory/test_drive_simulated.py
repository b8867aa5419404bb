"""The motion that a drive is sized for is the simulated one, cycle by cycle."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from feedsim.answers.drive.study.motion import motion_at
from feedsim.draws.line_draws import RunDraws
from feedsim.drivetrain.cycles import Cycles
from feedsim.drivetrain.demand import demand
from feedsim.running.run import machine_of
from feedsim.scenario import Scenario, load_scenario, override
from feedsim.simulation.line import simulate_traced
from tests.reference.plain_drive import plain_means

SIZING = Path(__file__).parents[2] / "scenarios" / "drive_sizing.toml"
CARRIERS = 8


def scenario(*changes: str) -> Scenario:
    wanted = ["run.warm_up=0", f"run.carriers={CARRIERS}", *changes]
    return override(load_scenario(SIZING), wanted)


def cycles_of(what: Scenario, speed: float = 1000.0, *, carriers: int = CARRIERS) -> Cycles:
    found = motion_at(what, speed, carriers=carriers)[0]
    assert found is not None
    return found


@pytest.mark.parametrize(
    "changes",
    [
        (),
        (
            "feeder.0.clutch.ramp=travel",
            "feeder.0.clutch.ramp_in=30 mm",
            "feeder.0.clutch.ramp_out=20 mm",
        ),
        ("feeder.0.servo.loop_gain=inf 1/s", "feeder.0.servo.command_delay=3 ms"),
        ('line.profile=[["0.5 s", "30 m/min"], ["2 s", "60 m/min"]]',),
        ("carrier.arrival=random", "carrier.pitch=400 mm"),
    ],
    ids=["as it is", "travel ramps", "rigid, delayed", "speeding up", "hand fed"],
)
def test_rms_agrees_with_numerical_integration_of_the_run(changes: tuple[str, ...]) -> None:
    what = scenario(*changes)
    asked = demand(cycles_of(what), rotor_kg_m2=1.1e-4)
    machine = machine_of(what)
    records, kept = simulate_traced(machine, RunDraws(machine, what.seed), carriers=CARRIERS)
    times = records.feeders[0].engage_time_s
    delay = machine.feeders[0].servo.command_delay_s
    begins = [float(t) + delay for t in times[~np.isnan(times)]]
    assert len(begins) > 3
    of = machine.feeders[0].drive
    assert of is not None
    torque, power, work = plain_means(kept.feeds[0], of, begins, rotor=1.1e-4, steps=800)
    assert asked.rms_torque_n_m == pytest.approx(torque, rel=1e-6)
    assert asked.rms_power_w == pytest.approx(power, rel=1e-6)
    # of all that went in, out and back: in the sum much of it cancels
    parts = (asked.friction_energy_j, asked.pull_off_energy_j, 2.0 * asked.regenerated_energy_j)
    mean = work / (len(begins) - 1)
    assert asked.work_j == pytest.approx(mean, abs=1e-6 * sum(parts))


@pytest.mark.parametrize("speed", [300.0, 1000.0, 2000.0, 3000.0])
def test_energy_balances_over_every_simulated_cycle(speed: float) -> None:
    cycles = cycles_of(scenario("run.carriers=60"), speed, carriers=60)
    for number in range(len(cycles.begin_s) - 1):
        energy = demand(cycles.one(number), rotor_kg_m2=1.1e-4)
        out = (
            energy.kinetic_energy_j,
            energy.friction_energy_j,
            energy.pull_off_energy_j,
            energy.reduction_loss_j,
        )
        gross = abs(energy.work_j) + sum(abs(part) for part in out)
        assert abs(energy.work_j - sum(out)) < 1e-9 * gross


def test_a_cycle_takes_the_time_between_two_carriers_and_feeds_an_insert_pitch() -> None:
    # without spreads: 260 mm at 1 m/s, but for ticks of a millisecond; 85.6 + 70 mm each cycle
    quiet = scenario(
        "carrier.pitch_sd=0 mm",
        "carrier_eye.edge_sd=0 mm",
        "carrier_eye.response_jitter=0 ms",
        "feeder.0.insert.gap_sd=0 mm",
        "feeder.0.eye.edge_sd=0 mm",
        "feeder.0.eye.response_jitter=0 ms",
        "controller.motion_cycle=0 ms",
    )
    cycles = cycles_of(quiet)
    assert np.diff(cycles.begin_s) == pytest.approx(0.260, abs=1e-4)
    for number in range(len(cycles.begin_s) - 1):
        travel = float(cycles.one(number).integrals.travel.sum())
        assert travel == pytest.approx(0.1556, abs=3e-4)  # a count and a rest of a micrometre
