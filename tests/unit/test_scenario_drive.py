"""A drive in a scenario: what is read, and what is refused in which words."""

from __future__ import annotations

from pathlib import Path

import pytest

from feedsim.errors import FeedsimError
from feedsim.machine import Motor, Reduction, Roller
from feedsim.running.run import machine_of
from feedsim.scenario import (
    Scenario,
    json_schema,
    load_scenario,
    machine_from,
    override,
    scenario_from_dict,
    scenario_from_text,
    scenario_to_dict,
)
from tests.cli.bad_scenarios.table import BASE

DRIVE = """
[feeder.drive]
roller_diameter = "41 mm"
belt_mass = "250 g"
insert_mass = "5 g"
inserts_carried = 3
friction_torque = "0.1 Nm"
pull_off_force = "6 N"
pull_off_from = "2 mm"
friction_coefficient = 0.5
normal_force = "20 N"
service_factor = 1.3
allowed_inertia_ratio = 8
chosen = "small"

[[feeder.drive.roller]]
diameter = "42 mm"
bore = "30 mm"
length = "120 mm"
density = "2.7 g/cm^3"
count = 2

[[feeder.drive.roller]]
inertia = "0.4 kg*cm^2"

[[feeder.drive.reduction]]
ratio = 3
efficiency = "95 %"
inertia = "0.2 kg*cm^2"

[[feeder.drive.motor]]
name = "small"
rated_torque = "0.32 Nm"
peak_torque = "0.96 Nm"
rated_speed = "3000 rpm"
max_speed = "100 rev/s"
rotor_inertia = "0.06 kg*cm^2"
rated_power = "0.1 kW"
over_temperature_factor = 0.9
"""
CSV = (
    "name,rated_torque_n_m,peak_torque_n_m,rated_speed_rpm,max_speed_rpm,"
    "rotor_inertia_kg_cm2,rated_power_kw,over_temperature_factor,note\n"
    "small,0.32,0.96,3000,6000,0.06,0.1,0.9,on the shelf\n"
    "large,1.27,3.8,3000,6000,0.28,0.4,,\n"
)
ONE = Motor(0.32, 0.96, 3000.0, 6000.0, 6e-6, 100.0, 0.9)


def with_drive(*changes: str, text: str = DRIVE) -> Scenario:
    # the drive belongs to the feeder, so its tables stand right behind the feeder's others
    place = BASE.index("[limits]")
    return scenario_from_text(BASE[:place] + text + "\n" + BASE[place:], overrides=changes)


def refused(*changes: str, text: str = DRIVE) -> list[str]:
    with pytest.raises(FeedsimError) as caught:
        with_drive(*changes, text=text)
    for line in caught.value.lines:
        assert line.isprintable()
        assert len(line) < 400
    return list(caught.value.lines)


def test_every_key_arrives_in_the_machine() -> None:
    drive = machine_from(with_drive()).feeders[0].drive
    assert drive is not None
    assert drive.roller_diameter_mm == 41.0
    assert drive.rollers == (
        Roller(42.0, 30.0, 120.0, 2700.0, 0.0, 2),
        Roller(0.0, 0.0, 0.0, 7850.0, 4e-5, 1),
    )
    assert drive.moving_mass_kg == pytest.approx(0.25 + 3 * 0.005, rel=1e-15)
    assert drive.insert_mass_kg == 0.005
    assert drive.reductions == (Reduction(3.0, 0.95, 2e-5),)
    assert drive.friction_torque_n_m == 0.1
    assert (drive.pull_off_force_n, drive.pull_off_from_mm) == (6.0, 2.0)
    assert drive.pull_off_travel_mm == 85.6  # the insert's length
    assert (drive.friction_coefficient, drive.normal_force_n) == (0.5, 20.0)
    assert (drive.service_factor, drive.allowed_inertia_ratio) == (1.3, 8.0)
    assert drive.motors == (ONE,)
    assert drive.chosen == 0


def test_a_feeder_without_a_drive_has_none() -> None:
    scenario = scenario_from_text(BASE)
    assert machine_from(scenario).feeders[0].drive is None
    assert "drive" not in scenario_to_dict(scenario)["feeder"][0]


def test_there_and_back() -> None:
    scenario = with_drive()
    assert scenario_from_dict(scenario_to_dict(scenario)) == scenario


def test_candidates_from_a_file(tmp_path: Path) -> None:
    (tmp_path / "motors.csv").write_text(CSV, "utf-8")
    text = DRIVE[: DRIVE.index("[[feeder.drive.motor]]")]
    text = text.replace("chosen", 'motors = "motors.csv"\nchosen')
    place = BASE.index("[limits]")
    path = tmp_path / "a.toml"
    path.write_text(BASE[:place] + text + "\n" + BASE[place:], "utf-8")
    scenario = load_scenario(path)
    drive = machine_from(scenario).feeders[0].drive
    assert drive is not None
    assert drive.motors == (ONE, Motor(1.27, 3.8, 3000.0, 6000.0, 2.8e-5, 400.0, 1.0))
    # what was read stands in the scenario: it needs the file no more
    (tmp_path / "motors.csv").unlink()
    assert scenario_from_dict(scenario_to_dict(scenario)) == scenario
    assert override(scenario, ["feeder.0.drive.chosen=large"]).feeder[0].drive is not None


@pytest.mark.parametrize(
    ("separator", "text"),
    [
        (";", CSV.replace(",", ";")),
        ("tab", CSV.replace(",", "\t")),
        ("bom", "\ufeff" + CSV),
        ("decimal commas", CSV.replace(",", ";").replace(".", ",")),
        ("tabs and decimal commas", CSV.replace(",", "\t").replace(".", ",")),
    ],
)
def test_tables_of_other_programs(tmp_path: Path, separator: str, text: str) -> None:
    assert read(tmp_path, text).motor[0].name == "small"


def read(tmp_path: Path, csv: str):  # type: ignore[no-untyped-def]
    path = tmp_path / "m.csv"
    path.write_text(csv, "utf-8")
    text = DRIVE[: DRIVE.index("[[feeder.drive.motor]]")]
    text = text.replace("chosen", f'motors = "{path}"\nchosen')
    return with_drive(text=text).feeder[0].drive


@pytest.mark.parametrize(
    ("old", "new", "fragments"),
    [
        ("name,", "title,", ['row 1: column "name" is missing']),
        ("peak_torque_n_m", "torque_peak", ['row 1: column "peak_torque_n_m" is missing']),
        (
            "rated_torque_n_m",
            "rated_torque_rpm",
            ['column "rated_torque_rpm" does not say the unit of a torque', "_n_m or"],
        ),
        ("rated_torque_n_m", "rated_torque", ["does not say the unit of a torque"]),
        ("rotor_inertia_kg_cm2", "rotor_inertia_kg", ["does not say the unit of an inertia"]),
        ("max_speed_rpm", "rated_speed_rpm", ['column "max_speed_rpm" is missing']),
        (
            "over_temperature_factor",
            "over_temp_factor",
            ['"over_temp_factor" is not known; the nearest is "over_temperature_factor"'],
        ),
        (",0.96,", ",0.3,", ['row 2: peak_torque: found "0.3 N*m"; needs at least rated_torque']),
        (",0.06,", ",0,", ['row 2: rotor_inertia: found "0"; needs a number of more than 0']),
        (",0.06,", ",-1,", ["needs a number of more than 0"]),
        (",0.06,", ",,", ["row 2: nothing in column rotor_inertia"]),
        (",0.06,", ",0.06 kg,", ['found "0.06 kg"; needs a number']),
        (",6000,0.06", ",2000,0.06", ["row 2: max_speed", "needs at least rated_speed"]),
        (",0.9,on", ",1.5,on", ["row 2: over_temperature_factor", "a number, 0.1 to 1"]),
        ("on the shelf", "on,the,shelf", ["row 2: has 11 cells, and row 1 names 9"]),
        ("large", "small", ["drive.motor.1.name", "a name of its own"]),
        (CSV, "", ["is empty"]),
        (CSV[CSV.index("\n") :], "", ["there has to be a motor below it"]),
        (CSV, 'name\n"a', ["is not a CSV file"]),
        ("small", "other", ['drive.chosen: found "small"; needs the name of a candidate: "other"']),
    ],
)
def test_bad_tables_get_a_clear_message(
    tmp_path: Path, old: str, new: str, fragments: list[str]
) -> None:
    assert old in CSV
    with pytest.raises(FeedsimError) as caught:
        read(tmp_path, CSV.replace(old, new, 1))
    said = str(caught.value)
    for fragment in fragments:
        assert fragment in said, said
    assert all(line.isprintable() for line in caught.value.lines)
    # a faulty file is told, and not that nothing in it can be chosen
    in_the_file = not fragments[0].startswith("drive.")
    assert ("m.csv" in said) == in_the_file
    assert ("drive.chosen" not in said) or not in_the_file


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    text = DRIVE[: DRIVE.index("[[feeder.drive.motor]]")].replace("chosen", 'motors = "no"\nchosen')
    assert refused(text=text) == ['feeder.0.drive.motors: "no": there is no such file']


DRIVE_KEY, MOTOR = "feeder.0.drive", "feeder.0.drive.motor.0"


@pytest.mark.parametrize(
    ("key", "value", "fragment"),
    [
        (f"{MOTOR}.peak_torque", "0.1 Nm", "at least rated_torque"),
        (f"{MOTOR}.max_speed", "10 rpm", "at least rated_speed"),
        (f"{MOTOR}.rotor_inertia", "0 kg*m^2", "an inertia of more than 0"),
        (f"{MOTOR}.rated_torque", "5 mm", "this is a length"),
        (f"{MOTOR}.rated_torque", "5", 'write "5 Nm"'),
        (f"{MOTOR}.rated_power", "5 Nm", "this is a torque"),
        (f"{MOTOR}.rated_speed", "50 Hz", "this is a rate"),
        (f"{MOTOR}.over_temperature_factor", "0", "0.1 to 1"),
        (f"{MOTOR}.rotor_inertai", "5", '"rotor_inertia"'),
        (f"{DRIVE_KEY}.chosen", "big", "the name of a candidate"),
        (f"{DRIVE_KEY}.motors", "x.csv", "to be left out beside"),
        (f"{DRIVE_KEY}.motor", "5", "up to 200 of [[feeder.drive.motor]]"),
        (f"{DRIVE_KEY}", "5", "a table, [feeder.drive]"),
        (f"{DRIVE_KEY}.pull_off_travel", "1 m", "at most 153.6 mm"),  # 85.6 + 70 − 2
        (f"{DRIVE_KEY}.pull_off_from", "90 mm", "at most 70 mm"),
        (f"{DRIVE_KEY}.normal_force", "0 N", "friction takes both"),
        (f"{DRIVE_KEY}.insert_mass", "0 g", "more than 0 beside"),
        (f"{DRIVE_KEY}.roller.0.bore", "42 mm", "less than the diameter"),
        (f"{DRIVE_KEY}.roller.0.length", "0 mm", "a diameter and a length"),
        (f"{DRIVE_KEY}.reduction.0.ratio", "0", "0.01 to 1000"),
        (f"{DRIVE_KEY}.reduction.0.efficiency", "120 %", "a share of 1 % to 100 %"),
        (f"{DRIVE_KEY}.roler", "5", 'the nearest in [feeder.drive] is "roller"'),
    ],
)
def test_what_cannot_be_is_refused(key: str, value: str, fragment: str) -> None:
    (line, *_) = refused(f"{key}={value}")
    assert line.startswith(f"{key}: ")
    assert fragment in line


def test_a_roller_of_which_nothing_is_told_is_refused() -> None:
    (line,) = refused(f"{DRIVE_KEY}.roller.1.inertia=0 g*cm^2")
    assert line.startswith(f"{DRIVE_KEY}.roller.1.diameter: ")
    assert "or the inertia of this roller" in line


def test_automatic_acceleration_needs_a_chosen_motor() -> None:
    (line,) = refused("feeder.0.servo.max_acceleration=auto", f"{DRIVE_KEY}.chosen=")
    assert line.startswith('feeder.0.servo.max_acceleration: found "auto"; needs drive.chosen')


def test_single_brackets_for_several_tables() -> None:
    (line, *_) = refused(text=DRIVE.replace("[[feeder.drive.motor]]", "[feeder.drive.motor]"))
    assert line == (
        "feeder.0.drive.motor: write [[feeder.drive.motor]], in double brackets: there may be "
        "several"
    )


def test_automatic_acceleration_without_a_drive_is_refused() -> None:
    with pytest.raises(FeedsimError, match=r"a \[feeder.drive\] beside it"):
        scenario_from_text(BASE, overrides=["feeder.0.servo.max_acceleration=auto"])


def test_automatic_acceleration_comes_from_the_chosen_motor() -> None:
    # one inertia of 1.5 kg·m² on 1 m, a rotor of 0.5 kg·m², 3 N·m, friction 1 N·m: 1 m/s²
    text = """
[feeder.drive]
roller_diameter = "2 m"
friction_torque = "1 Nm"
chosen = "one"
[[feeder.drive.roller]]
inertia = "1.5 kg*m^2"
[[feeder.drive.motor]]
name = "one"
rated_torque = "1 Nm"
peak_torque = "3 Nm"
rated_speed = "100 rpm"
max_speed = "100 rpm"
rotor_inertia = "0.5 kg*m^2"
rated_power = "10 W"
"""
    automatic = "feeder.0.servo.max_acceleration=auto"
    machine = machine_of(with_drive(automatic, text=text))
    assert machine.feeders[0].servo.max_acceleration_mm_s2 == pytest.approx(1000.0, rel=1e-12)
    stuck = with_drive(automatic, "feeder.0.drive.friction_torque=3 Nm", text=text)
    with pytest.raises(FeedsimError, match="friction and pull-off take all of its peak torque"):
        machine_of(stuck)


def test_the_schema_knows_a_drive() -> None:
    from jsonschema import Draft202012Validator

    schema = Draft202012Validator(json_schema())
    data = scenario_to_dict(with_drive())
    schema.validate(data)
    data["feeder"][0]["drive"]["motor"][0]["rated_torque"] = 5
    assert not schema.is_valid(data)
