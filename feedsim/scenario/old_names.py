"""Former names of tables of a scenario: still read, with a note."""

from __future__ import annotations

import warnings
from collections.abc import Mapping, Sequence
from typing import Any

from feedsim.errors import Fault, OldName

_CURRENT = {"guard": "supervision"}


def current_name(table: str) -> str:
    """Return the current name of a table at the top of a scenario."""
    return _CURRENT.get(table, table)


def with_current_names(data: dict[str, Any]) -> tuple[dict[str, Any], list[Fault]]:
    """Rename tables that have an old name; having both names is a fault."""
    faults = []
    for old, new in _CURRENT.items():
        if old not in data:
            continue
        if new in data:
            message = f"is the old name of [{new}], which is there too; keep only [{new}]"
            faults.append(Fault(old, f"both [{old}] and [{new}]", f"[{new}] alone", message))
            data = {name: value for name, value in data.items() if name != old}
            continue
        _note(old, new)
        data = {new if name == old else name: value for name, value in data.items()}
    return data, faults


def written_path(parts: Sequence[str], data: Mapping[str, Any]) -> list[str]:
    """Return the path of a key under the table name that the data uses; else the new one."""
    first, *others = parts
    for old, new in _CURRENT.items():
        if first == old:
            _note(old, new)
        if first in {old, new}:
            first = old if old in data else new
    return [first, *others]


def with_old_names(schema: dict[str, Any]) -> dict[str, Any]:
    """Allow each old name in a JSON Schema as an alternative to the new one."""
    keys = dict(schema["properties"])
    keys |= {old: keys[new] | {"deprecated": True} for old, new in _CURRENT.items()}
    return {
        **schema,
        "properties": keys,
        "not": {"anyOf": [{"required": [old, new]} for old, new in _CURRENT.items()]},
    }


def _note(old: str, new: str) -> None:
    note = f"[{old}] is now called [{new}]; the old name is still read"
    warnings.warn(note, OldName, stacklevel=2)
