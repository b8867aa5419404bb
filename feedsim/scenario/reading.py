"""From a file, a text or plain data to a checked scenario, with all its faults at once."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from feedsim.errors import Fault, FeedsimError
from feedsim.quantities import hints_in
from feedsim.scenario.arrivals import ended_with_record, with_arrival_changed, with_record
from feedsim.scenario.counts import with_counts
from feedsim.scenario.faults import faults_of, few
from feedsim.scenario.geometry import geometry_faults
from feedsim.scenario.model import Scenario
from feedsim.scenario.motor_file import with_motors
from feedsim.scenario.old_names import with_current_names
from feedsim.scenario.overrides import collect_overrides
from feedsim.scenario.text_file import text_of
from feedsim.scenario.tree import node, nodes
from feedsim.scenario.units import units_of
from feedsim.scenario.wording import dotted, shown

_LARGEST = 1_000_000  # bytes
_DEEPEST = 20
_MOST_LISTED = 1000  # tables of a kind; more are refused anyway
_UNQUOTED = re.compile(
    r"[ \t]*([\w.-]+)[ \t]*=[ \t]*([+-]?[\d.]+[ \t]*[A-Za-z%][A-Za-z0-9/^%]*)[ \t]*(?:#.*)?$",
    re.ASCII,
)
_ENDLESS = re.compile(r"[0-9](?:_?[0-9]){4000,}", re.ASCII)
_KEY_OF = re.compile(r"[ \t]*([\w.-]+)[ \t]*=", re.ASCII)
_LONG_PATH = re.compile(r"""(?<![\w-])(?:(?:[\w-]++|"[^"\n]*+"|'[^'\n]*+')[ \t]*+\.[ \t]*+){40}""")


def load_scenario(path: str | Path, *, overrides: Sequence[str] = ()) -> Scenario:
    """Read and check a scenario file, TOML in UTF-8 of at most 1 MB.

    The path of a record of carriers in it, or in an override (``feeder.0.insert.gap=60 mm``), is
    relative to its folder; the record is read once, now. Every quantity is in mm, s, mm/s, mm/s²,
    1/s or a share. Raises FeedsimError if the file cannot be read, or with all its faults.
    """
    return scenario_from_dict(read_toml(path), overrides=overrides, folder=Path(path).parent)


def scenario_from_text(
    text: str, *, overrides: Sequence[str] = (), folder: str | Path = ""
) -> Scenario:
    """Check a scenario given as TOML text; see :func:`scenario_from_dict`."""
    return scenario_from_dict(parse_toml(text), overrides=overrides, folder=folder)


def scenario_from_dict(
    data: dict[str, Any], *, overrides: Sequence[str] = (), folder: str | Path = ""
) -> Scenario:
    """Check a scenario given as plain data, as TOML gives it; see :func:`load_scenario`.

    ``folder``: base of the path of a record of carriers; the current folder by default.
    """
    try:
        return _checked(data, overrides, folder)
    except FeedsimError:
        if not isinstance(data, dict) or _too_deep(data) or units_of(data) == "metric":
            raise
    with hints_in("inch"):  # report faults of a line in inches in inches
        return _checked(data, overrides, folder)


def _checked(data: dict[str, Any], overrides: Sequence[str], folder: str | Path) -> Scenario:
    if not isinstance(data, dict):
        raise FeedsimError(Fault("scenario", shown(data), "a table of keys"))
    single: list[Fault] = []
    data = _listed(data, (), (), single)
    data, faults = collect_overrides(data, overrides)
    if _too_deep(data):
        raise FeedsimError(*faults, "the scenario is nested too deeply; no key lies that deep")
    data, of_names = with_current_names(data)
    data, of_record = with_record(with_arrival_changed(data, overrides), Path(folder))
    data, of_motors = with_motors(data, Path(folder))
    data, of_counts = with_counts(data)
    faults += [*single, *of_names, *of_record, *of_motors, *of_counts]
    try:
        scenario = Scenario.model_validate(data)
    except ValidationError as error:
        raise FeedsimError(*few([*faults, *faults_of(error), *geometry_faults(data)])) from None
    faults += geometry_faults(data)
    if faults:
        raise FeedsimError(*few(faults))
    return ended_with_record(scenario)


def _listed(
    table: dict[str, Any],
    path: tuple[str | int, ...],
    names: tuple[str, ...],
    faults: list[Fault],
) -> dict[str, Any]:
    """Read ``[feeder]`` as ``[[feeder]]`` where several are allowed; add the faults."""
    here = node(names)
    changed = dict(table)
    for name, inner in (nodes(here.section) if here and here.section else {}).items():
        below, at, within = table.get(name), (*path, name), (*names, name)
        if inner.many and isinstance(below, dict):
            head = f"[[{dotted(within)}]]"
            message = f"write {head}, in double brackets: there may be several"
            faults.append(Fault(dotted(at), "a table", head, message))
            below = [below]
        if inner.many and isinstance(below, (list, tuple)) and len(below) <= _MOST_LISTED:
            changed[name] = [
                _listed(one, (*at, number), within, faults) if isinstance(one, dict) else one
                for number, one in enumerate(below)
            ]
        elif inner.section and isinstance(below, dict):
            changed[name] = _listed(below, at, within, faults)
    return changed


def read_text(path: str | Path) -> str:
    """Read a file as text, with a clear error."""
    return text_of(path, largest=_LARGEST, what="scenario")


def read_toml(path: str | Path) -> dict[str, Any]:
    """Read a file into plain data.

    Raises FeedsimError if it cannot be read or is not TOML; the key of each fault is the path.
    """
    text, name = read_text(path), str(path)
    try:
        return parse_toml(text)
    except FeedsimError as error:
        hint = "" if name.endswith(".toml") else "; a scenario is a TOML file"
        raise FeedsimError(
            *(replace(fault, key=name, message=f"{fault}{hint}") for fault in error.faults)
        ) from None


def parse_toml(text: str) -> dict[str, Any]:
    """Read a TOML text into plain data; FeedsimError, with line and column, if it is not TOML."""
    text = text.removeprefix("\ufeff")
    if len(text) > _LARGEST:
        raise FeedsimError("the scenario is larger than 1 MB")
    too_deep = "the scenario is nested too deeply; no key lies that deep"
    if _LONG_PATH.search(text):
        raise FeedsimError(too_deep)
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise FeedsimError(too_deep) from None
    except tomllib.TOMLDecodeError as error:
        raise FeedsimError(_not_toml(str(error), text)) from None
    except ValueError:  # of an int with thousands of digits
        raise FeedsimError(*_endless(text)) from None


def _endless(text: str) -> list[Fault | str]:
    """Report the lines that have whole numbers with too many digits."""
    faults: list[Fault | str] = []
    for number, row in enumerate(text.split("\n"), 1):
        if found := _ENDLESS.search(row):
            key = _KEY_OF.match(row)
            where = f"line {number}" + (f", {key.group(1)[:60]}" if key else "")
            digits = len(found.group().replace("_", ""))
            message = f"a whole number of {digits} digits; no key takes one of more than 30"
            faults.append(Fault(where, "a huge number", "a number", message))
    return faults or ["not TOML: a number in it has far too many digits"]


def _not_toml(said: str, text: str) -> Fault:
    """Put the line first, and add help for the commonest mistake."""
    match = re.search(
        r"(.*?) \(at (?:line (\d+), column (\d+)|end of document)\)$", said, re.DOTALL
    )
    what, line, column = match.groups() if match else (said, None, None)
    what = what if what.isprintable() else shown(what)[1:-1]
    if line is None:
        return Fault("end of the file", message=f"not TOML: {what}")
    lines = text.split("\n")
    row = lines[int(line) - 1] if int(line) <= len(lines) else ""
    hint = ""
    if unquoted := _UNQUOTED.match(row[:200]):
        hint = f'; a quantity stands in quotes: {unquoted.group(1)} = "{unquoted.group(2)}"'
    return Fault(
        f"line {line}, column {column}", shown(row.strip()), "TOML", f"not TOML: {what}{hint}"
    )


def _too_deep(data: dict[str, Any]) -> bool:
    level: list[Any] = [data]
    for _ in range(_DEEPEST):
        inner: list[Any] = []
        for item in level:
            if isinstance(item, dict):
                inner += item.values()
            elif isinstance(item, (list, tuple)):
                inner += item
        level = [item for item in inner if isinstance(item, (dict, list, tuple))]
        if not level:
            return False
    return True
