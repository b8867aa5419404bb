"""Keys and values of a file as messages show them: short, on one line, harmless."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable
from typing import Any

_BARE = re.compile(r"[A-Za-z0-9_-]{1,60}", re.ASCII)
_LONGEST = 60


def shown(value: Any) -> str:
    """Show a value as it might stand in the file, shortened.

    >>> shown("60 m/min"), shown(True), shown([1, 2]), shown({})
    ('"60 m/min"', 'true', 'a list of 2', 'a table')
    """
    if isinstance(value, bool) or value is None:
        return {True: "true", False: "false", None: "nothing"}[value]
    if isinstance(value, int):
        return str(value) if abs(value) < 10**30 else "a huge number"
    if isinstance(value, (list, tuple)):
        return f"a list of {len(value)}"
    if isinstance(value, dict):
        return "a table"
    return _quoted(value) if isinstance(value, str) else _quoted(str(value))[1:-1]


def shown_path(path: object) -> str:
    """Show the path of a file, its end where it is long."""
    name = str(path)
    return shown(name if len(name) <= _LONGEST else f"…{name[1 - _LONGEST :]}")


def dotted(path: Iterable[Any]) -> str:
    """Join a path into ``feeder.0.insert.gap``; odd keys are quoted as in TOML."""
    return ".".join(part if _BARE.fullmatch(part) else _quoted(part) for part in map(str, path))


def _quoted(text: str) -> str:
    if len(text) > _LONGEST:
        text = text[: _LONGEST - 1] + "…"
    return json.dumps(text, ensure_ascii=not text.isprintable())
