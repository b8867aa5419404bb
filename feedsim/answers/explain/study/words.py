"""Numbers of a story in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from feedsim.quantities import System, display, display_unit, listed, trimmed
from feedsim.records.stop import Stop

_NOTHING_MM = 5e-7


@dataclass(frozen=True, slots=True)
class Say:
    """Writes lengths and speeds in the units asked for."""

    units: System = "metric"

    def mm(self, length: float) -> str:
        """Write a length (mm), to a thousandth of a mm."""
        return f"{trimmed(self._number(length))} {display_unit('length', self.units).label}"

    def s(self, time: float) -> str:
        """Write a time (s)."""
        return display(time, "time", units=self.units)

    def speed(self, speed: float) -> str:
        """Write a speed (mm/s)."""
        return display(speed, "speed", units=self.units)

    def acceleration(self, acceleration: float) -> str:
        """Write an acceleration (mm/s²)."""
        return display(acceleration, "acceleration", units=self.units)

    def late(self, length: float) -> str:
        """Write a length (mm) as late (above 0) or early."""
        if abs(length) < _NOTHING_MM:
            return "on time"
        unit = display_unit("length", self.units).label
        return f"{self._number(abs(length))} {unit} {'late' if length > 0.0 else 'early'}"

    def from_stored(self, length: float) -> str:
        """Write how far (mm) a point lies from the stored belt travel."""
        side = "after" if length >= 0.0 else "before"
        return f"{self.mm(abs(length))} of belt {side} the stored travel"

    def _number(self, length: float) -> str:
        places = 3 if self.units == "metric" else 4
        return f"{length * display_unit('length', self.units).factor:.{places}f}"


def ranged(numbers: Sequence[int]) -> str:
    """Write rising numbers, runs of them as ranges.

    >>> ranged([3]), ranged([3, 4]), ranged([3, 4, 5, 6, 9])
    ('3', '3 and 4', '3 to 6 and 9')
    """
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    words: list[object] = []
    for run in runs:
        words += [f"{run[0]} to {run[-1]}"] if len(run) > 2 else run
    return listed(words)


def stop_words(stop: Stop | None) -> str:
    """Name the rule that stopped the line, and its cause, in brackets."""
    if stop is None:
        return ""
    names = dict.fromkeys(name.replace("_", " ") for name in (stop.rule.value, stop.cause) if name)
    return f" ({': '.join(names)})"
