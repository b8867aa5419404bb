"""Highest speeds, figures and words of a sizing, on few carriers."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from feedsim.answers.drive.answer import DriveSizing
from feedsim.answers.drive.answer import sized as sized_at
from feedsim.answers.drive.study.motion import highest_speed
from feedsim.answers.drive.study.results import FeederSizing
from feedsim.answers.drive.study.sizing import check, speeds_from
from feedsim.answers.line import Line
from feedsim.errors import FeedsimError
from feedsim.render.canvas import render
from feedsim.running.run import run_scenario
from feedsim.scenario import Scenario, load_scenario, scenario_from_text

SIZING = Path(__file__).parents[2] / "scenarios" / "drive_sizing.toml"
M_MIN = 1000.0 / 60.0


def scenario(*changes: str) -> Scenario:
    few = ["run.carriers=10", "run.warm_up=2"]
    return load_scenario(SIZING, overrides=[*few, *changes])


@cache
def answered() -> DriveSizing:
    return sized_at(Line(scenario()), (60.0 * M_MIN, 90.0 * M_MIN))


def sized() -> FeederSizing:
    (found,) = answered().feeders
    return found


def test_a_motor_that_lacks_only_speed_holds_the_line_speed_of_that_speed() -> None:
    # everything else without bounds: 4000 rpm through 3 : 1 at a roller of 40 mm is
    # 4000/60/3·π·40 mm = 2792.5 mm/s; found to 0.2 %, from below
    what = scenario(
        "feeder.0.drive.allowed_inertia_ratio=1000",
        "feeder.0.drive.friction_torque=0 Nm",
        "feeder.0.drive.pull_off_force=0 N",
    )
    motor = sized().candidates[3].motor
    strong = replace(
        motor,
        rated_torque_n_m=500.0,
        peak_torque_n_m=900.0,
        rated_speed_rpm=4000.0,
        max_speed_rpm=4000.0,
        rated_power_w=1e6,
    )
    top = 4000.0 / 60.0 / 3.0 * math.pi * 40.0
    found = highest_speed(what, 0, strong, known={})
    assert found is not None
    assert top * 0.998 <= found <= top * (1.0 + 1e-9)


def test_a_motor_that_fails_at_any_speed_holds_none() -> None:
    small = sized().candidates[0]
    assert (
        small.highest_line_speed_mm_s is None
    )  # its rotor is too small for the inertia ratio, at whatever speed


def test_what_is_held_is_what_passes() -> None:
    for number, one in enumerate(sized().candidates):
        highest = one.highest_line_speed_mm_s
        for point in sized().speeds:
            assert point.candidates[number].passes == (
                highest is not None and point.line_speed_mm_s <= highest
            )


def test_demands_rise_with_the_speed_and_the_rotor() -> None:
    slow, fast = sized().speeds
    for one, other in zip(slow.candidates, fast.candidates, strict=True):
        assert one.demand.rms_torque_n_m < other.demand.rms_torque_n_m
        assert one.demand.peak_power_w < other.demand.peak_power_w
    peaks = [one.demand.peak_torque_n_m for one in slow.candidates]
    assert peaks == sorted(peaks)
    assert slow.moving is not None
    assert slow.moving.load_alone.peak_torque_n_m < peaks[0]


def test_the_mechanism_of_the_example_by_hand() -> None:
    roller = 7850.0 * math.pi / 4.0 * 0.04**2 * 0.12 * 0.04**2 / 8.0
    tube = 2700.0 * math.pi / 4.0 * (0.05**2 - 0.04**2) * 0.16 * (0.05**2 + 0.04**2) / 8.0
    straight = (0.350 + 2 * 0.005) * 0.02**2
    total = roller + 2.0 * tube * (40.0 / 50.0) ** 2 + 4e-5 + straight
    assert sized().load_inertia_kg_m2 == pytest.approx(total, rel=1e-12)


def figures(units: Any = "metric") -> dict[str, Any]:
    return answered().figures(units=units)


@pytest.mark.parametrize(
    ("units", "torque", "speed", "newton_metre"),
    [("metric", "N·m", "m/min", 1.0), ("inch", "lbf·in", "ft/min", 0.1129848290276167)],
)
def test_curves_stand_where_they_should_in_the_units_asked_for(
    units: str, torque: str, speed: str, newton_metre: float
) -> None:
    point = sized().speeds[0]
    time, limits = figures(units).values()
    upper, lower = time.axes
    assert upper.get_ylabel() == f"feed speed ({speed})"
    assert lower.get_ylabel() == f"torque ({torque})"
    (drawn,) = [line for line in lower.lines if line.get_label() == "motor torque"]
    asked = point.candidates[4].demand
    highest = np.abs(drawn.get_ydata()).max() * newton_metre
    assert highest == pytest.approx(asked.peak_torque_n_m, rel=1e-3)
    panels = [axes for axes in limits.axes if axes.get_visible()]
    assert len(panels) == 7
    for axes, one in zip(panels, point.candidates, strict=True):
        assert axes.get_title(loc="left").endswith("pass" if one.passes else "FAIL")
        (mark,) = [line for line in axes.lines if line.get_marker() == "D"]
        assert mark.get_xdata()[0] == pytest.approx(one.demand.mean_speed_rpm)
        assert mark.get_ydata()[0] * newton_metre == pytest.approx(one.demand.rms_torque_n_m)


def test_the_same_figure_gives_the_same_bytes() -> None:
    first, again = (render(figures()["drive-time"], "png") for _ in range(2))
    assert first == again
    assert first.startswith(b"\x89PNG")


def test_a_power_that_does_not_fit_its_torque_is_told() -> None:
    feeder = sized()
    fits = next(one for one in feeder.candidates if "200 W" in one.name)
    assert not fits.power_does_not_fit
    assert "its rated power is given as" not in " ".join(answered().text().split())
    # 0.64 N·m at 3000 rpm: 201 W
    strange = replace(fits, motor=replace(fits.motor, rated_power_w=500.0), power_does_not_fit=True)
    found = replace(answered(), feeders=(replace(feeder, candidates=(strange,)),))
    said = " ".join(found.text().split())
    told = "rated torque at rated speed gives 201.1 W, but its rated power is given as 500 W;"
    assert f"motor C, 200 W: {told}" in said


def test_speeds_come_from_the_sweep_or_are_the_line_speed() -> None:
    def speeds(what: Scenario) -> list[float]:
        return [speed / M_MIN for speed in speeds_from(what)]

    assert speeds(scenario()) == pytest.approx([40, 60, 80, 100, 120])
    text = SIZING.read_text("utf-8")
    alone = text[: text.index("[sweep]")]
    assert speeds(scenario_from_text(alone, folder=SIZING.parent)) == pytest.approx([60])
    profile = alone.replace(
        'speed = "60 m/min"',
        'speed = "60 m/min"\nprofile = [["0 s", "10 m/min"], ["1 s", "70 m/min"]]',
    )
    assert speeds(scenario_from_text(profile, folder=SIZING.parent)) == pytest.approx([70])


def test_the_chosen_motor_feeds_back_into_a_run() -> None:
    # at 60 m/min in 20 ms the ramps ask for 50 m/s²; A gives 28, E 240 (its peak torque less
    # friction and pull-off through 3 : 1, over the inertia)
    def overloads(chosen: str) -> int:
        ran = run_scenario(scenario(f"feeder.0.drive.chosen={chosen}"))
        return ran.results.feeders[0].hazards.drive_overload.count

    assert overloads("motor A, 50 W") == 10
    assert overloads("motor E, 750 W") == 0


def test_no_drive_and_steps_are_told_together_with_the_key() -> None:
    stepped = scenario("feeder.0.clutch.ramp_in=0 ms", "feeder.0.clutch.ramp_out=0 ms")
    with pytest.raises(FeedsimError) as caught:
        check(stepped)
    assert [fault.key for fault in caught.value.faults] == [
        "feeder.0.clutch.ramp_in",
        "feeder.0.clutch.ramp_out",
    ]


def test_where_no_cycle_begins_nothing_is_said_to_be_held() -> None:
    what = scenario("run.carriers=1", "run.warm_up=0", "run.start=empty")
    found = sized_at(Line(what), (60.0 * M_MIN,))
    (feeder,) = found.feeders
    assert feeder.speeds[0].moving is None
    assert {one.highest_line_speed_mm_s for one in feeder.candidates} == {None}
    assert "no feed cycles" in found.text()
    assert found.plain()["feeders"][0]["speeds"] == [
        {"line_speed_mm_s": 60.0 * M_MIN, "cycles": 0, "candidates": []}
    ]


def test_a_mechanism_without_a_mass_is_told() -> None:
    what = scenario("feeder.0.drive.roller=[]", "feeder.0.drive.belt_mass=0 g",
                    "feeder.0.drive.inserts_carried=0")  # fmt: skip
    found = sized_at(Line(what), (60.0 * M_MIN,))
    assert "Nothing that moves has a mass" in found.text()
    # all torque there is then comes from friction, pull-off, the pulley and the rotor
    assert found.feeders[0].speeds[0].candidates[0].criteria.peak_torque.met
