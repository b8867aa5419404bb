"""pydantic's errors as faults: key path, value found, what is allowed."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from pydantic import ValidationError

from feedsim.errors import Fault
from feedsim.scenario.keys import RefusedValue
from feedsim.scenario.tree import node, nodes, table_name, unknown_key
from feedsim.scenario.wording import dotted, shown

MOST_FAULTS = 100


def faults_of(error: ValidationError) -> list[Fault]:
    """Translate the faults that pydantic found; beyond a hundred, count them."""
    details = error.errors(include_url=False)
    faults = [fault for detail in details[:MOST_FAULTS] for fault in _translate(detail)]
    return [*faults, *[Fault("", message="and one more")] * max(0, len(details) - MOST_FAULTS)]


def few(faults: Sequence[Fault]) -> list[Fault]:
    """Keep a hundred faults, and count the others."""
    more = len(faults) - MOST_FAULTS
    if more <= 0:
        return list(faults)
    return [*faults[:MOST_FAULTS], Fault("", message=f"and {more} more faults")]


def refused_faults(refused: RefusedValue, path: Sequence[str | int], raw: Any) -> Iterator[Fault]:
    """Report one refused value, or each refused part of a list."""
    for below, value, allowed in refused.below:
        yield Fault(dotted((*path, *below)), shown(value), allowed)
    if not refused.below:
        yield Fault(dotted(path), shown(raw), refused.allowed, refused.message)


def _translate(detail: Any) -> Iterator[Fault]:
    path: tuple[str | int, ...] = detail["loc"]
    names = [part for part in path if isinstance(part, str)]
    if detail["type"] == "refused":
        yield from refused_faults(detail["ctx"]["refused"], path, detail["input"])
    elif detail["type"] == "extra_forbidden":
        yield unknown_key(path)
    elif detail["type"] == "missing":
        yield from _left_out(path, names)
    elif detail["type"] == "invalid_key":
        yield Fault(dotted(path), "a key that is not text", "text for every key")
    else:  # a value stands where a table belongs
        yield Fault(dotted(path), shown(detail["input"]), f"a table, {table_name(names)}")


def _left_out(path: Sequence[str | int], names: Sequence[str]) -> Iterator[Fault]:
    """Report a missing key; for a missing table, each of its required keys."""
    here = node(names)
    if here and here.section and not here.many:
        for name, inner in nodes(here.section).items():
            if inner.required:
                yield from _left_out((*path, name), (*names, name))
    elif here and here.leaf:
        try:
            here.leaf.read(None)
        except RefusedValue as refused:
            yield Fault(dotted(path), "nothing", refused.allowed)
    else:
        yield Fault(dotted(path), "nothing", f"a table, {table_name(names)}")
