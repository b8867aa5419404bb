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
from feedsim.running.run import machine_of
from feedsim.scenario import apply_overrides, scenario_from_dict
from feedsim.scenario.reading import parse_toml
from tests.logged import logged
from tests.tuning import PLAIN


def learned(folder: Path, *overrides: str, carriers: int) -> Learning:
    """Learn from the log of a machine that is the scenario's own."""
    ticks = ("controller.scan=1 ms", "controller.motion_cycle=1 ms", "run.master=encoder")
    counts = ("line.encoder.counts_per_rev=10000", "line.encoder.wheel_circumference=500 mm")
    data = apply_overrides(parse_toml(PLAIN), [*ticks, *counts, *overrides])
    scenario = scenario_from_dict(data)
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
