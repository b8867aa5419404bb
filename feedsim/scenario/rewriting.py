"""A scenario file with other values, its comments and its layout kept (tomlkit's only home)."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import MappingProxyType
from typing import Any

from feedsim.errors import FeedsimError
from feedsim.measures import QuantityError, measure, parse
from feedsim.quantities import KINDS, System, trimmed
from feedsim.scenario.arrivals import with_arrival_changed
from feedsim.scenario.model import Scenario
from feedsim.scenario.overrides import apply_overrides
from feedsim.scenario.reading import parse_toml, scenario_from_text
from feedsim.scenario.writing import scenario_to_dict

_QUANTITY = re.compile(r"\s*[+-]?[\d.]+(?:[eE][+-]?\d+)?\s*(\D.*?)\s*", re.ASCII)
_FINEST_MM, _FINEST_S = 0.001, 1e-6


def scenario_to_toml(
    scenario: Scenario,
    *,
    written: Mapping[str, Any] | None = None,
    units: System = "metric",
    every_key: bool = True,
) -> str:
    """Write a scenario as the text of a file.

    ``written``: the data it was read from, whose unchanged values keep their notation; ``units``:
    for all other lengths. ``every_key``: write every key that has an effect; else only those in
    ``written``, if given.
    """
    import tomlkit

    if written is not None and not every_key:
        return tomlkit.dumps(written)
    return tomlkit.dumps(_as_written(scenario_to_dict(scenario), written, units))


def _as_written(value: Any, written: Any, units: System, key: str = "") -> Any:
    if isinstance(value, dict):
        before = written if isinstance(written, Mapping) else {}
        return {k: _as_written(v, before.get(k), units, k) for k, v in value.items()}
    if isinstance(value, list):
        many = isinstance(written, (list, tuple)) and len(written) == len(value)
        return [
            _as_written(v, written[n] if many else None, units, key) for n, v in enumerate(value)
        ]
    if not isinstance(value, str) or key in {"title", "name"}:
        return value
    try:
        size = measure(value, *KINDS)
    except QuantityError:
        return value
    try:
        if isinstance(written, str) and measure(written, *KINDS) == size:
            return written
    except QuantityError:
        pass
    return _in_inches(size.value) if units == "inch" and size.kind == "length" else value


def _in_inches(length_mm: float) -> str:
    """Write a length (mm) in inches, with the fewest digits that read as exactly the same."""
    texts = (f"{length_mm / 25.4:.{digits}g} in" for digits in range(1, 18))
    return next(text for text in texts if measure(text, "length").value == length_mm)


def corrected_text(
    text: str,
    *,
    overrides: Sequence[str] = (),
    settings: Mapping[int, Mapping[str, float]],
    folder: str | Path = "",
) -> str:
    """Return the text of a valid scenario file with corrected settings.

    ``settings``, by number of the feeder: key of its ``settings`` → value (mm for distances, s for
    leads). They are written to a thousandth of a mm or ms in the unit used there; by default in
    that of the stage position, and in ms. ``overrides`` of the command line are written too.
    Comments, order, blank lines and unchanged values stay. Other files that it names are looked for
    in ``folder``.

    Raises FeedsimError if the layout of the file does not allow a change in place, or the result
    would not be valid.
    """
    wanted = apply_overrides(parse_toml(text), overrides)
    changes = [
        f"feeder.{number}.settings.{key}={in_unit_of(wanted['feeder'][number], key, value)}"
        for number, values in settings.items()
        for key, value in values.items()
    ]
    wanted = apply_overrides(wanted, changes)
    return _in_place(text, wanted, folder)


def changed_text(
    text: str,
    overrides: Sequence[str],
    *,
    folder: str | Path = "",
    notes: Mapping[str, str] | None = None,
    check: bool = True,
) -> str:
    """Return the text of a scenario file with some keys changed, as ``--set`` changes them.

    Comments, order, blank lines and unchanged values stay. ``notes``: comment by path of the key,
    appended to an existing one. ``check``: the result must be valid; not so if it names a file that
    does not exist yet. Raises FeedsimError as :func:`corrected_text`, or if an override is wrong.
    """
    wanted = with_arrival_changed(apply_overrides(parse_toml(text), overrides), overrides)
    return _in_place(text, wanted, folder, notes=notes or {}, check=check)


def _in_place(
    text: str,
    wanted: Mapping[str, Any],
    folder: str | Path,
    *,
    notes: Mapping[str, str] = MappingProxyType({}),
    check: bool = True,
) -> str:
    written = _written(text.removeprefix("\ufeff"), wanted, notes)
    if parse_toml(written) != wanted:
        raise FeedsimError(
            "the file is laid out so that its keys cannot be changed in place; write those of a "
            "feeder in tables of their own, such as [feeder.settings]"
        )
    if check:
        scenario_from_text(written, folder=folder)
    return written


def in_unit_of(feeder: Mapping[str, Any], key: str, value: float) -> str:
    """Write a setting (leads in s, else mm) in the unit used in a feeder's table.

    >>> in_unit_of({"settings": {"engage_distance": "auto", "stage_position": "2 in"}},
    ...            "engage_distance", 25.4)
    '1 in'
    """
    table = feeder["settings"]
    if key.endswith("_lead"):
        unit, size = unit_and_size(table.get(key), "time") or ("ms", 1e-3)
        finest = _FINEST_S
    else:
        unit, size = (
            unit_and_size(table.get(key), "length")
            or unit_and_size(table.get("stage_position"), "length")
            or ("mm", 1.0)
        )
        finest = _FINEST_MM
    places = max(0, math.ceil(-math.log10(finest / size) - 1e-9))
    return f"{trimmed(f'{value / size:.{places}f}')} {unit}"


def unit_and_size(text: Any, kind: Any) -> tuple[str, float] | None:
    """Return the unit of a quantity and its size in the internal one."""
    found = _QUANTITY.fullmatch(text) if isinstance(text, str) else None
    if found is None:
        return None
    unit = found.group(1)
    try:
        return unit, parse(f"1 {unit}", kind)
    except QuantityError:
        return None


def _written(text: str, wanted: Mapping[str, Any], notes: Mapping[str, str]) -> str:
    import tomlkit
    from tomlkit.exceptions import TOMLKitError

    try:
        document = tomlkit.parse(text)
        _change(document, wanted, top=True)
        for path, note in notes.items():
            _note(document, path.split("."), note)
        written = tomlkit.dumps(document)
    except (TOMLKitError, KeyError, TypeError, ValueError) as error:
        raise FeedsimError(f"the file cannot be changed in place: {error}") from None
    return re.sub(r"(?<!\r)\n", "\r\n", written) if "\r\n" in text else written


def _change(here: Any, wanted: Mapping[str, Any], *, top: bool = False) -> None:
    """Change a table in place to the wanted values; touch only those that differ.

    A new inner table is written inline: its own header would claim the keys below it.
    """
    for key in [key for key in here if key not in wanted]:
        del here[key]
    for key, value in wanted.items():
        if key not in here:
            here[key] = value if top or not isinstance(value, dict) else _inline(value)
            continue
        there = here[key]
        if isinstance(value, dict):
            _change(there, value)
        elif isinstance(value, list) and value and all(isinstance(x, dict) for x in value):
            for table, inner in zip(there, value, strict=True):
                _change(table, inner)
        elif there != value:
            here[key] = value
            _keep_column(there, here[key])


def _note(document: Any, path: Sequence[str], note: str) -> None:
    """Add a comment behind a key, or behind the inline table that holds it."""
    here = document
    for part in path:
        inside = here[int(part)] if isinstance(here, list) else here[part]
        here = inside
        if type(inside).__name__ in {"InlineTable", "Array"}:
            break
    before = here.trivia.comment.lstrip("# ")
    if note not in before:
        here.comment(f"{before}; {note}" if before else note)


def _inline(value: Mapping[str, Any]) -> Any:
    import tomlkit

    table = tomlkit.inline_table()
    for key, inner in value.items():
        table[key] = _inline(inner) if isinstance(inner, dict) else inner
    return table


def _keep_column(old: Any, new: Any) -> None:
    """Keep a comment in its column, if there is room."""
    if hasattr(old, "trivia") and hasattr(new, "trivia") and new.trivia.comment:
        room = len(new.trivia.comment_ws) + len(old.as_string()) - len(new.as_string())
        new.trivia.comment_ws = " " * max(2, room)
