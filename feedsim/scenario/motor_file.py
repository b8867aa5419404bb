"""Candidate motors from a CSV file: a row each, units in the names of the columns."""

from __future__ import annotations

import difflib
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from feedsim.errors import Fault, FeedsimError
from feedsim.measures import QuantityError, canonical, parse
from feedsim.quantities import Kind, named
from feedsim.scenario.csv_numbers import ALONE, plain_number
from feedsim.scenario.table_file import Table, cell_at, is_blank_row, read_table
from feedsim.scenario.wording import dotted, shown, shown_path

MOST_MOTORS = 200
_LARGEST = 1_000_000  # bytes
_MOST_ROWS = 5  # faulty rows reported one by one
_TORQUE = {
    "n_m": "N*m",
    "nm": "N*m",
    "mnm": "mNm",
    "n_cm": "Ncm",
    "lbf_in": "lbf*in",
    "lbf_ft": "lbf*ft",
}
_SPEED = {"rpm": "rpm", "rev_s": "rev/s", "rad_s": "rad/s"}
_INERTIA = {
    "kg_m2": "kg*m^2",
    "kg_cm2": "kg*cm^2",
    "g_cm2": "g*cm^2",
    "kg_mm2": "kg*mm^2",
    "lb_in2": "lb*in^2",
}
_POWER = {"w": "W", "kw": "kW", "hp": "hp"}
COLUMNS: dict[str, tuple[Kind, dict[str, str]]] = {
    "rated_torque": ("torque", _TORQUE),
    "peak_torque": ("torque", _TORQUE),
    "rated_speed": ("angular speed", _SPEED),
    "max_speed": ("angular speed", _SPEED),
    "rotor_inertia": ("inertia", _INERTIA),
    "rated_power": ("power", _POWER),
}
"""For each quantity its kind, and the units that its column name may end in."""

_FACTOR = "over_temperature_factor"
_EXAMPLE = {"torque": "n_m", "angular speed": "rpm", "inertia": "kg_m2", "power": "w"}


def with_motors(data: dict[str, Any], folder: Path) -> tuple[dict[str, Any], list[Fault]]:
    """Put ``[[feeder.drive.motor]]`` for each row of a named file in place of its name, ``motors``.

    ``data``, a whole scenario, not checked yet, stays as it is; relative paths start at ``folder``.
    The name of a faulty file stays; its faults are returned.
    """
    feeders = data.get("feeder")
    if not isinstance(feeders, (list, tuple)):
        return data, []
    changed, faults = list(feeders), []
    for number, feeder in enumerate(feeders):
        drive = feeder.get("drive") if isinstance(feeder, dict) else None
        file = drive.get("motors") if isinstance(drive, dict) else None
        if not isinstance(drive, dict) or not isinstance(file, str) or not file.strip():
            continue
        path = ("feeder", number, "drive", "motors")
        if drive.get("motor"):
            allowed = "to be left out beside [[feeder.drive.motor]]: candidates come from one place"
            faults.append(Fault(dotted(path), shown(file), allowed))
            continue
        try:
            motors = read_motors(folder / file, key=dotted(path))
        except FeedsimError as error:
            faults += error.faults
            continue
        rest = {name: value for name, value in drive.items() if name != "motors"}
        changed[number] = {**feeder, "drive": {**rest, "motor": motors}}
    return {**data, "feeder": changed}, faults


def read_motors(path: Path, *, key: str) -> list[dict[str, Any]]:
    """Read the candidates of a file, each like a ``[[feeder.drive.motor]]``.

    Raises FeedsimError if it cannot be read, a column is missing or of another kind, or a value is
    not valid.
    """
    file = shown_path(path)
    try:
        table = read_table(path, largest=_LARGEST, what="table of motors")
        below = [(row, cells) for row, cells in table.rows() if not is_blank_row(cells)]
    except FeedsimError as error:
        raise _wrong(key, f"{file}: {error.faults[0].message}") from None
    names, at = table.head, f"row {table.head_row}"
    columns = _columns([name.lower() for name in names], file=f"{file}, {at}", key=key)
    if not below:
        raise _wrong(key, f"{file}: {at} names the columns; there has to be a motor below it")
    if len(below) > MOST_MOTORS:
        raise _wrong(key, f"{file}: has more than {MOST_MOTORS} motors")
    motors, faults = [], []
    for row, cells in below:
        motor = _motor(cells, columns, table)
        wrong = [*motor.pop("", ()), *(f"{of}: {why}" for of, why in motor_faults(motor))]
        faults += [f"{file}, row {row}: {said}" for said in wrong]
        motors.append(motor)
    if faults:
        more = [f"and {len(faults) - _MOST_ROWS} more"] if len(faults) > _MOST_ROWS else []
        raise FeedsimError(*(Fault(key, message=m) for m in [*faults[:_MOST_ROWS], *more]))
    return motors


def motor_faults(motor: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """Find inconsistent values of one motor: the key and what it needs; skip invalid values."""
    for low, high, kind in (
        ("rated_torque", "peak_torque", "torque"),
        ("rated_speed", "max_speed", "angular speed"),
    ):
        try:
            least, most = (parse(str(motor.get(name, "")), kind) for name in (low, high))
        except QuantityError:
            continue
        if most < least:
            yield high, f"found {shown(motor[high])}; needs at least {low}, {motor[low]}"


def _columns(names: Sequence[str], *, file: str, key: str) -> dict[str, tuple[int, str]]:
    """Find each key's column: its place, and its unit (``""``: none)."""
    found: dict[str, tuple[int, str]] = {}
    faults = []
    for name in ("name", _FACTOR):
        if name in names:
            found[name] = names.index(name), ""
    if "name" not in found:
        faults.append('column "name" is missing')
    for name, (kind, units) in COLUMNS.items():
        here = [column for column in names if column == name or column.startswith(f"{name}_")]
        right = [column for column in here if column.removeprefix(f"{name}_") in units]
        wanted = f'"{name}_{_EXAMPLE[kind]}"'
        ends = " or ".join(f"_{unit}" for unit in units)
        if len(right) == 1:
            found[name] = names.index(right[0]), units[right[0].removeprefix(f"{name}_")]
        elif right:
            faults.append(f"columns {shown(right[0])} and {shown(right[1])} are the same key")
        elif here:
            faults.append(
                f"column {shown(here[0])} does not say the unit of {named(kind)}; it has to end in "
                f"{ends}"
            )
        else:
            faults.append(f"column {wanted} is missing ({named(kind)}; it may end in {ends})")
    others = [name for name in names if name and name not in COLUMNS]
    if _FACTOR not in found and (near := difflib.get_close_matches(_FACTOR, others, cutoff=0.7)):
        faults.append(f"column {shown(near[0])} is not known; the nearest is {shown(_FACTOR)}")
    if faults:
        raise FeedsimError(*(Fault(key, message=f"{file}: {said}") for said in faults))
    return found


def _motor(
    cells: Sequence[str],
    columns: Mapping[str, tuple[int, str]],
    table: Table,
) -> dict[str, Any]:
    """Read one row; faults of the whole row are under ``""``."""
    motor: dict[str, Any] = {}
    wrong: list[str] = []
    for name, (place, unit) in columns.items():
        text = cell_at(cells, place)
        if not text and name == _FACTOR:
            continue
        if not text:
            wrong.append(f"nothing in column {name}")
        elif name == "name":
            motor[name] = text
        else:
            try:
                motor[name] = _value(text, name, unit, commas=table.commas)
            except ValueError as error:
                wrong.append(f"{name}: found {shown(text)}; needs {error}")
    if too_wide := table.too_wide(cells):
        wrong.append(too_wide)
    return {**motor, "": wrong}


def _value(text: str, name: str, unit: str, *, commas: bool) -> str | float:
    """Read a number of a column; a ValueError ends the sentence "needs ..."."""
    plain = plain_number(text, commas=commas)
    if name == _FACTOR:
        factor = float(plain) if plain.replace(".", "", 1).isdecimal() else -1.0
        if not 0.1 <= factor <= 1.0:
            raise ValueError("a number, 0.1 to 1")
        return factor
    kind = COLUMNS[name][0]
    try:
        value = parse(f"{plain} {unit}", kind)
    except QuantityError as error:
        _, beyond, bound = str(error).partition("; ")
        wanted = f"a number of more than 0, such as 1.25, {ALONE}"
        raise ValueError(f"{wanted}{beyond}{bound.removeprefix('0 or ')}") from None
    if not 0.0 < value < float("inf"):
        raise ValueError("a number of more than 0")
    return canonical(value, kind)


def _wrong(key: str, message: str) -> FeedsimError:
    return FeedsimError(Fault(key, message=message))
