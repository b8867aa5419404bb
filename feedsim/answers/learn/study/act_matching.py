"""Openings beside the insert eye, and which closing is whose.

An opening is due a distance after the edge that its search found. Marks and closings are matched in
order: a closing belongs to the mark nearest to it, or to the one that waited for the feeder.
"""

from __future__ import annotations

import math
from bisect import bisect_left

import numpy as np

from feedsim.answers.learn.study.act_rows import Act, ActVerdict, Side
from feedsim.answers.learn.study.act_windows import Cycle, Edge, LogStretch, Window

_SLACK_MM = 1.0  # of feed travel, at the search limit
_ROOM = 0.25
"""Share of the time between marks by which a closing may miss its mark's window."""


class OpeningActs:
    """An act for each opening, and the edge that each cycle captured (None: unknown).

    ``failed``: cycles whose search ended without an insert.
    """

    def __init__(self) -> None:
        self.acts: list[Act] = []
        self.edges: list[Edge | None] = []
        self.failed: set[int] = set()


def late(act_low_s: float, act_high_s: float, window: Window) -> tuple[float, float]:
    """Return how much later than its window an act is, as an interval (s)."""
    return act_low_s - window.high_s, act_high_s - window.low_s


def in_time(low: float, high: float) -> ActVerdict:
    """Return whether an act this late (s), an interval, is as asked, early or late."""
    if low <= 0.0 <= high:
        return ActVerdict.AS_ASKED
    return ActVerdict.LATE if low > 0.0 else ActVerdict.EARLY


def compared_openings(
    stretch: LogStretch, edges: list[Edge], hidden: list[tuple[float, float]]
) -> OpeningActs:
    """Compare the openings of one feeder over one stretch with its insert eye's edges.

    ``hidden``: when an edge may have been hidden, the output being on longer than for one insert.
    """
    found, first = OpeningActs(), 0
    for number, cycle in enumerate(stretch.cycles):
        while first < len(edges) and edges[first].high_s < cycle.close_low_s:
            first += 1
        if cycle.open_s == math.inf:
            found.edges.append(None)
            continue
        unjudged = stretch.is_disturbed(cycle.close_s, cycle.open_s)
        best = _best(cycle, edges[first:], stretch)
        if best is None:
            ended = _at_the_limit(cycle, stretch)
            unjudged |= any(a <= cycle.open_s and cycle.close_s <= b for a, b in hidden)
            verdict = ActVerdict.AS_ASKED if ended else ActVerdict.NO_MARK
            found.failed |= {number} if ended else set()
            edge, window, sure = None, None, True
        else:
            edge, window, sure = best
            verdict = in_time(*late(cycle.open_low_s, cycle.open_high_s, window))
        if verdict is ActVerdict.LATE and window is not None and stretch.hides_cycles:
            # another cycle may lie within, between two samples
            unjudged |= cycle.open_low_s - window.high_s > 0.5 * stretch.insert_pitch_s
        if unjudged or (verdict is not ActVerdict.AS_ASKED and not sure):
            verdict = ActVerdict.NOT_JUDGED
        found.edges.append(edge if sure else None)
        found.acts.append(act_of(stretch, number, "openings", edge, window, verdict))
    return found


def _at_the_limit(cycle: Cycle, stretch: LogStretch) -> bool:
    ran = stretch.feed.position(cycle.open_s) - stretch.feed.position(cycle.close_s)
    wide = 0.5 * (cycle.close_high_s - cycle.close_low_s + cycle.open_high_s - cycle.open_low_s)
    fast = stretch.feeder.settings.speed_ratio * stretch.points.speed_mm_s(cycle.open_s)
    return ran >= stretch.machine.controller.search_limit_mm - _SLACK_MM - wide * fast


def _best(cycle: Cycle, edges: list[Edge], stretch: LogStretch) -> tuple[Edge, Window, bool] | None:
    """Return the edge that best explains an opening, of those that its search may have captured."""
    settings, points = stretch.feeder.settings, stretch.points
    fits: list[tuple[float, int]] = []
    choice: list[tuple[Edge, Window]] = []
    for edge in edges:
        if edge.low_s > cycle.open_high_s:
            break
        window = points.window(
            edge, settings.disengage_distance_mm, settings.disengage_lead_s, slack_mm=0.0
        )
        low, high = late(cycle.open_low_s, cycle.open_high_s, window)
        fits.append((max(low, -high, 0.0), len(choice)))
        choice.append((edge, window))
        if edge.sure and edge.low_s > cycle.close_high_s:
            break
    if not choice:
        return None
    edge, window = choice[min(fits)[1]]
    return edge, window, len(choice) == 1 and edge.sure


def act_of(
    stretch: LogStretch,
    number: int,
    side: Side,
    edge: Edge | None,
    window: Window | None,
    verdict: ActVerdict,
    *,
    waited: bool = False,
) -> Act:
    """Return the act of a cycle on a side; ``waited``: its mark waited for the feeder."""
    cycle, points, begin_s = stretch.cycles[number], stretch.points, stretch.begin_s
    early, latest, row = cycle[:3] if side == "closings" else cycle[3:]
    nan, time_s = math.nan, cycle.close_s if side == "closings" else cycle.open_s
    speed = points.speed_mm_s(time_s)
    edge_s = nan if edge is None else 0.5 * (edge.low_s + edge.high_s)
    low, high = (nan, nan) if window is None else late(early, latest, window)
    on_time = edge is not None and window is not None and window.point_low_s > edge.known_high_s
    return Act(
        time_s=time_s + begin_s,
        row=row,
        edge_s=edge_s + begin_s,
        expected_s=nan if window is None else window.middle_s + begin_s,
        late_low_s=low,
        late_high_s=high,
        counts_per_s=speed / points.unit_mm,
        speed_mm_s=speed,
        travel_mm=nan if edge is None else points.travel_mm(edge_s, time_s),
        verdict=verdict,
        cycle=number,
        exact=on_time and not waited,
    )


class Matching:
    """Matches the closings of one feeder over one stretch with the marks of its carrier eye.

    ``windows``: when each mark is due, without a correction. ``matched``: the mark of each cycle
    that has one. ``waited``: cycles whose mark waited for the feeder.
    """

    def __init__(self, stretch: LogStretch, marks: list[Edge], opened: OpeningActs) -> None:
        self._cycles, self._marks, self._opened = stretch.cycles, marks, opened
        self._feed, self._points = stretch.feed, stretch.points
        self._settings = stretch.feeder.settings
        self._room_mm = stretch.machine.carriers.reach_mm(self._settings)
        self._waits = stretch.machine.controller.not_ready_engages
        self._closes = [cycle.close_s for cycle in self._cycles]
        self.windows = [self._window(mark, None) for mark in marks]
        self.matched: dict[int, int] = {}
        self.waited: set[int] = set()
        shift = 0.0
        for _ in range(2):  # subtract a steady shift, and match again
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
        """Return the mark that waits at the head for the feeder, if this closing serves it."""
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
        """Return the shift (s) of most matched closings, 0 if they are in time."""
        off = []
        for number, mark in self.matched.items():
            if number in self.waited:
                continue
            low, high = late(*self._cycles[number][:2], self.due(mark, number - 1))
            off.append(0.0 if low <= 0.0 <= high else 0.5 * (low + high))
        return float(np.median(off)) if off else 0.0
