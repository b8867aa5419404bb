"""Something that may be chosen, and what can be had of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from feedsim.quantities import Kind

AS_IS = -1
"""In place of a place on a knob's list: it stays as it is."""


@dataclass(frozen=True, slots=True)
class Knob:
    """Something that may be chosen.

    Attributes
    ----------
    key : str
        Path of the key.
    values : tuple
        What can be had, as it stands in a file; rising where they are numbers.
    numbers : tuple of float
        The same in the internal unit; empty where they are words.
    kind : Kind or None
    now : object
        What the scenario says, in the unit in which values are listed.
    now_number : float or None
    prices : tuple of float
        Of each value, if it is not what the scenario says.
    """

    key: str
    values: tuple[Any, ...]
    numbers: tuple[float, ...]
    kind: Kind | None
    now: Any
    now_number: float | None
    prices: tuple[float, ...]

    def price(self, place: int) -> float:
        """Return what a place costs; nothing where it says what is there now."""
        return 0.0 if place == AS_IS or self.is_now(place) else self.prices[place]

    def is_now(self, place: int) -> bool:
        """Tell whether a place on the list is what the scenario says."""
        if self.numbers and self.now_number is not None:
            return self.numbers[place] == self.now_number
        return bool(self.values[place] == self.now)

    def nearest(self) -> int:
        """Return the place whose value is nearest to what the scenario says."""
        now, numbers = self.now_number, self.numbers
        if now is None or not numbers:
            return self.values.index(self.now) if self.now in self.values else 0
        return min(range(len(numbers)), key=lambda place: abs(numbers[place] - now))

    def text(self, place: int) -> str:
        """Return the value at a place as one would write it."""
        value = self.now if place == AS_IS else self.values[place]
        return str(value).lower() if isinstance(value, bool) else str(value)
