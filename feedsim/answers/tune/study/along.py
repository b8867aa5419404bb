"""The values of one knob in rising order, the one it has now among them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from feedsim.answers.tune.study.knob import AS_IS, Knob
from feedsim.answers.tune.study.space import Setup


@dataclass(frozen=True, slots=True)
class Along:
    """Values from the lowest to the highest; words as they are listed.

    Attributes
    ----------
    knob : Knob
    places : tuple of int
        Of each value on the knob's list; ``AS_IS`` where the present value is not listed.
    numbers : tuple of float
        The same in the internal unit; empty for words.
    """

    knob: Knob
    places: tuple[int, ...]
    numbers: tuple[float, ...]

    def __len__(self) -> int:
        return len(self.places)

    def step_of(self, place: int) -> int:
        """Return where a place of the list stands."""
        return self.places.index(_listed(self.knob, place))

    def text(self, step: int) -> str:
        """Return the value as one would write it."""
        return self.knob.text(self.places[step])


def along(knob: Knob) -> Along:
    """Return the values of a knob in order."""
    listed = [*range(len(knob.values))]
    if _listed(knob, AS_IS) == AS_IS:
        listed.insert(0, AS_IS)
    if not knob.numbers or knob.now_number is None:
        return Along(knob, tuple(listed), ())
    now = knob.now_number
    numbers = {place: now if place == AS_IS else knob.numbers[place] for place in listed}
    places = sorted(listed, key=lambda place: numbers[place])
    return Along(knob, tuple(places), tuple(numbers[place] for place in places))


def _listed(knob: Knob, place: int) -> int:
    """Return the place on the list of a value, also of the present one if it is there."""
    if place != AS_IS:
        return place
    values = knob.numbers or knob.values
    now = knob.now_number if knob.numbers else knob.now
    return next((p for p, value in enumerate(values) if value == now), AS_IS)


def stepped(knobs: Sequence[Along], at: Sequence[int]) -> Setup:
    """Return the setup of one step for each knob."""
    return tuple(each.places[step] for each, step in zip(knobs, at, strict=True))
