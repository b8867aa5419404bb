"""Distances in encoder counts: ``"8400 counts"`` to mm, by the encoder's counts and wheel.

Controllers show and take engage and disengage distances in counts. The size of a count comes from
another table, so these keys are converted before each key is checked.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from fractions import Fraction
from typing import Any

from feedsim.errors import Fault
from feedsim.measures import canonical
from feedsim.scenario.given import Given, mm
from feedsim.scenario.wording import dotted, shown

COUNTED = ("engage_distance", "disengage_distance")
"""The settings of a feeder that may be in counts; their ``resolution`` may be too."""

_COUNTS = re.compile(r" *([+-]?\d{1,12}(?:\.\d{1,6})?) *counts? *", re.ASCII)
_OTHER_NAMES = re.compile(r" *([+-]?\d{1,12}) *(?:pulses?|increments?|incs?|cts?) *", re.ASCII)
_ANY_COUNTS = re.compile(r".*\d[ .]*counts? *", re.ASCII)
_ENCODER = ("line", "encoder")
_MOST = 10**9


def with_counts(data: dict[str, Any]) -> tuple[dict[str, Any], list[Fault]]:
    """Turn distances in counts into mm, in the settings of feeders and in adjustments.

    ``data``, a whole scenario, not checked yet, stays as it is.
    n·wheel_circumference/counts_per_rev is exact, rounded once. Bare numbers and pulses at these
    keys, which may mean counts or mm, are faults, and ``"auto"`` in the data returned.
    """
    count_mm = _count_mm(Given(data))
    faults: list[Fault] = []
    changed = dict(data)
    for list_name, table_name in (("feeder", "settings"), ("adjust", "set")):
        rows = data.get(list_name)
        if not isinstance(rows, (list, tuple)):
            continue
        changed[list_name] = [
            {
                **row,
                table_name: dict(
                    _read(row[table_name], (list_name, n, table_name), count_mm, faults)
                ),
            }
            if isinstance(row, dict) and isinstance(row.get(table_name), dict)
            else row
            for n, row in enumerate(rows)
        ]
    return changed, faults


def _count_mm(given: Given) -> Fraction | None:
    """Return the counted travel of one count (mm); None if the encoder has a fault."""
    wheel, counts = (given(*_ENCODER, name) for name in ("wheel_circumference", "counts_per_rev"))
    return None if None in (wheel, counts) or not counts else Fraction(wheel) / counts


def _read(
    table: dict[Any, Any],
    above: tuple[str | int, ...],
    count_mm: Fraction | None,
    faults: list[Fault],
) -> Iterator[tuple[Any, Any]]:
    """Yield the keys of a table with their values, counts converted to mm."""
    for name, raw in table.items():
        value = raw
        if str(name).rpartition(".")[2] in COUNTED:
            if isinstance(raw, str) and (found := _COUNTS.fullmatch(raw)):
                counts = Fraction(found.group(1))
                value = canonical(float(counts * (count_mm or Fraction(1, 20))), "length")
            elif (fault := _fault(raw, (*above, name), count_mm)) is not None:
                faults.append(fault)
                value = "auto" if above[0] == "feeder" else "1 mm"
        elif name == "resolution" and isinstance(raw, dict):
            value = _step(raw, (*above, name), faults)
        yield name, value


def _step(
    resolution: dict[Any, Any], above: tuple[str | int, ...], faults: list[Fault]
) -> dict[Any, Any]:
    """Move a step of distances in whole counts to its own key."""
    step = str(resolution.get("distance"))
    found = _COUNTS.fullmatch(step)
    if (found is None and not _ANY_COUNTS.fullmatch(step)) or resolution.get("distance_counts"):
        return resolution
    others = {name: value for name, value in resolution.items() if name != "distance"}
    if found is None or "." in found.group(1):
        allowed = 'a length, or a whole number of counts, such as "2 counts"'
        faults.append(Fault(dotted((*above, "distance")), shown(step), allowed))
        return others
    return {**others, "distance_counts": int(found.group(1))}


def _fault(raw: Any, path: tuple[Any, ...], count_mm: Fraction | None) -> Fault | None:
    """Return what is wrong with a distance that may mean counts; None if it does not."""
    if isinstance(raw, str) and (found := _OTHER_NAMES.fullmatch(raw)):
        return _bare(int(found.group(1)), path, count_mm, raw=raw)
    if isinstance(raw, str) and _ANY_COUNTS.fullmatch(raw):
        allowed = 'a length, or counts as a plain number, such as "8400 counts"'
        return Fault(dotted(path), shown(raw), allowed)
    if type(raw) is int and 0 < abs(raw) < _MOST and count_mm:
        return _bare(raw, path, count_mm, raw=raw)
    return None


def _bare(number: int, path: tuple[Any, ...], count_mm: Fraction | None, *, raw: Any) -> Fault:
    of_belt = ""
    if count_mm:
        of_belt = f" ({mm(float(number * count_mm))} of belt)"
    counts = f'write "{number} counts" if counts were meant{of_belt}'
    if isinstance(raw, str):
        return Fault(dotted(path), shown(raw), f"a length or counts; {counts}, after quadrature")
    allowed = f'a length with its unit, in quotes; {counts}, or "{number} mm"'
    return Fault(dotted(path), shown(raw), allowed)
