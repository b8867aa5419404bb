"""The plain implementation, part 5: input filter and polling.

Written from the model page alone (section 4). An output is a list of runs, each with the cards
that make it; the ticks of a polled input are looked at one by one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from tests.reference.plain_motion import TINY_S
from tests.reference.plain_points import Ticks

SEEN, MERGED, TOO_SHORT = "seen", "merged", "too short"


@dataclass
class Run:
    """An output that is on without a break, and the input behind it.

    ``tails``: of the cards that hold it, in order. ``input_from``: when the input came on, or
    None while it has not; ``tail``: of the last card for which the input is on.
    """

    on: float
    tails: list[float] = field(default_factory=list)
    input_from: float | None = None


class PlainInput:
    """One eye's input. ``off(tail)``: the instant at which the output goes off behind a tail."""

    def __init__(self, eye, scan: Ticks, off):
        self.filter = eye.filter_s
        self.polled = eye.polled
        self.scan = scan
        self.off = off
        self.run: Run | None = None
        self.seen_on: float | None = None  # tail of the last card of the level last seen as on

    def lies(self, tail):
        """Begin with a card over the eye that the program has seen."""
        self.run = Run(on=0.0, tails=[tail], input_from=0.0)
        self.seen_on = tail

    def last_on(self):
        return -math.inf if self.run is None else self.run.on

    def move_last(self, by):
        """Let the last card fall back."""
        if self.seen_on == self.run.tails[-1]:
            self.seen_on += by
        self.run.tails[-1] += by

    def comes(self, passed, switches, tail):
        """Let a card pass; return what it is, and its switching where it is seen."""
        run = self.run
        output_off = -math.inf if run is None else self.off(run.tails[-1])
        one_output = passed < output_off - TINY_S
        one_input = (
            run is not None
            and run.input_from is not None
            and (one_output or switches < output_off + self.filter - TINY_S)
        )
        own_off = self.off(tail)
        if one_input:
            run.on = run.on if one_output else switches
            run.tails.append(tail)
        elif one_output:
            run.tails.append(tail)
        else:
            run = self.run = Run(on=switches, tails=[tail])
        if one_input and not self.polled:
            return MERGED, None
        if one_input and self.seen_on is not None:
            self.seen_on = tail
            return MERGED, None
        if not one_input:
            comes_on = run.on + self.filter
            if self.filter > 0.0 and own_off < comes_on - TINY_S:
                return TOO_SHORT, None
            run.input_from = comes_on
        if not self.polled:
            return SEEN, run.input_from
        return self._poll(run.input_from, own_off + self.filter, tail)

    def _poll(self, input_on, input_off, tail):
        """Look at the level at scan ticks."""
        if self.seen_on is not None:
            dark = self.off(self.seen_on) + self.filter
            if self.scan.at_or_after(dark) >= input_on - TINY_S:
                self.seen_on = tail
                return MERGED, None
        tick = self._first_tick(input_on)
        if tick < input_off - TINY_S:
            self.seen_on = tail
            return SEEN, tick
        self.seen_on = None
        return TOO_SHORT, None

    def _first_tick(self, t):
        """Step from tick to tick, from well before."""
        if self.scan.period == 0.0:
            return t
        n = math.floor((t - self.scan.phase) / self.scan.period) - 2
        while self.scan.time(n) < t - TINY_S:
            n += 1
        return max(self.scan.time(n), t)
