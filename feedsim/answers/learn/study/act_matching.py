"""Which closing is whose: marks and closings are both in order, and matched in order.

A closing belongs to the mark that it comes nearest to, or to the one that waited for the feeder.
"""

from __future__ import annotations

import math
from bisect import bisect_left

import numpy as np

from feedsim.answers.learn.study.act_edges import Edge
from feedsim.answers.learn.study.act_openings import Opened, late
from feedsim.answers.learn.study.act_windows import Stretch, Window

_ROOM = 0.25
"""Of the time between marks: so far from its window a closing may still be a mark's."""


class Matching:
    """Matches the closings of one feeder over one stretch with the marks of its carrier eye.

    Attributes
    ----------
    windows : list of Window
        When each mark is due, without a correction.
    matched : dict of int to int
        The mark of each cycle that has one.
    waited : set of int
        Cycles whose mark waited for the feeder.
    """

    def __init__(self, stretch: Stretch, marks: list[Edge], opened: Opened) -> None:
        self._cycles, self._marks, self._opened = stretch.cycles, marks, opened
        self._feed, self._points = stretch.feed, stretch.points
        self._settings = stretch.feeder.settings
        self._room_mm = stretch.machine.carriers.length_mm - self._settings.target_offset_mm
        self._waits = stretch.machine.controller.not_ready_engages
        self._closes = [cycle.close_s for cycle in self._cycles]
        self.windows = [self._window(mark, None) for mark in marks]
        self.matched: dict[int, int] = {}
        self.waited: set[int] = set()
        shift = 0.0
        for _ in range(2):  # a steady shift is taken off, and all matched anew
            self._match(shift)
            shift = self._shift()

    def _window(self, mark: Edge, after: int | None) -> Window:
        """Return when a mark is due, with the stage correction after a cycle."""
        distance, slack = self._settings.engage_distance_mm, 0.0
        edge = None if after is None or after < 0 else self._opened.edges[after]
        if self._settings.stage_correction and edge is not None and after is not None:
            extra, slack = self._feed.correction_mm(after, edge, self._points)
            distance += extra
        return self._points.window(mark, distance, self._settings.engage_lead_s, slack_mm=slack)

    def due(self, k: int, after: int) -> Window:
        """Return when a mark is due after a cycle."""
        if self._settings.stage_correction:
            return self._window(self._marks[k], after)
        return self.windows[k]

    def _match(self, shift: float) -> None:
        self.matched, self.waited, last = {}, set(), -1
        middles = [window.middle_s for window in self.windows]
        apart = float(np.median(np.diff(middles))) if len(middles) > 2 else math.inf
        room = _ROOM * apart
        for number, t in enumerate(self._closes):
            waiting = self._waiting(number, last + 1)
            if waiting is not None:
                last = self.matched[number] = waiting
                self.waited.add(number)
                continue
            at = bisect_left(middles, t - shift)
            near = [
                (abs(self.due(k, number - 1).middle_s + shift - t), k)
                for k in range(at - 2, at + 2)
                if last < k < len(middles)
            ]
            if near and min(near)[0] <= room:
                last = self.matched[number] = min(near)[1]

    def _waiting(self, number: int, first: int) -> int | None:
        """Return the mark that waits at the head for the feeder, where this closing is for it."""
        if not self._waits or number == 0 or number - 1 >= len(self._feed.ready):
            return None
        cycle, (low, high) = self._cycles[number], self._feed.ready[number - 1]
        slack = self._points.cycle_s + 1e-4
        if not (cycle.close_high_s >= low - slack and cycle.close_low_s <= high + slack):
            return None
        for k in range(first, len(self._marks)):
            window = self.due(k, number - 1)
            if window.point_low_s > high + slack:
                return None
            passed = self._points.travel_mm(window.point_high_s, cycle.close_low_s)
            if passed <= self._room_mm + 1.0:
                return k
        return None

    def _shift(self) -> float:
        """Return by how much most matched closings are off (s), 0 where they are in time."""
        off = []
        for number, mark in self.matched.items():
            if number in self.waited:
                continue
            low, high = late(*self._cycles[number][:2], self.due(mark, number - 1))
            off.append(0.0 if low <= 0.0 <= high else 0.5 * (low + high))
        return float(np.median(off)) if off else 0.0
