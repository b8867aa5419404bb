"""The scenario with what was learned: changed keys, their values, and how sure these are."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, NamedTuple

from feedsim.answers.learn.study.figures import Learned
from feedsim.answers.learn.study.learned import Learning
from feedsim.answers.learn.text import range_text, value_text
from feedsim.errors import Fault, FeedsimError
from feedsim.machine import SIDES, SideName
from feedsim.metrics.machine_settings import typed
from feedsim.quantities import System, display, trimmed
from feedsim.scenario import scenario_from_dict
from feedsim.scenario.reading import parse_toml
from feedsim.scenario.record_file import MOST_PITCHES
from feedsim.scenario.rewriting import changed_text, unit_and_size
from feedsim.scenario.tree import path_of, value_at

_UNITS: dict[str, tuple[str, float]] = {
    "length": ("mm", 1.0),
    "time": ("ms", 1e-3),
    "speed": ("m/min", 1000.0 / 60.0),
    "share": ("%", 0.01),
    "rate": ("1/s", 1.0),
}
_IN_INCHES = {"length": ("in", 25.4), "speed": ("ft/min", 304.8 / 60.0)}


class Written(NamedTuple):
    """A value as written in the file, and the comment beside it."""

    text: str
    note: str


def written_values(
    found: Learning, data: Mapping[str, Any] | None = None, *, units: System = "metric"
) -> dict[str, Written]:
    """Return the values to write into a scenario, by path, in the units used in the file's data.

    Only differences are written; a distance and its lead go together. If anything of a feeder
    changes, its ``"auto"`` settings become the numbers that they stood for: those are typed in at
    the machine, and "auto" would change with the learned values.
    """
    values: dict[str, Written] = {}
    for row in found.differing:
        if row.key and ".settings." not in row.key:
            values[row.key] = Written(_amount(row, data, units), _note(found, row, units))
    for number in range(len(found.machine.feeders)):
        for side in SIDES:
            values |= _side(found, number, side, data, units)
    law = found.arrival.found.law if found.arrival is not None else None
    if found.arrival is not None and found.arrival.agrees is False and law in {"paced", "random"}:
        values["carrier.arrival"] = Written(str(law), "learned from the pitches")
    if values:
        for number in range(len(found.machine.feeders)):
            for path, text in _typed(found, number, units):
                note = 'as typed in on the machine: "auto" would follow the learned values'
                values.setdefault(path, Written(text, note))
    return values


def _amount(row: Learned, data: Mapping[str, Any] | None, units: System) -> str:
    value, half = _middle(row)
    return _quantity(row.key, row.kind, value, half, data, units)


def _middle(row: Learned) -> tuple[float, float]:
    """Return a learned value and half of its interval."""
    value = row.value or 0.0
    return value, 0.5 * ((row.high or value) - (row.low or value))


def _quantity(
    path: str, kind: str, value: float, half: float, data: Mapping[str, Any] | None, units: System
) -> str:
    """Write a quantity to two digits of its interval, in the unit used at its path."""
    unit, size = _IN_INCHES.get(kind, _UNITS[kind]) if units == "inch" else _UNITS[kind]
    there = unit_and_size(value_at(data, path_of(path)), kind) if data is not None else None
    unit, size = (there[0].strip(), there[1]) if there else (unit, size)
    half = max(half / size, 1e-9)
    places = min(9, max(0, 1 - math.floor(math.log10(half))))
    return f"{trimmed(f'{value / size:.{places}f}')} {unit}"


def _note(found: Learning, row: Learned, units: System) -> str:
    files = ", ".join(log.file for log in found.logs[:3])
    if found.placements is not None and row.placed:
        files = found.placements.file
    return f"learned from {files}: {value_text(row, units)} (95 %: {range_text(row, units)})"


def _side(
    found: Learning,
    number: int,
    side: SideName,
    data: Mapping[str, Any] | None,
    units: System,
) -> dict[str, Written]:
    """Return distance and lead of a side, if the travels of any log differ."""
    distance, lead, travels = found.side(number, side)
    differing = [(travel, row) for travel, row in travels if row.verdict == "differs"]
    if not differing and "differs" not in (distance.verdict, lead.verdict):
        return {}
    if distance.value is not None and lead.value is not None:
        return {
            row.key: Written(_amount(row, data, units), _note(found, row, units))
            for row in (distance, lead)
        }
    travel, row = differing[0]
    value, half = _middle(row)
    value += found.machine.feeders[number].settings.side(side).lead_s * travel.speed_mm_s
    at = display(travel.speed_mm_s, "speed", units=units, digits=4)
    note = f"{_note(found, row, units)} at {at} alone, the lead as it was"
    return {
        distance.key: Written(_quantity(distance.key, "length", value, half, data, units), note)
    }


def _typed(found: Learning, number: int, units: System) -> Iterator[tuple[str, str]]:
    """Yield the numbers that the scenario's "auto" settings stood for."""
    automatic = found.scenario.feeder[number].settings.automatic
    for name, value in typed(found.machine.feeders[number].settings).items():
        if name in automatic:
            kind, half = ("time", 5e-6) if name.endswith("lead") else ("length", 0.05)
            path = f"feeder.{number}.settings.{name}"
            yield path, _quantity(path, kind, value, half, None, units)


def pitches_csv(found: Learning, *, units: System) -> bytes:
    """Return the pitches of the log as a record of carriers."""
    files = ", ".join(log.file for log in found.logs[:3])
    name, size, places = ("pitch_in", 25.4, 5) if units == "inch" else ("pitch_mm", 1.0, 3)
    rows = "".join(f"{pitch / size:.{places}f}\n" for pitch in found.pitches_mm[:MOST_PITCHES])
    return f"# as logged: {files}\n{name}\n{rows}".encode()


def learned_toml(
    found: Learning, text: str, *, new: Path, folder: Path, units: System
) -> str | None:
    """Return the text of the scenario file with what was learned; None if nothing differs.

    ``new``: path of the new file; its record of pitches goes beside it. ``folder``: of the old
    file. Raises FeedsimError if the file cannot be changed in place, or the new one would not be
    valid.
    """
    data = parse_toml(text)
    values = written_values(found, data, units=units)
    record = f"{new.stem}_pitches.csv"
    checked = None
    if (
        found.arrival is not None
        and found.arrival.found.law == "none"
        and found.arrival.agrees is False
    ):
        note = f"learned: {found.arrival.found.why}"
        values = {k: v for k, v in values.items() if not k.startswith("carrier.")}
        values["carrier.arrival"] = Written("recorded", note)
        values["carrier.record"] = Written(record, "the pitches that were logged")
        checked = [f"{pitch:.3f} mm" for pitch in found.pitches_mm[:MOST_PITCHES]]
    if not values:
        return None
    overrides = [f'{path}="{value.text}"' for path, value in values.items()]
    notes = {path: value.note for path, value in values.items()}
    written = changed_text(text, overrides, folder=folder, notes=notes, check=False)
    whole = parse_toml(written)
    if checked is not None:
        whole["carrier"]["record"] = checked
    try:
        scenario_from_dict(whole, folder=new.parent)
    except FeedsimError as error:
        odd = [note for log in found.logs for note in log.remarks if "swapped" in note]
        message = f"cannot be written there: {error}; try the folder of the scenario"
        if odd or new.parent.resolve() == folder.resolve():
            message = " ".join([f"what was learned makes no valid scenario: {error}.", *odd])
        raise FeedsimError(Fault(str(new), message=message)) from None
    return written
