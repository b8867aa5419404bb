"""Closings behind the carrier eye: each mark is traced to the act that these settings ask for.

Marks and closings left over are explained; only what no value of the unknown phases explains
counts as a fault of the program.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from dataclasses import dataclass, field

from feedsim.answers.learn.study.act_matching import Matching, OpeningActs, act_of, in_time, late
from feedsim.answers.learn.study.act_rows import Act, ActVerdict
from feedsim.answers.learn.study.act_windows import Edge, LogStretch


@dataclass(slots=True)
class ClosingActs:
    """Results: an act for each closing, and lost marks (time, row, expected; s)."""

    acts: list[Act] = field(default_factory=list)
    lost: list[tuple[float, int, float]] = field(default_factory=list)
    marks: int = 0
    marks_of: dict[int, int] = field(default_factory=dict)


class Closings:
    """Compares the closings of one feeder over one stretch, with its openings.

    ``hidden``: when a mark may have been hidden (s of the stretch).
    """

    def __init__(
        self,
        stretch: LogStretch,
        marks: list[Edge],
        opened: OpeningActs,
        *,
        hidden: list[tuple[float, float]],
    ) -> None:
        self._stretch, self._hidden, self._hides_cycles = stretch, hidden, stretch.hides_cycles
        self._cycles, self._marks, self._opened = stretch.cycles, marks, opened
        self._feed, self._points = stretch.feed, stretch.points
        machine, feeder = stretch.machine, stretch.feeder
        self._controller, self._settings = machine.controller, feeder.settings
        self._disturbed = stretch.disturbed
        self._begin_s, self._end_s = stretch.begin_s, stretch.length_s
        self._room_mm = machine.carriers.reach_mm(feeder.settings)
        self._waits = self._controller.not_ready_engages
        self._late_closes = self._controller.late_mark_engages
        self._closes = [cycle.close_s for cycle in self._cycles]
        matching = Matching(stretch, marks, opened)
        self._windows, self._due = matching.windows, matching.due
        self._matched, self._waited = matching.matched, matching.waited

    def compared(self) -> ClosingActs:
        """Explain each closing, and each mark without one."""
        found = ClosingActs()
        served = dict(sorted((mark, cycle) for cycle, mark in self._matched.items()))
        lost = self._lost(served)
        swapped, twice = self._over(served, lost)
        for number in range(len(self._cycles)):
            act = self._act(number, swapped=swapped, twice=twice)
            found.acts.append(act)
            if number in self._matched:
                found.marks_of[number] = self._matched[number]
        gone = set(swapped.values())
        found.lost = [
            (
                0.5 * (self._marks[k].low_s + self._marks[k].high_s) + self._begin_s,
                self._marks[k].row,
                self._windows[k].middle_s + self._begin_s,
            )
            for k in lost
            if k not in gone
        ]
        found.marks = sum(self._in_sight(k) for k in range(len(self._marks)))
        return found

    # -- what is left over -------------------------------------------------------------------

    def _in_sight(self, k: int) -> bool:
        """Tell whether all consequences of a mark lie in the stretch, undisturbed."""
        window = self._windows[k]
        if not math.isfinite(window.high_s) or window.high_s + self._margin_s() > self._end_s:
            return False
        before = bisect_left(self._closes, window.low_s)
        if before == 0:  # the feeder's state is not known yet
            return False
        return not any(a <= window.high_s and window.low_s <= b for a, b in self._disturbed)

    def _margin_s(self) -> float:
        return 2.0 * (self._points.cycle_s + self._points.scan_s) + 2e-3

    def _lost(self, served: dict[int, int]) -> list[int]:
        """Return the marks that called for an act and got none."""
        return [
            k
            for k in range(len(self._marks))
            if k not in served and self._marks[k].sure and self._in_sight(k) and self._must(k)
        ]

    def _must(self, k: int) -> bool:
        """Tell whether no rule lets these settings pass a mark over."""
        mark = self._marks[k]
        before = self._before(self._windows[k].low_s)
        if before < 0 or before >= len(self._feed.ready):
            return False
        window = self._due(k, before)
        moved = self._before(window.low_s) != before  # by a correction, past an act
        if moved or any(cycle <= before for cycle in self._opened.failed):
            return False
        if self._hides_cycles and self._cycles[before].open_high_s > window.low_s:
            return False
        ready = self._feed.ready[before][1]
        if ready + self._margin_s() > window.low_s:
            reached = self._points.travel_mm(window.point_low_s, ready + self._margin_s())
            if not self._waits or reached > self._room_mm - 1.0:
                return False
        if mark.known_high_s > window.point_low_s and not self._late_closes:
            return False
        return self._pending(k) < self._controller.mark_memory

    def _before(self, t: float) -> int:
        """Return the last cycle whose closing is not a later mark's, before a time."""
        return bisect_left(self._closes, t) - 1

    def _pending(self, k: int) -> int:
        """Return the most marks that may be in memory as one becomes known."""
        known, margin = self._marks[k].known_high_s, self._margin_s()
        count, j = 0, k - 1
        while j >= 0:
            until = self._windows[j].high_s + margin
            if self._waits:
                until += self._room_mm / max(self._points.speed_mm_s(until), 1.0)
            if until < self._marks[k].known_low_s and self._windows[j].high_s < known:
                break
            count, j = count + 1, j - 1
        return count

    def _over(self, served: dict[int, int], lost: list[int]) -> tuple[dict[int, int], set[int]]:
        """Explain closings without a mark: swapped with the next (cycle → mark), or repeated."""
        swapped: dict[int, int] = {}
        twice: set[int] = set()
        left = set(lost)
        for number, t in enumerate(self._closes):
            if number in self._matched or number == 0:
                continue
            passed = [k for k in left if self._windows[k].high_s < t and k + 1 in served]
            last = max(passed, default=None)
            if last is not None and served[last + 1] == number - 1:
                swapped[number] = last
                left.discard(last)
            elif number - 1 in self._matched:
                twice.add(number)
        return swapped, twice

    # -- one by one --------------------------------------------------------------------------

    def _act(self, number: int, *, swapped: dict[int, int], twice: set[int]) -> Act:
        cycle, mark = self._cycles[number], self._matched.get(number, swapped.get(number))
        edge = window = None
        low = high = math.nan
        waited = number in self._waited
        if mark is not None:
            edge, window = self._marks[mark], self._due(mark, number - 1)
            if waited:
                ready_low, ready_high = self._feed.ready[number - 1]
                window = window._replace(
                    low_s=max(window.low_s, ready_low),
                    high_s=max(window.high_s, ready_high + self._points.cycle_s),
                )
            low, high = late(cycle.close_low_s, cycle.close_high_s, window)
        verdict = self._verdict(number, low, high, swapped=swapped, twice=twice)
        return act_of(self._stretch, number, "closings", edge, window, verdict, waited=waited)

    def _verdict(
        self,
        number: int,
        low: float,
        high: float,
        *,
        swapped: dict[int, int],
        twice: set[int],
    ) -> ActVerdict:
        t = self._closes[number]
        if any(a <= t <= b for a, b in self._disturbed):
            return ActVerdict.NOT_JUDGED
        if number in swapped:
            return ActVerdict.SWAPPED
        mark = self._matched.get(number)
        if mark is None:
            return self._without(number, twice)
        if self._settings.stage_correction and not self._corrected(number):
            return ActVerdict.NOT_JUDGED
        if self._too_soon(number, mark):
            return ActVerdict.NOT_ASKED
        return in_time(low, high)

    def _without(self, number: int, twice: set[int]) -> ActVerdict:
        """Return the verdict on a closing without a mark, which may lie before the stretch."""
        t = self._closes[number]
        speed = max(self._points.speed_mm_s(t), 1e-9)
        reach = (self._settings.engage_distance_mm + self._room_mm) / speed + self._margin_s()
        unsure = any(
            not mark.sure and mark.low_s < t < mark.low_s + 2.0 * reach for mark in self._marks
        )
        unsure |= any(a < t < b + reach for a, b in self._hidden)
        if t < reach or unsure:
            return ActVerdict.NOT_JUDGED
        return ActVerdict.TWICE if number in twice else ActVerdict.NO_MARK

    def _corrected(self, number: int) -> bool:
        return number > 0 and self._opened.edges[number - 1] is not None

    def _too_soon(self, number: int, mark: int) -> bool:
        """Tell whether these settings would certainly have let a mark go by."""
        window, edge = self._due(mark, number - 1), self._marks[mark]
        margin = self._margin_s()
        if number > 0 and number - 1 < len(self._feed.ready) and not self._waits:
            ready = self._feed.ready[number - 1][0]
            if ready < math.inf and ready > self._cycles[number].close_high_s + margin:
                return True
        late_for_sure = edge.known_low_s > window.point_high_s
        return late_for_sure and not self._late_closes
