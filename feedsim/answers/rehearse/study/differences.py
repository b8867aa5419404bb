"""The keys in which two scenarios differ."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from feedsim.scenario import Scenario, scenario_to_dict

_LONGEST = 40


def differences(one: Scenario, other: Scenario) -> list[tuple[str, str, str]]:
    """Return each key that is not the same in both, with the value in either as text.

    Titles are left out. A key that only one of them has is ``"-"`` in the other; long values,
    such as lists, are shortened.
    """
    first, second = dict(_leaves(scenario_to_dict(one))), dict(_leaves(scenario_to_dict(other)))
    return [
        (key, _shown(first.get(key)), _shown(second.get(key)))
        for key in dict.fromkeys((*first, *second))
        if first.get(key) != second.get(key) and key != "title"
    ]


def _leaves(table: Mapping[str, Any], path: str = "") -> Iterator[tuple[str, Any]]:
    for key, value in table.items():
        here = f"{path}{key}"
        if isinstance(value, Mapping):
            yield from _leaves(value, f"{here}.")
        elif isinstance(value, list) and value and isinstance(value[0], Mapping):
            for number, inner in enumerate(value):
                yield from _leaves(inner, f"{here}.{number}.")
        else:
            yield here, value


def _shown(value: Any) -> str:
    if value is None:
        return "-"
    text = str(value) if not isinstance(value, bool) else str(value).lower()
    return text if len(text) <= _LONGEST else text[: _LONGEST - 1] + "…"
