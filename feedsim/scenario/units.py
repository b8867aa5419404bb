"""The units in which a line is shown: those in which its own lengths are written."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from feedsim.measures import system_of
from feedsim.quantities import System


def units_of(data: Mapping[str, Any]) -> System:
    """Return the system in which most lengths of a scenario file are written; metric in a tie.

    Speeds and accelerations do not count, as drives often have their own units; nor do titles and
    names.

    >>> units_of({"carrier": {"length": "6 in", "pitch": "10 in", "slip": "0.1 mm"}})
    'inch'
    """
    systems = [system_of(text) for text in _texts(data)]
    return "inch" if systems.count("inch") > systems.count("metric") else "metric"


def _texts(found: Any, key: str = "") -> Iterator[str]:
    """Yield all texts below a key except titles and names."""
    if isinstance(found, str) and key not in {"title", "name"}:
        yield found
    elif isinstance(found, Mapping):
        for name, inner in found.items():
            yield from _texts(inner, name)
    elif isinstance(found, Iterable) and not isinstance(found, str):
        for inner in found:
            yield from _texts(inner)
