"""The keys of a scenario file as a tree, and the nearest key to a wrong one."""

from __future__ import annotations

import difflib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any, get_args, get_origin

from feedsim.errors import Fault
from feedsim.scenario.keys import KeyType, Section
from feedsim.scenario.meanings import meant
from feedsim.scenario.model import Scenario
from feedsim.scenario.old_names import current_name
from feedsim.scenario.wording import dotted


@dataclass(frozen=True, slots=True)
class Node:
    """One place in the tree: a table, or a key with a value."""

    section: type[Section] | None  # the table that is there
    many: bool  # whether there may be several such tables (``[[feeder]]``)
    leaf: KeyType | None  # what the key may hold
    required: bool
    default: Any  # the value of a key that is left out


@cache
def nodes(section: type[Section]) -> dict[str, Node]:
    """Return what a table may contain, by name, in the order of the schema."""
    found = {}
    for name, field in section.model_fields.items():
        inner = [a for a in (field.annotation, *get_args(field.annotation)) if _is_section(a)]
        leaf = next((item for item in field.metadata if isinstance(item, KeyType)), None)
        found[name] = Node(
            section=inner[0] if inner else None,
            many=bool(inner) and get_origin(field.annotation) is tuple,
            leaf=leaf,
            required=field.is_required(),
            default=field.default,
        )
    return found


def node(path: Sequence[str | int]) -> Node | None:
    """Find a place by its names, whatever the numbers of tables; None if there is none."""
    names = [part for part in path if isinstance(part, str)]
    here = Node(Scenario, many=False, leaf=None, required=True, default=None)
    for name in [*map(current_name, names[:1]), *names[1:]]:
        inside = nodes(here.section) if here.section else {}
        if name not in inside:
            return None
        here = inside[name]
    return here


_TOP = "the top of the file"
_PARTS = {"pitch": "from leading edge to leading edge", "gap": "from tail to nose"}
"""How these lengths are measured: some tables have one key, some the other."""


def path_of(key: str) -> list[str | int]:
    """Return a path of names and places: ``feeder.0.eye.missed``."""
    return [int(p) if p.isdecimal() and p.isascii() else p for p in key.split(".")]


def value_at(data: Any, path: Sequence[str | int]) -> Any:
    """Return the value at a path in plain data, None if there is none."""
    for part in path:
        if isinstance(data, Mapping):
            data = data.get(part)
        elif isinstance(data, (list, tuple)) and isinstance(part, int) and part < len(data):
            data = data[part]
        else:
            return None
    return data


def table_name(names: Sequence[str]) -> str:
    """Write a table's name as its head in the file: ``[line.encoder]``, ``[[feeder]]``."""
    if not names:
        return _TOP
    here = node(names)
    return f"[[{dotted(names)}]]" if here and here.many else f"[{dotted(names)}]"


def unknown_key(path: Sequence[str | int], *, names: Sequence[str] | None = None) -> Fault:
    """Report the last key of a path as unknown, and suggest the one that may be meant.

    ``names``: the path without the numbers of tables, if its types do not tell.
    """
    names = names or [part for part in path if isinstance(part, str)]
    *above, name = names
    here = node(above)
    known = list(nodes(here.section)) if here and here.section else []
    hint = _hint(_plain(name), known, table_name(above))
    return Fault(dotted(path), "a key that is not known", hint, f"there is no such key; {hint}")


def _hint(name: str, known: Sequence[str], place: str) -> str:
    """Suggest the key that may be meant: by meaning first, and in the same table first."""
    elsewhere = _everywhere()
    if near := meant(name, known) or _nearest(name, known, alike=0.9):
        how = f", {_PARTS[near]}" if name in _PARTS and near in _PARTS else ""
        return f'the nearest in {place} is "{near}"{how}'
    if name in elsewhere:
        where = " or ".join(elsewhere[name])
        return f'"{name}" belongs {"at" if where == _TOP else "in"} {where}'
    if near := _nearest(name, known):
        return f'the nearest in {place} is "{near}"'
    if near := meant(name, list(elsewhere)) or _nearest(name, list(elsewhere)):
        return f'the nearest is "{near}" in {" or ".join(elsewhere[near])}'
    return f"{place} has {', '.join(known)}"


def _nearest(name: str, known: Sequence[str], *, alike: float = 0.6) -> str | None:
    """Find the most similar known name, if any is similar enough (1: the same)."""
    near = difflib.get_close_matches(name, known, n=1, cutoff=alike)
    if not near and alike < 0.9 and len(name) > 2:
        near = [key for key in known if name in key]
    return near[0] if near else None


def _plain(name: str) -> str:
    return name[:60].strip().lower().replace("-", "_").replace(" ", "_")


@cache
def _everywhere() -> dict[str, list[str]]:
    """List every key and the tables it stands in."""
    places: dict[str, list[str]] = {}
    for above, name in _walk(()):
        places.setdefault(name, []).append(table_name(above))
    return places


def _walk(above: tuple[str, ...]) -> Iterator[tuple[tuple[str, ...], str]]:
    here = node(above)
    for name, inner in (nodes(here.section) if here and here.section else {}).items():
        yield above, name
        if inner.section:
            yield from _walk((*above, name))


def _is_section(candidate: Any) -> bool:
    return isinstance(candidate, type) and issubclass(candidate, Section)
