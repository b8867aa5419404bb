"""The columns of a trial's CSV, each with its unit in its name."""

from __future__ import annotations

import difflib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from feedsim.errors import Fault, FeedsimError
from feedsim.quantities import System

__all__ = ["Column", "Quantity", "blank_heads", "columns_of", "is_number"]

Quantity = Literal["speed", "error", "stage", "feeder", "carriers", "missed"]


@dataclass(frozen=True, slots=True)
class Column:
    """One column that is read.

    Attributes
    ----------
    name : str
        As it stands in the head.
    quantity : str
        What it holds.
    place : int
        Which cell of a row, from 0.
    times, over : float
        mm or mm/s of a number in it: number · times/over, so that 60 m/min are 1000 mm/s to the
        last bit.
    """

    name: str
    quantity: Quantity
    place: int
    times: float = 1.0
    over: float = 1.0


_LENGTHS = {"mm": (1.0, 1.0), "in": (25.4, 1.0)}
_SPEEDS = {"m_per_min": (1000.0, 60.0), "mm_s": (1.0, 1.0), "ft_per_min": (304.8, 60.0)}
_STEMS: Mapping[str, tuple[Quantity, Mapping[str, tuple[float, float]]]] = {
    "line_speed": ("speed", _SPEEDS),
    "placement_error": ("error", _LENGTHS),
    "stage_position": ("stage", _LENGTHS),
}
_PLAIN: Mapping[str, Quantity] = {"feeder": "feeder", "carriers": "carriers", "missed": "missed"}
_KNOWN = (*(f"{stem}_{unit}" for stem, (_, units) in _STEMS.items() for unit in units), *_PLAIN)
_BLANK: Mapping[System, tuple[str, str]] = {
    "metric": ("m_per_min", "mm"),
    "inch": ("ft_per_min", "in"),
}
_LIKE = 0.8


def blank_heads(units: System, *, several: bool) -> tuple[str, ...]:
    """Return the head of a blank file.

    Parameters
    ----------
    units : {"metric", "inch"}
    several : bool
        With a column that tells the feeder.
    """
    speed, length = _BLANK[units]
    feeder = ("feeder",) if several else ()
    measured = (f"placement_error_{length}", f"stage_position_{length}")
    return (f"line_speed_{speed}", *feeder, "carriers", "missed", *measured)


def columns_of(head: Sequence[str], row: int) -> tuple[list[Column], list[str]]:
    """Read the head of a file.

    Parameters
    ----------
    head : sequence of str
    row : int
        Where it stands, for the message.

    Returns
    -------
    columns : list of Column
        With a speed and something measured among them, each quantity once.
    others : list of str
        Columns that are not read.

    Raises
    ------
    FeedsimError
        With all that is wrong in the head.
    """
    names = [name.strip().lower() for name in head]
    if all(is_number(name) for name in names if name):
        raise FeedsimError(
            Fault(
                f"row {row}",
                message="there is no head: the first row has to name the columns, such as "
                "line_speed_m_per_min,placement_error_mm",
            )
        )
    columns, others = [], []
    faults: list[Fault] = []
    for place, name in enumerate(names):
        column = _column(name, place)
        wrong = _wrong(name) if column is None else None
        if column is not None:
            columns.append(column)
        elif wrong is not None:
            faults.append(Fault(f"row {row}, column {_shown(name)}", message=wrong))
        elif name:
            others.append(_shown(name))
    faults += [Fault(f"row {row}", message=text) for text in _twice_or_never(columns)]
    if faults:
        raise FeedsimError(*faults)
    return columns, others


def _column(name: str, place: int) -> Column | None:
    if name in _PLAIN:
        return Column(name, _PLAIN[name], place)
    for stem, (quantity, units) in _STEMS.items():
        unit = name.removeprefix(f"{stem}_")
        if unit != name and unit in units:
            return Column(name, quantity, place, *units[unit])
    return None


def _wrong(name: str) -> str | None:
    """Say what is wrong with a head that means one of ours, but is none."""
    for stem, (_, units) in _STEMS.items():
        names = " or ".join(f"{stem}_{unit}" for unit in units)
        if name == stem:
            return f"says no unit; write {names}"
        if name.startswith(stem):
            return f"has a unit that is not known here; write {names}"
    near = difflib.get_close_matches(name, _KNOWN, n=1, cutoff=_LIKE)
    return f"there is no such column; did you mean {near[0]}?" if near else None


def _twice_or_never(columns: Sequence[Column]) -> Iterator[str]:
    for quantity in ("speed", "error", "stage", "feeder", "carriers", "missed"):
        names = [column.name for column in columns if column.quantity == quantity]
        if len(names) > 1:
            yield f"two columns for one thing: {' and '.join(names)}"
    found = {column.quantity for column in columns}
    if "speed" not in found:
        speeds = " or ".join(f"line_speed_{unit}" for unit in _SPEEDS)
        yield f"no column tells the line speed; it needs {speeds}"
    if not found & {"error", "stage", "missed"}:
        yield (
            "nothing measured in it; it needs placement_error_mm or placement_error_in, and may "
            "have stage_position_mm or stage_position_in, missed, carriers and feeder"
        )


def is_number(text: str) -> bool:
    """Tell whether a cell reads as a number."""
    try:
        float(text.replace(",", "."))
    except ValueError:
        return False
    return True


def _shown(name: str) -> str:
    text = "".join(c if c.isprintable() else "?" for c in name)
    return text if len(text) <= 40 else text[:39] + "…"
