"""Something that may be chosen: its values as listed, and in rising order."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from feedsim.quantities import Kind

AS_IS = -1
"""Instead of a place on a knob's list: it stays as it is."""


@dataclass(frozen=True, slots=True)
class Knob:
    """Something that may be chosen."""

    key: str  # its path
    values: tuple[object, ...]  # as written in a file; numbers are rising
    numbers: tuple[float, ...]  # the same in the internal unit; empty for words
    kind: Kind | None
    now: object  # the scenario's value, in the unit of the list
    now_number: float | None
    prices: tuple[float, ...]  # of each value that is not the scenario's

    def price(self, place: int) -> float:
        """Return the price of a place; 0 for the present value."""
        return 0.0 if place == AS_IS or self.is_now(place) else self.prices[place]

    def is_now(self, place: int) -> bool:
        """Return whether a place on the list is the scenario's value."""
        if self.numbers and self.now_number is not None:
            return self.numbers[place] == self.now_number
        return bool(self.values[place] == self.now)

    def nearest(self) -> int:
        """Return the place whose value is nearest to the scenario's."""
        now, numbers = self.now_number, self.numbers
        if now is None or not numbers:
            return self.values.index(self.now) if self.now in self.values else 0
        return min(range(len(numbers)), key=lambda place: abs(numbers[place] - now))

    def text(self, place: int) -> str:
        """Return the value at a place as one would write it."""
        value = self.now if place == AS_IS else self.values[place]
        return str(value).lower() if isinstance(value, bool) else str(value)


@dataclass(frozen=True, slots=True)
class Along:
    """Values from the lowest to the highest; words as they are listed."""

    knob: Knob
    places: tuple[int, ...]  # on the knob's list; ``AS_IS`` for a present value not on it
    numbers: tuple[float, ...]  # the same in the internal unit; empty for words

    def __len__(self) -> int:
        return len(self.places)

    def step_of(self, place: int) -> int:
        """Return the step of a place of the list."""
        return self.places.index(_listed_as(self.knob, place))

    def text(self, step: int) -> str:
        """Return the value as one would write it."""
        return self.knob.text(self.places[step])


def along(knob: Knob) -> Along:
    """Return the values of a knob in order."""
    listed = [*range(len(knob.values))]
    if _listed_as(knob, AS_IS) == AS_IS:
        listed.insert(0, AS_IS)
    if not knob.numbers or knob.now_number is None:
        return Along(knob, tuple(listed), ())
    now = knob.now_number
    numbers = {place: now if place == AS_IS else knob.numbers[place] for place in listed}
    places = sorted(listed, key=lambda place: numbers[place])
    return Along(knob, tuple(places), tuple(numbers[place] for place in places))


def _listed_as(knob: Knob, place: int) -> int:
    """Return the place of a value on the list, also of the present one if it is listed."""
    if place != AS_IS:
        return place
    values = knob.numbers or knob.values
    now = knob.now_number if knob.numbers else knob.now
    return next((p for p, value in enumerate(values) if value == now), AS_IS)


def last_accepted(
    accepted: Callable[[int], bool], inside: int, outside: int, *, to: int = 1
) -> int:
    """Return the last accepted place between an accepted and a refused one, to within some."""
    while abs(outside - inside) > to:
        middle = (outside + inside) // 2
        inside, outside = (middle, outside) if accepted(middle) else (inside, middle)
    return inside


def stepped(knobs: Sequence[Along], at: Sequence[int]) -> tuple[int, ...]:
    """Return the setup of one step for each knob."""
    return tuple(each.places[step] for each, step in zip(knobs, at, strict=True))
