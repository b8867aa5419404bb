"""A machine that is as its scenario has it is not accused, whatever the scenario has."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy.stats import geom

from feedsim.answers.learn.study.feeder_rows import engaged_s
from feedsim.answers.learn.study.figures import Learned
from feedsim.answers.learn.study.laws import arrival_law
from feedsim.answers.learn.study.learned import Learning, learned_from
from feedsim.logs import read_log
from feedsim.logs.log import Shape
from feedsim.running.run import machine_of
from feedsim.scenario import Scenario, apply_overrides, scenario_from_dict
from feedsim.scenario.reading import parse_toml
from tests.logged import logged
from tests.tuning import PLAIN


def line(*overrides: str) -> Scenario:
    """Return a line with ticks of 1 ms and counts of 0.05 mm."""
    ticks = ("controller.scan=1 ms", "controller.motion_cycle=1 ms", "run.master=encoder")
    counts = ("line.encoder.counts_per_rev=10000", "line.encoder.wheel_circumference=500 mm")
    return scenario_from_dict(apply_overrides(parse_toml(PLAIN), [*ticks, *counts, *overrides]))


def learned(folder: Path, *overrides: str, carriers: int) -> Learning:
    """Learn from the log of a machine that is the scenario's own."""
    scenario = line(*overrides)
    path = logged(machine_of(scenario), folder, carriers=carriers)
    return learned_from(scenario, [read_log(path, feeders=["card feeder"])], version="")


def row(found: Learning, what: str) -> Learned:
    (one,) = (each for each in found.learned if each.what == what)
    return one


def test_inserts_that_the_eye_does_not_see_make_cycles_longer(tmp_path: Path) -> None:
    """A search that passes an insert goes on for one more: geometric, 1/(1 - 0.1) pitches each."""
    found = row(learned(tmp_path, "feeder.0.eye.missed=10 %", carriers=300), "closing to opening")
    assert found.verdict == "agrees"
    pitch, speed = 85.6 + 70.0, 1000.0
    assert found.scenario == pytest.approx(pitch / (0.9 * speed), rel=1e-3)


def test_cycles_with_misfeeds_are_geometric() -> None:
    """SciPy's geometric law; a log without a misfeed shows nothing of that spread."""
    changes = ["feeder.0.insert.misfeed=5 %", "feeder.0.eye.missed=3 %"]
    machine = machine_of(scenario_from_dict(apply_overrides(parse_toml(PLAIN), changes)))
    mean, sd = engaged_s(machine.feeders[0], 1000.0)
    law = geom(0.95 * 0.97)
    pitch_s = (85.6 + 70.0) / 1000.0
    assert mean == pytest.approx(pitch_s * law.mean(), rel=1e-9)
    assert sd == pytest.approx(pitch_s * law.std(), rel=1e-9)


def test_a_belt_that_is_to_change_its_speed_is_not_uneven(tmp_path: Path) -> None:
    profile = 'line.profile=[["0 s", "50 m/min"], ["20 s", "70 m/min"]]'
    found = learned(tmp_path, profile, carriers=60)
    uneven = row(found, "unevenness over a second")
    assert uneven.value is not None
    assert uneven.value > 0.01
    assert uneven.verdict == "agrees"


def test_of_a_thousand_logs_of_a_known_law_hardly_one_has_none() -> None:
    """Two tests at 0.1 % refuse 2 in 1000 (at 1 % each it was 20): at most 2 + 4·√2."""
    none = 0
    for seed in range(1000):
        pitches = np.random.default_rng(seed).normal(260.0, 2.0, 120)
        law = arrival_law(pitches, np.ones(120, np.bool_), noise_mm=0.1, grain_mm=0.0)
        none += law.law == "none"
    assert none <= 2.0 + 4.0 * 2.0**0.5


@pytest.mark.parametrize(("overrides", "agrees"), [((), True), (("carrier.missing=10 %",), None)])
def test_random_carriers_of_which_some_are_missing(
    tmp_path: Path, overrides: tuple[str, ...], agrees: bool | None
) -> None:
    random = ("carrier.arrival=random", "carrier.min_gap=10 mm", *overrides)
    found = learned(tmp_path, *random, carriers=300)
    assert found.arrival is not None
    assert found.arrival.agrees is agrees


@pytest.mark.parametrize(("apart", "verdict"), [(5e-5, "agrees"), (3e-4, "differs")])
@pytest.mark.parametrize("shape", ["samples", "events"])
def test_two_clocks_some_parts_in_a_million_apart_are_no_other_machine(
    shape: Shape, apart: float, verdict: str, tmp_path: Path
) -> None:
    """A quartz clock keeps time within ±50 ppm (common practice, no source).

    So a logger's second may be 100 ppm from the controller's. Its times are made longer here, as
    by a clock that is fast. A ratio of 300 ppm, the twin, is no clock's any more.
    """
    scenario = line()
    path = logged(machine_of(scenario), tmp_path, carriers=60, shape=shape, rate_hz=4000.0)
    head, *rows = path.read_text().splitlines()
    assert head.startswith("time_s,")
    cells = [line.split(",", 1) for line in rows]
    fast = [f"{float(time) * (1.0 + apart):.9f},{rest}" for time, rest in cells]
    path.write_text("\n".join([head, *fast, ""]))
    found = learned_from(scenario, [read_log(path, feeders=["card feeder"])], version="")
    told = {each.key: each for each in found.learned if each.key}
    speed, cycle = told["line.speed"], told["controller.motion_cycle"]
    assert speed.value == pytest.approx(1000.0 / (1.0 + apart), rel=1e-5)
    assert cycle.value == pytest.approx(1e-3 * (1.0 + apart), rel=1e-6)
    assert (speed.verdict, cycle.verdict) == (verdict, verdict)
    assert [fault for read in found.program for fault in read.faults] == []
