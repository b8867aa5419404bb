"""``feeder.0.insert.gap=60 mm``: change any key by its path."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from typing import Any

from feedsim.errors import Fault, FeedsimError
from feedsim.scenario.model import Scenario
from feedsim.scenario.old_names import written_path
from feedsim.scenario.tree import Node, node, unknown_key
from feedsim.scenario.wording import dotted, shown


def apply_overrides(data: dict[str, Any], overrides: Sequence[str]) -> dict[str, Any]:
    """Return a copy of a scenario's data with keys changed by their paths, not checked yet.

    Each override is ``path=value``. The path has names of tables and keys, and numbers in lists;
    the value is TOML if it parses, else text. A later one wins. Raises FeedsimError with all paths
    that lead nowhere.

    >>> apply_overrides({"line": {"speed": "60 m/min"}}, ["line.speed=80 m/min", "seed=2"])
    {'line': {'speed': '80 m/min'}, 'seed': 2}
    """
    changed, faults = collect_overrides(data, overrides)
    if faults:
        raise FeedsimError(*faults)
    return changed


def collect_overrides(
    data: dict[str, Any], overrides: Sequence[str]
) -> tuple[dict[str, Any], list[Fault]]:
    """Apply the valid overrides, and return the faults of the others."""
    faults = []
    for override in overrides:
        path, equals, value = override.partition("=")
        parts = [part.strip() for part in path.split(".")]
        if not equals or not all(parts):
            message = 'write a key, "=" and a value, such as feeder.0.insert.gap="60 mm"'
            faults.append(Fault(shown(override), shown(override), "key=value", message))
            continue
        try:
            data = _changed(data, written_path(parts, data), toml_or_text(value.strip()))
        except FeedsimError as error:
            faults += error.faults
    return data, faults


def toml_or_text(text: str) -> Any:
    """Read a value as TOML, else as text."""
    try:
        table = tomllib.loads(f"value = {text}")
    except (ValueError, RecursionError):
        return text
    return table["value"] if len(table) == 1 else text


def _changed(data: dict[str, Any], parts: Sequence[str], value: Any) -> dict[str, Any]:
    """Copy the tables and lists along the path, and set the value at its end."""
    top: dict[str, Any] = dict(data)
    here: Any = top
    for depth, part in enumerate(parts):
        place = _place(here, parts, depth)
        if depth == len(parts) - 1:
            here[place] = value
            return top
        inside = here[place] if isinstance(here, list) else here.get(part, _blank(parts, depth))
        if not isinstance(inside, (dict, list)):
            path = dotted(parts[: depth + 1])
            message = f"is {shown(inside)} and has no {dotted(parts[depth + 1 :])} in it"
            raise FeedsimError(Fault(path, shown(inside), "a table", message))
        here[place] = inside.copy()
        here = here[place]
    return top


def _place(here: Any, parts: Sequence[str], depth: int) -> Any:
    """Resolve one part of a path to an existing key or number."""
    part = parts[depth]
    if isinstance(here, list):
        if part.isascii() and part.isdecimal() and len(part) < 7 and int(part) < len(here):
            return int(part)
        allowed = f"a number, 0 to {len(here) - 1}" if here else "something in the list first"
        message = f"there is no such place; {dotted(parts[:depth])} needs {allowed}"
        raise FeedsimError(Fault(dotted(parts[: depth + 1]), shown(part), allowed, message))
    names = _names(parts[: depth + 1])
    above = node(names[:-1])
    if above is not None and above.section is not None and node(names) is None:
        raise FeedsimError(unknown_key(parts[: depth + 1], names=names))
    return part


def _blank(parts: Sequence[str], depth: int) -> Any:
    """Return the default of a missing table or key."""
    here = node(_names(parts[: depth + 1]))
    if here is None or here.section:
        return [] if here and here.many else {}
    return here.default


def _names(parts: Sequence[str]) -> list[str]:
    """Remove the numbers of tables from a path."""
    names: list[str] = []
    here: Node | None = Node(Scenario, many=False, leaf=None, required=True, default=None)
    for part in parts:
        if here is not None and here.many and part.isdecimal():
            here = node(names)
            here = Node(here.section, False, None, True, None) if here else None
            continue
        names.append(part)
        here = node(names)
    return names
