"""The set-up sheet as text for a terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from feedsim.answers.limit.study.closed import FeederLimit
from feedsim.answers.limit.text import binding_words
from feedsim.answers.setup.words import (
    adjusting,
    derivations,
    good_for,
    limit_rows,
    not_for_production,
    reading_off,
    settings_rows,
    steps,
)
from feedsim.quantities import System, display
from feedsim.render.cautions import CAUTIONS

__all__ = ["setup_text"]

_WIDTH = 92


def setup_text(sheet: Mapping[str, Any], *, units: System = "metric") -> str:
    """Return the whole sheet.

    Parameters
    ----------
    sheet : mapping
        As :func:`feedsim.answers.setup.study.set_up_sheet` makes it.
    units : {"metric", "inch"}
        Units of the tables; settings are given in all.
    """
    speed = display(sheet["line_speed_mm_s"], "speed", units=units)
    lines = [f"SET-UP SHEET  {sheet['title']}", f"for {speed}", ""]
    if above := not_for_production(sheet, units):
        lines = [textwrap.fill(above, _WIDTH), "", *lines]
    for feeder in sheet["feeders"]:
        lines += _feeder(feeder, sheet, units)
    warnings = [*sheet["warnings"], *(w for f in sheet["feeders"] for w in f["warnings"])]
    if warnings:
        lines += ["Mind", *_items(warnings, "!"), ""]
    lines += ["Cautions", *_items(CAUTIONS, "-")]
    return "\n".join(lines)


def _feeder(feeder: Mapping[str, Any], sheet: Mapping[str, Any], units: System) -> Iterator[str]:
    keys = next(f for f in sheet["scenario"]["feeder"] if f["name"] == feeder["name"])
    corrected = keys["settings"]["stage_correction"]
    yield f"{feeder['name']}: type in"
    yield from _table(settings_rows(feeder))
    yield f"  {'Stage correction':<20}{'on' if corrected else 'off'}"
    if feeder["right_at_line_speed_only"]:
        yield "  (right at this speed only: a ramp or the servo's lag is not over in time)"
    yield from _items(feeder["notes"], "-")
    yield ""
    yield "Where they come from"
    for name, terms, total in derivations(feeder):
        yield f"  {name}"
        width = max(len(term) for term, _ in terms) if terms else 0
        yield from (f"    {term:<{width}}  {value:>14}" for term, value in terms)
        yield f"    {'sum':<{width}}  {total:>14}"
    yield ""
    yield "What they are good for"
    heads, rows = good_for(feeder, units)
    yield from _table([tuple(heads), *(tuple(row) for row in rows)])
    yield ""
    yield "Up to which speed, with these settings"
    limits = limit_rows(feeder, units)
    width = max((len(mechanism) for _, mechanism, _ in limits), default=0)
    for speed, mechanism, figure in limits:
        yield f"  {speed:>12}  {mechanism:<{width}}  {figure}"
    yield f"  {binding_words([FeederLimit(**row) for row in feeder['limits']], units=units)}"
    yield ""
    yield "Adjusting at the machine"
    yield from _items(adjusting(feeder, count_mm=sheet["count_mm"], corrected=corrected), "-")
    how, table = reading_off(feeder, units=units, count_mm=sheet["count_mm"])
    if table:
        yield from _items([how], "-")
        yield from _table(table)
    yield ""
    yield "Commissioning, in this order"
    for number, step in enumerate(steps(feeder, sheet["scenario"], units), start=1):
        yield from _items([step.do], f"{number}.")
        yield from _items([f"Expect: {step.expect}", f"Stop at: {step.stop}"], "  ")
    yield ""


def _table(rows: Sequence[Sequence[str]]) -> Iterator[str]:
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    for row in rows:
        first = row[0].ljust(widths[0])
        rest = (cell.rjust(w) for cell, w in zip(row[1:], widths[1:], strict=True) if w)
        yield ("  " + "  ".join([first, *rest])).rstrip()


def _items(lines: Iterable[str], mark: str) -> Iterator[str]:
    for line in lines:
        indent = " " * (len(mark) + 3)
        yield textwrap.fill(line, _WIDTH, initial_indent=f"  {mark} ", subsequent_indent=indent)
