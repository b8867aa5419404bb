"""The range in which the best setup stays accepted as one knob is turned, others held or re-tuned.

In closed form, from the best value outwards to the first refused one; simulation then moves the
ends with the others held.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from feedsim.answers.tune.study.after import KnobWindow, Reach
from feedsim.answers.tune.study.knob import Along, last_accepted, stepped
from feedsim.answers.tune.study.setup_at_speed import SetupAtSpeed, descend
from feedsim.answers.tune.study.space import Setup

SetupsAtSpeed = Callable[[Sequence[Setup]], Sequence[SetupAtSpeed]]
"""Setups → each at the speed, in closed form."""
Met = Callable[[Sequence[Setup]], Sequence[bool]]
"""Setups → whether simulation meets all acceptance figures at the speed, by counts."""

_COARSE, _COARSE_AGAIN = 24, 8
_FINE, _FIRST = 200, 50
_MOVES = 8


@dataclass(frozen=True, slots=True)
class Turning:
    """A setup whose knobs are turned, one at a time."""

    knobs: Sequence[Along]
    at: tuple[int, ...]  # the step of each

    @classmethod
    def of(cls, knobs: Sequence[Along], setup: Setup) -> Turning:
        """Start from a setup."""
        return cls(knobs, tuple(k.step_of(p) for k, p in zip(knobs, setup, strict=True)))

    def turned(self, number: int, step: int, others: Sequence[int] | None = None) -> Setup:
        """Return the setup with one knob elsewhere, and perhaps the others too."""
        rest = self.at if others is None else others
        return stepped(self.knobs, (*rest[:number], step, *rest[number + 1 :]))


def windows(
    turning: Turning,
    looks: SetupsAtSpeed,
    *,
    speed_mm_s: float,
    allowed: Callable[[Setup], bool] = lambda _: True,
) -> tuple[KnobWindow, ...]:
    """Return the window of each knob at a line speed, in closed form, turned from the best setup.

    ``looks``: at that speed. ``allowed``: whether a setup may be chosen as the others are re-tuned.
    """
    return tuple(
        _window(turning, number, looks, allowed, speed_mm_s=speed_mm_s)
        for number in range(len(turning.knobs))
    )


def _window(
    turning: Turning,
    number: int,
    looks: SetupsAtSpeed,
    allowed: Callable[[Setup], bool],
    *,
    speed_mm_s: float,
) -> KnobWindow:
    knob, middle = turning.knobs[number], turning.at[number]
    seen: dict[int, SetupAtSpeed] = {}

    def held(wanted: Sequence[int]) -> None:
        new = [step for step in wanted if step not in seen]
        seen.update(zip(new, looks([turning.turned(number, step) for step in new]), strict=True))

    words = not knob.numbers
    held(range(len(knob)) if words else _spaced(len(knob), middle))
    ends = _ends(seen, middle, held)
    again = _Again(turning, number, looks, allowed, turning.at)
    accepted = [step for step in range(len(knob)) if words and seen[step].times <= 1.0]
    wider = [s for s in range(len(knob)) if words and (s in accepted or again.accepts(s))]
    further = again.ends(ends) if ends and not words else None
    steps = [] if words else sorted(seen)
    return KnobWindow(
        key=knob.knob.key,
        line_speed_mm_s=speed_mm_s,
        best=knob.text(middle),
        had=(knob.text(0), knob.text(len(knob) - 1)),
        held=_reach(knob, ends, seen, words=accepted),
        retuned=_reach(knob, further, {}, words=wider),
        simulated=None,
        values=tuple(knob.numbers[step] for step in steps),
        times=tuple(seen[step].times for step in steps),
        kind=knob.knob.kind,
    )


def _spaced(count: int, middle: int) -> list[int]:
    """Return evenly spread steps, including the middle one and the ends."""
    stride = max(1, count // _COARSE)
    return sorted({0, count - 1, *range(middle, -1, -stride), *range(middle, count, stride)})


def _ends(
    seen: dict[int, SetupAtSpeed], middle: int, held: Callable[[Sequence[int]], None]
) -> tuple[int, int] | None:
    """Return the last accepted steps either way, without a refused one in between."""
    if seen[middle].times > 1.0:
        return None

    def accepted(step: int) -> bool:
        held([step])
        return seen[step].times <= 1.0

    found = []
    for way in (-1, 1):
        outwards = sorted((s for s in seen if (s - middle) * way > 0), key=lambda s: s * way)
        beyond = next((step for step in outwards if seen[step].times > 1.0), None)
        inner = [s for s in outwards if beyond is None or (s - beyond) * way < 0]
        inside = inner[-1] if inner else middle
        found.append(inside if beyond is None else last_accepted(accepted, inside, beyond))
    return found[0], found[1]


@dataclass(slots=True)
class _Again:
    """The other knobs chosen anew, for values of one that are refused while they are held."""

    turning: Turning
    number: int
    looks: SetupsAtSpeed
    allowed: Callable[[Setup], bool]
    others: tuple[int, ...]

    def accepts(self, step: int) -> bool:
        """Return whether some choice of the others is accepted there."""
        knobs = self.turning.knobs
        steps = [1 if n == self.number else len(each) for n, each in enumerate(knobs)]

        def times(many: Sequence[tuple[int, ...]]) -> list[float]:
            setups = [self.turning.turned(self.number, step, one) for one in many]
            found = zip(setups, self.looks(setups), strict=True)
            return [look.times if self.allowed(setup) else float("inf") for setup, look in found]

        found, best = descend(times, self.others, steps, enough=1.0)
        if best <= 1.0:
            self.others = found
        return best <= 1.0

    def ends(self, held: tuple[int, int]) -> tuple[int, int]:
        """Return the last steps either way for which some choice of the others is accepted."""
        low, high = held
        return self._end(low, 0), self._end(high, len(self.turning.knobs[self.number]) - 1)

    def _end(self, inside: int, last: int) -> int:
        self.others = self.turning.at
        way = 1 if last > inside else -1
        stride = max(1, abs(last - inside) // _COARSE_AGAIN)
        fine = max(1, len(self.turning.knobs[self.number]) // _FINE)
        while inside != last:
            there = inside + way * min(stride, abs(last - inside))
            if not self.accepts(there):
                return last_accepted(self.accepts, inside, there, to=fine)
            inside = there
        return last


def _reach(
    knob: Along,
    ends: tuple[int, int] | None,
    seen: dict[int, SetupAtSpeed],
    *,
    words: Sequence[int],
) -> Reach:
    if not knob.numbers:
        return Reach(None, None, (None, None), tuple(map(knob.text, words)))
    if ends is None:
        return Reach(None, None, (None, None), ())
    low, high = ends
    first, last = (seen[s].binds or None if s in seen else None for s in (low - 1, high + 1))
    return Reach(knob.text(low), knob.text(high), (first, last), ())


def moved(turning: Turning, found: Sequence[KnobWindow], met: Met) -> tuple[KnobWindow, ...]:
    """Return the windows with the ends that simulation finds, starting from those in closed form.

    All ends are simulated side by side.
    """
    ends = {
        (number, way): _End(turning.knobs[number], turning.at[number], way, window)
        for number, window in enumerate(found)
        for way in (-1, 1)
        if window.held.low is not None
    }
    for _ in range(_MOVES):
        asked = {key: step for key, end in ends.items() if (step := end.wanted) is not None}
        if not asked:
            break
        setups = [turning.turned(number, step) for (number, _), step in asked.items()]
        for (key, step), is_met in zip(asked.items(), met(setups), strict=True):
            ends[key].told(step, is_met=is_met)
    texts = {key: turning.knobs[key[0]].text(end.inside) for key, end in ends.items()}
    return tuple(
        replace(window, simulated=(texts[n, -1], texts[n, 1])) if (n, 1) in texts else window
        for n, window in enumerate(found)
    )


class _End:
    """One end of a window as simulation narrows it down: met inside, not met beyond."""

    def __init__(self, knob: Along, middle: int, way: int, window: KnobWindow) -> None:
        text = window.held.low if way < 0 else window.held.high
        self.inside = middle
        self._way, self._last = way, 0 if way < 0 else len(knob) - 1
        self._start: int | None = next(s for s in range(len(knob)) if knob.text(s) == text)
        self._beyond: int | None = None
        self._stride, self._fine = max(1, len(knob) // _FIRST), max(1, len(knob) // _FINE)

    @property
    def wanted(self) -> int | None:
        """The step to simulate next; None: the end is known."""
        if self._start is not None and self._start != self.inside:
            return self._start
        if self._beyond is None:
            left = abs(self._last - self.inside)
            return self.inside + self._way * min(self._stride, left) if left else None
        gap = abs(self._beyond - self.inside)
        if gap <= self._fine:
            return None
        inwards = self._beyond - self._way * self._stride
        return inwards if self._stride < gap else (self.inside + self._beyond) // 2

    def told(self, step: int, *, is_met: bool) -> None:
        """Take in the simulated verdict on a step."""
        if step != self._start:
            self._stride *= 2
        self._start = None
        if is_met:
            self.inside = step
        else:
            self._beyond = step
