"""The columns of a trial's CSV, each with its unit in its name."""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, get_args

from feedsim.errors import Fault, FeedsimError
from feedsim.quantities import System
from feedsim.scenario.csv_numbers import ALONE, plain_number

Measurand = Literal["speed", "error", "stage", "feeder", "carriers", "missed"]


@dataclass(frozen=True, slots=True)
class TrialColumn:
    """One column that is read, and its cell in a row (from 0).

    ``times``, ``over``: its numbers times times/over are in mm or mm/s, so 60 m/min are 1000 mm/s
    to the last bit.
    """

    name: str
    quantity: Measurand
    place: int
    times: float = 1.0
    over: float = 1.0

    def value(self, text: str, *, commas: bool) -> tuple[float, str]:
        """Read a number (mm or mm/s), also with a true minus or a decimal comma.

        The text is empty, or says what is needed instead; `commas` as in
        :func:`feedsim.scenario.csv_numbers.plain_number`.
        """
        try:
            plain = plain_number(text, commas=commas)
        except ValueError as error:
            return math.nan, str(error)
        try:
            value = math.nan if "_" in plain else float(plain)
        except ValueError:
            return math.nan, f"a number, such as 1.25, {ALONE}"
        if math.isfinite(value):
            return value * self.times / self.over, ""
        return math.nan, "a number, or nothing where none was measured"

    def between(self, low: float, high: float) -> str:
        """Name two bounds (mm or mm/s) in the unit of the column."""
        return " to ".join(f"{end * self.over / self.times:.6g}" for end in (low, high))


_LENGTHS = {"mm": (1.0, 1.0), "in": (25.4, 1.0)}
_SPEEDS = {"m_per_min": (1000.0, 60.0), "mm_s": (1.0, 1.0), "ft_per_min": (304.8, 60.0)}
_STEMS: Mapping[str, tuple[Measurand, Mapping[str, tuple[float, float]]]] = {
    "line_speed": ("speed", _SPEEDS),
    "placement_error": ("error", _LENGTHS),
    "stage_position": ("stage", _LENGTHS),
}
_PLAIN: Mapping[str, Measurand] = {"feeder": "feeder", "carriers": "carriers", "missed": "missed"}
_KNOWN = {f"{stem}_{u}": (q, *size) for stem, (q, us) in _STEMS.items() for u, size in us.items()}
_BLANK: Mapping[System, tuple[str, str]] = {
    "metric": ("m_per_min", "mm"),
    "inch": ("ft_per_min", "in"),
}
_LIKE = 0.8


def blank_heads(units: System, *, several: bool) -> tuple[str, ...]:
    """Return the head of a blank file; ``several``: with a column for the feeder."""
    speed, length = _BLANK[units]
    feeder = ("feeder",) if several else ()
    measured = (f"placement_error_{length}", f"stage_position_{length}")
    return (f"line_speed_{speed}", *feeder, "carriers", "missed", *measured)


def columns_of(head: Sequence[str], row: int) -> tuple[list[TrialColumn], list[str]]:
    """Read the head of a file, in a given row: the columns, and those that are not read.

    The columns must have a speed and something measured, each quantity once. Raises FeedsimError
    with all faults of the head.
    """
    names = [name.strip().lower() for name in head]
    if all(_is_number(name) for name in names if name):
        raise FeedsimError(
            Fault(
                f"row {row}",
                message="there is no head: the first row has to name the columns, such as "
                "line_speed_m_per_min,placement_error_mm",
            )
        )
    columns: list[TrialColumn] = []
    others: list[str] = []
    faults: list[Fault] = []
    for place, name in enumerate(names):
        if name in _PLAIN:
            columns.append(TrialColumn(name, _PLAIN[name], place))
        elif name in _KNOWN:
            quantity, *size = _KNOWN[name]
            columns.append(TrialColumn(name, quantity, place, *size))
        elif wrong := _wrong(name):
            faults.append(Fault(f"row {row}, column {_shown(name)}", message=wrong))
        elif name:
            others.append(_shown(name))
    faults += [Fault(f"row {row}", message=text) for text in _twice_or_never(columns)]
    if faults:
        raise FeedsimError(*faults)
    return columns, others


def _wrong(name: str) -> str:
    """Say what is wrong with a head that is nearly one of ours."""
    for stem, (_, units) in _STEMS.items():
        if name.startswith(stem):
            what = "says no unit" if name == stem else "has an unknown unit"
            return f"{what}; write {' or '.join(f'{stem}_{unit}' for unit in units)}"
    near = difflib.get_close_matches(name, [*_KNOWN, *_PLAIN], n=1, cutoff=_LIKE)
    return f"there is no such column; did you mean {near[0]}?" if near else ""


def _twice_or_never(columns: Sequence[TrialColumn]) -> Iterator[str]:
    for quantity in get_args(Measurand):
        names = [column.name for column in columns if column.quantity == quantity]
        if len(names) > 1:
            yield f"two columns for one thing: {' and '.join(names)}"
    found = {column.quantity for column in columns}
    if "speed" not in found:
        speeds = " or ".join(f"line_speed_{unit}" for unit in _SPEEDS)
        yield f"no column gives the line speed; it needs {speeds}"
    if not found & {"error", "stage", "missed"}:
        yield (
            "nothing measured in it; it needs placement_error_mm or placement_error_in, and may "
            "have stage_position_mm or stage_position_in, missed, carriers and feeder"
        )


def _is_number(text: str) -> bool:
    try:
        float(text.replace(",", "."))
    except ValueError:
        return False
    return True


def _shown(name: str) -> str:
    text = "".join(c if c.isprintable() else "?" for c in name)
    return text if len(text) <= 40 else text[:39] + "…"
