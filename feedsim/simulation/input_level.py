"""Between a photo-eye's output and the program: input filter and polling (model, section 4)."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from enum import Enum, auto
from typing import NamedTuple

from feedsim.machine import Eye
from feedsim.motion.ticks import SAME_INSTANT_S

__all__ = ["InputLevel", "Look", "Seen", "level_of"]


class Seen(Enum):
    """What becomes of a card at a filtered or polled eye."""

    SWITCHES = auto()
    MERGES = auto()
    TOO_SHORT = auto()  # on for less than the filter asks, or between two scans


class Look(NamedTuple):
    """A card as it will be decided, if the motion stays as planned.

    ``t``: when that is (s). ``since_s``, ``on_s``: from when its run of the output is on, and
    the input. ``counts``: the input is on for it. ``shown``: the program saw the input on last.
    ``goes_on``: the output has not gone off before it.
    """

    seen: Seen
    t: float
    since_s: float
    on_s: float
    counts: bool
    shown: bool
    goes_on: bool

    def came_on(self) -> Iterator[tuple[str, float]]:
        """Yield when output and input came on for it (s); of a merged card only a new output."""
        if not (self.seen is Seen.MERGES and self.goes_on):
            yield "output_on", self.since_s
        if self.counts and self.seen is not Seen.MERGES:
            yield "input_on", self.on_s
        if self.seen is Seen.TOO_SHORT:
            yield "too_short", self.t


class InputLevel:
    """The level of one eye's input, from card to card.

    Cards are looked at in order. A look changes nothing and may be made anew as the motion
    changes; what has come true is taken over by :meth:`take`.

    Parameters
    ----------
    eye : Eye
        With a filter, or polled.
    goes_off : callable
        When the output goes off (s) for a tail at a travel (mm); ``-inf`` for none.
    scan_tick : callable
        The first scan tick at or after an instant (s).
    """

    def __init__(
        self,
        eye: Eye,
        *,
        goes_off: Callable[[float], float],
        scan_tick: Callable[[float], float],
    ) -> None:
        self._polled = eye.polled
        self._filter_s = eye.filter_s
        self._goes_off = goes_off
        self._scan_tick = scan_tick
        self._output_mm = -math.inf  # tail of the last card that holds the output
        self._input_mm = -math.inf  # and of the last that the input is on for
        self._since_s = -math.inf
        self._on_s = -math.inf
        self._counts = False
        self._shown = False

    @property
    def since_s(self) -> float:
        """When the output switched on last (s)."""
        return self._since_s

    def look(self, *, passes_s: float, switches_s: float, tail_mm: float) -> Look:
        """Return what becomes of the next card.

        Parameters
        ----------
        passes_s : float
            Its seen edge passes the eye.
        switches_s : float
            The output switches on, unless it is on still.
        tail_mm : float
            Travel at which its trailing edge passes.
        """
        output_off_s = self._goes_off(self._output_mm)
        goes_on = passes_s < output_off_s - SAME_INSTANT_S
        since_s = self._since_s if goes_on else switches_s
        still_on = self._counts and (
            goes_on or switches_s < output_off_s + self._filter_s - SAME_INSTANT_S
        )
        if still_on and (self._shown or not self._polled):
            t = passes_s if goes_on else switches_s
            return Look(Seen.MERGES, t, since_s, self._on_s, True, self._shown, goes_on)
        on_s = self._on_s if still_on else since_s + self._filter_s
        off_s = self._goes_off(tail_mm)
        if self._filter_s and not still_on and off_s < on_s - SAME_INSTANT_S:
            return Look(Seen.TOO_SHORT, off_s, since_s, on_s, False, self._shown, goes_on)
        if not self._polled:
            return Look(Seen.SWITCHES, on_s, since_s, on_s, True, True, goes_on)
        if self._shown and self._program_off_s() >= on_s - SAME_INSTANT_S:
            return Look(Seen.MERGES, on_s, since_s, on_s, True, True, goes_on)
        tick_s = self._scan_tick(on_s)
        input_off_s = off_s + self._filter_s
        if tick_s < input_off_s - SAME_INSTANT_S:
            return Look(Seen.SWITCHES, tick_s, since_s, on_s, True, True, goes_on)
        return Look(Seen.TOO_SHORT, input_off_s, since_s, on_s, True, False, goes_on)

    def take(self, look: Look, tail_mm: float) -> None:
        """Let a card that was looked at have passed, its tail at a travel (mm)."""
        self._since_s, self._on_s = look.since_s, look.on_s
        self._counts, self._shown = look.counts, look.shown
        self._output_mm = tail_mm
        if look.counts:
            self._input_mm = tail_mm

    def stands(self, tail_mm: float) -> None:
        """Let a card lie over the eye that the program has seen."""
        self._counts = self._shown = True
        self._output_mm = self._input_mm = tail_mm

    def slipped(self, slip_mm: float) -> None:
        """Let the last card fall back."""
        if self._input_mm == self._output_mm:
            self._input_mm += slip_mm
        self._output_mm += slip_mm

    def is_on(self, t: float) -> bool:
        """Tell whether the program has the input as on at ``t`` (s), as far as cards are known."""
        return self._shown and t < self._program_off_s()

    def _program_off_s(self) -> float:
        """Return when the program has the input as off again after the last card (s)."""
        off_s = self._goes_off(self._input_mm) + self._filter_s
        return self._scan_tick(off_s) if self._polled else off_s


def level_of(
    eye: Eye, *, goes_off: Callable[[float], float], scan_tick: Callable[[float], float]
) -> InputLevel | None:
    """Return the input's level of an eye; None where every switching is seen as it comes."""
    if not (eye.polled or eye.filter_s):
        return None
    return InputLevel(eye, goes_off=goes_off, scan_tick=scan_tick)
