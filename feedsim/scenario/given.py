"""The keys given in a scenario, read one by one from its raw data, skipping faulty ones."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from feedsim.errors import Fault
from feedsim.quantities import display
from feedsim.scenario.keys import RefusedValue
from feedsim.scenario.model import MOST_FEEDERS
from feedsim.scenario.tree import node
from feedsim.scenario.wording import dotted, shown

KeyPath = tuple[str | int, ...]


class Given:
    """The checked values of keys in the raw data of a whole scenario; None for faulty ones."""

    def __init__(self, data: dict[str, Any]) -> None:
        self._data = data
        feeders = data.get("feeder")
        number = len(feeders) if isinstance(feeders, (list, tuple)) else 0
        self.feeders = number if number <= MOST_FEEDERS else 0

    def __call__(self, *path: str | int) -> Any:
        """Return the checked value at a path; None if it is faulty or missing."""
        leaf = node(path)
        if leaf is None or leaf.leaf is None:
            return None
        try:
            return leaf.leaf.read(self.raw(*path))
        except RefusedValue:
            return None

    def raw(self, *path: str | int) -> Any:
        """Return the raw value, else the default of an optional key, else None."""
        here: Any = self._data
        for part in path[:-1]:
            if isinstance(here, dict) and isinstance(part, str):
                here = here.get(part, {})
            elif isinstance(here, (list, tuple)) and isinstance(part, int):
                here = here[part]
            else:
                return None
        if not isinstance(here, dict):
            return None
        leaf = node(path)
        return here.get(path[-1], None if leaf is None or leaf.required else leaf.default)

    def rows(self, *path: str | int) -> Iterator[tuple[int, dict[Any, Any]]]:
        """Yield the tables in a list with their numbers; anything else is skipped."""
        found = self.raw(*path)
        for number, row in enumerate(found if isinstance(found, (list, tuple)) else ()):
            if isinstance(row, dict):
                yield number, row

    def fault(self, path: KeyPath, allowed: str) -> Fault:
        """Make the fault of a key that conflicts with others."""
        return Fault(dotted(path), shown(self.raw(*path)), allowed)


def mm(value: float) -> str:
    """Write a length (mm) of a key for a message."""
    return display(value, "length", digits=7)
