"""Keys of a feeder's drive: moving parts, resisting forces and candidate motors."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any, Literal

from feedsim.scenario.keys import (
    Auto,
    KeyType,
    Quantity,
    Ratio,
    Section,
    Text,
    Whole,
    key,
)
from feedsim.scenario.line import Length, Size
from feedsim.scenario.motor_file import MOST_MOTORS
from feedsim.scenario.optional import tables

_MOST = 100
_PRACTICE = "Common practice, no source; the motor maker's own data decide."

Inertia = Annotated[float, Quantity("inertia", at_least=0.0)]
Mass = Annotated[float, Quantity("mass", at_least=0.0)]
Torque = Annotated[float, Quantity("torque", above=0.0)]
Turning = Annotated[float, Quantity("angular speed", above=0.0)]


@dataclass(frozen=True)
class TextOrNone(KeyType):
    """A line of text; empty for none."""

    longest: int

    def _read(self, raw: Any) -> str:
        return "" if raw == "" else Text(self.longest).read(raw)

    def schema(self) -> dict[str, Any]:
        """Return the JSON Schema of what is allowed."""
        return {"type": "string", "maxLength": self.longest}


class Roller(Section):
    """A roller, pulley or coupling: a cylinder by its size, or its inertia."""

    diameter: Length = key(
        "Outer diameter, a length; its rim runs at feed speed. 0 mm: it turns with the feed "
        "roller, and its inertia is given.",
        "0 mm",
    )
    bore: Length = key("Inner diameter of a hollow cylinder, a length; 0 mm is solid.", "0 mm")
    length: Length = key("Length along its axis; with the diameter it makes the inertia.", "0 mm")
    density: Annotated[float, Quantity("density", above=0.0)] = key(
        "Density of its material; that of steel unless given.", "7850 kg/m^3"
    )
    inertia: Inertia = key(
        "Moment of inertia about its axis, if known; replaces size and density.",
        "0 kg*m^2",
    )
    count: Annotated[int, Whole(1, 1000)] = key("Number of such rollers.", 1)


class Reduction(Section):
    """A stage between motor and feed roller, in the order from the motor."""

    ratio: Annotated[float, Ratio(0.01, 1000.0)] = key("Turns of the input for one of the output.")
    efficiency: Annotated[float, Quantity("share", at_least=0.01, at_most=1.0)] = key(
        "Efficiency: power out over power in, a share.", "100 %"
    )
    inertia: Inertia = key(
        "Moment of inertia of the stage at its input, the motor side.", "0 kg*m^2"
    )


class Motor(Section):
    """A candidate to drive the feeder, from its data sheet."""

    name: Annotated[str, Text(100)] = key("Name; each candidate has its own.")
    rated_torque: Torque = key("Continuous torque at rated speed.")
    peak_torque: Torque = key("Peak torque, for a short time.")
    rated_speed: Turning = key("Speed for which torque and power are rated.")
    max_speed: Turning = key("Highest speed.")
    rotor_inertia: Annotated[float, Quantity("inertia", above=0.0)] = key(
        "Moment of inertia of the rotor, with its brake if it has one."
    )
    rated_power: Annotated[float, Quantity("power", above=0.0)] = key("Continuous power.")
    over_temperature_factor: Annotated[float, Ratio(0.1, 1.0)] = key(
        "Share of rated torque and power left at temperatures above the rated one.", 1.0
    )


class Drive(Section):
    """The drive of the feeder, for feedsim drive and an automatic largest acceleration."""

    roller_diameter: Size = key("Diameter of the feed roller at the feed surface.")
    belt_mass: Mass = key("Mass of belts and other parts that move at feed speed.", "0 kg")
    insert_mass: Mass = key("Mass of one insert.", "0 kg")
    inserts_carried: Annotated[int, Whole(0, 10_000)] = key("Inserts moving at a time.", 1)
    friction_torque: Annotated[float, Quantity("torque", at_least=0.0)] = key(
        "Friction torque at the feed roller's shaft while it turns.", "0 Nm"
    )
    pull_off_force: Annotated[float, Quantity("force", at_least=0.0)] = key(
        "Force with which the magazine holds the next insert back.", "0 N"
    )
    pull_off_from: Length = key(
        "Feed travel in a cycle at which this force begins; 0 mm: as the clutch closes.", "0 mm"
    )
    pull_off_travel: Annotated[float | Literal["auto"], Auto(Quantity("length", at_least=0.0))] = (
        key("Feed travel over which it acts; auto: the length of an insert.", "auto")
    )
    friction_coefficient: Annotated[float, Ratio(0.0, 10.0)] = key(
        "Friction coefficient between feed surface and insert; 0: unknown.", 0.0
    )
    normal_force: Annotated[float, Quantity("force", at_least=0.0)] = key(
        "Force that presses the insert on the feed surface; 0 N: unknown.", "0 N"
    )
    service_factor: Annotated[float, Ratio(1.0, 10.0)] = key(
        f"Factor on required torques and power before comparing. {_PRACTICE}", 1.2
    )
    allowed_inertia_ratio: Annotated[float, Ratio(0.1, 1000.0)] = key(
        f"Largest reflected inertia, as a multiple of the rotor's. {_PRACTICE}", 10.0
    )
    roller: Annotated[tuple[Roller, ...], tables("feeder.drive.roller", most=_MOST)] = key(
        "Rollers, pulleys and couplings that turn.", ()
    )
    reduction: Annotated[tuple[Reduction, ...], tables("feeder.drive.reduction", most=_MOST)] = key(
        "Stages from the motor to the feed roller; none: the motor sits on its shaft.", ()
    )
    motor: Annotated[tuple[Motor, ...], tables("feeder.drive.motor", most=MOST_MOTORS)] = key(
        "Candidates to drive the feeder.", ()
    )
    motors: Annotated[str, TextOrNone(1000)] = key(
        "Instead: a CSV file of candidates, its path relative to this one.", ""
    )
    chosen: Annotated[str, TextOrNone(100)] = key(
        "Name of the chosen candidate; servo.max_acceleration may then be auto.", ""
    )

    @property
    def unused(self) -> tuple[str, ...]:
        """The file's name: its rows have joined the motors."""
        return ("motors",)
