"""Whether the keys of a drive fit each other."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from feedsim.errors import Fault
from feedsim.machine import SAME_TRAVEL_MM
from feedsim.scenario.given import Given, KeyPath, mm
from feedsim.scenario.motor_file import motor_faults
from feedsim.scenario.wording import dotted, shown


def drive_faults(given: Given, feeder: KeyPath) -> Iterator[Fault]:
    """Find faults between the keys of the drive of the feeder at a path."""
    drive = given.raw(*feeder, "drive")
    automatic = given.raw(*feeder, "servo", "max_acceleration") == "auto"
    if not isinstance(drive, dict):
        if automatic:
            yield _not_chosen(feeder, "a [feeder.drive] beside it that names the chosen motor")
        return
    here = (*feeder, "drive")
    for number, _ in given.rows(*here, "roller"):
        yield from _roller(given, (*here, "roller", number))
    yield from _pull_off(given, feeder)
    yield from _grip(given, here)
    names: list[Any] = []
    for number, motor in given.rows(*here, "motor"):
        yield from _motor(motor, (*here, "motor", number), names)
    motors = drive.get("motor")
    count = len(motors) if isinstance(motors, (list, tuple)) else 0
    if len(names) == count and not drive.get("motors"):
        yield from _chosen(drive, here, names)
    if automatic and not drive.get("chosen"):
        yield _not_chosen(feeder, "drive.chosen, the name of the motor that it is taken from")


def _not_chosen(feeder: KeyPath, needs: str) -> Fault:
    path = (*feeder, "servo", "max_acceleration")
    return Fault(dotted(path), '"auto"', f"{needs}; or an acceleration")


def _roller(given: Given, here: KeyPath) -> Iterator[Fault]:
    """Check that a roller has an inertia, or the size that it follows from."""
    diameter, bore, length, inertia = (
        given(*here, name) for name in ("diameter", "bore", "length", "inertia")
    )
    if None in (diameter, bore, length, inertia):
        return
    if inertia == 0.0 and not (diameter > 0.0 and length > 0.0):
        name = "length" if diameter > 0.0 else "diameter"
        allowed = "a diameter and a length, both of more than 0 mm; or the inertia of this roller"
        yield given.fault((*here, name), allowed)
    elif inertia == 0.0 and bore >= diameter:
        allowed = f"less than the diameter, {mm(diameter)}"
        yield given.fault((*here, "bore"), allowed)


def _pull_off(given: Given, feeder: KeyPath) -> Iterator[Fault]:
    """Check that an insert is off the magazine before the next cycle begins."""
    start, travel = (given(*feeder, "drive", f"pull_off_{name}") for name in ("from", "travel"))
    length, gap = given(*feeder, "insert", "length"), given(*feeder, "insert", "gap")
    if None in (start, travel, length, gap):
        return
    over = length if travel == "auto" else travel
    if start + over > length + gap + SAME_TRAVEL_MM:
        name = "pull_off_from" if travel == "auto" or start > length + gap else "pull_off_travel"
        most = length + gap - (over if name == "pull_off_from" and travel == "auto" else 0.0)
        most -= start if name == "pull_off_travel" else 0.0
        allowed = f"at most {mm(most)}: a cycle feeds no further than insert.length and insert.gap"
        yield given.fault((*feeder, "drive", name), allowed)


def _grip(given: Given, here: KeyPath) -> Iterator[Fault]:
    """Check that friction is complete: coefficient, force and mass, or none of them."""
    friction, force = given(*here, "friction_coefficient"), given(*here, "normal_force")
    mass = given(*here, "insert_mass")
    if None in (friction, force, mass):
        return
    if (friction > 0.0) != (force > 0.0):
        name = "normal_force" if friction > 0.0 else "friction_coefficient"
        other = "friction_coefficient" if friction > 0.0 else "normal_force"
        yield given.fault((*here, name), f"more than 0 beside {other}: friction takes both")
    elif friction > 0.0 and mass == 0.0:
        yield given.fault((*here, "insert_mass"), "more than 0 beside friction_coefficient")


def _motor(motor: dict[Any, Any], here: KeyPath, names: list[Any]) -> Iterator[Fault]:
    for key, message in motor_faults(motor):
        yield Fault(dotted((*here, key)), shown(motor[key]), message=message)
    name = motor.get("name")
    if isinstance(name, str):
        if name in names:
            allowed = "a name of its own: another has this one"
            yield Fault(dotted((*here, "name")), shown(name), allowed)
        names.append(name)


def _chosen(drive: dict[Any, Any], here: KeyPath, names: list[Any]) -> Iterator[Fault]:
    chosen = drive.get("chosen")
    if not isinstance(chosen, str) or not chosen or chosen in names:
        return
    some = ", ".join(shown(name) for name in names[:6]) + (" and more" if len(names) > 6 else "")
    needs = f"the name of a candidate: {some}" if names else "candidates, [[feeder.drive.motor]]"
    yield Fault(dotted((*here, "chosen")), shown(chosen), needs)
