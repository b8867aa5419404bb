"""Openings beside the insert eye: each is due a distance after the edge that its search found."""

from __future__ import annotations

import math

from feedsim.answers.learn.study.act_edges import Edge
from feedsim.answers.learn.study.act_rows import Act, Verdict
from feedsim.answers.learn.study.act_windows import Cycle, Stretch, Window

_SLACK_MM = 1.0  # of feed travel, at the search limit


class Opened:
    """What came of the searches: an act for each opening, and the edge that each cycle captured.

    ``failed``: cycles whose search ended without an insert. ``edges``: None where it is not known.
    """

    def __init__(self) -> None:
        self.acts: list[Act] = []
        self.edges: list[Edge | None] = []
        self.failed: set[int] = set()


def late(act_low_s: float, act_high_s: float, window: Window) -> tuple[float, float]:
    """Return by how much an act is later than its window, as an interval (s)."""
    return act_low_s - window.high_s, act_high_s - window.low_s


def in_time(low: float, high: float) -> Verdict:
    """Return whether an act that is so much late (s), an interval, is as asked, early or late."""
    if low <= 0.0 <= high:
        return Verdict.AS_ASKED
    return Verdict.LATE if low > 0.0 else Verdict.EARLY


def compared_openings(
    stretch: Stretch, edges: list[Edge], hidden: list[tuple[float, float]]
) -> Opened:
    """Compare the openings of one feeder over one stretch with its insert eye's edges.

    ``hidden``: when an edge may have been hidden, the output being on for more than one insert.
    """
    found, first = Opened(), 0
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
            verdict = Verdict.AS_ASKED if ended else Verdict.NO_MARK
            found.failed |= {number} if ended else set()
            edge, window, sure = None, None, True
        else:
            edge, window, sure = best
            verdict = in_time(*late(cycle.open_low_s, cycle.open_high_s, window))
        if verdict is Verdict.LATE and window is not None and stretch.hides_cycles:
            # another cycle may lie within, its closing as short as a look
            unjudged |= cycle.open_low_s - window.high_s > 0.5 * stretch.insert_pitch_s
        if unjudged or (verdict is not Verdict.AS_ASKED and not sure):
            verdict = Verdict.NOT_JUDGED
        found.edges.append(edge if sure else None)
        found.acts.append(_act(stretch, number, edge, window, verdict))
    return found


def _at_the_limit(cycle: Cycle, stretch: Stretch) -> bool:
    ran = stretch.feed.position(cycle.open_s) - stretch.feed.position(cycle.close_s)
    wide = 0.5 * (cycle.close_high_s - cycle.close_low_s + cycle.open_high_s - cycle.open_low_s)
    fast = stretch.feeder.settings.speed_ratio * stretch.points.speed_mm_s(cycle.open_s)
    return ran >= stretch.machine.controller.search_limit_mm - _SLACK_MM - wide * fast


def _best(cycle: Cycle, edges: list[Edge], stretch: Stretch) -> tuple[Edge, Window, bool] | None:
    """Return the edge that a search may have captured which explains its opening best."""
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


def _act(
    stretch: Stretch, number: int, edge: Edge | None, window: Window | None, verdict: Verdict
) -> Act:
    cycle, points, begin_s = stretch.cycles[number], stretch.points, stretch.begin_s
    nan = math.nan
    speed = points.speed_mm_s(cycle.open_s)
    edge_s = nan if edge is None else 0.5 * (edge.low_s + edge.high_s)
    low, high = (nan, nan) if window is None else late(cycle.open_low_s, cycle.open_high_s, window)
    return Act(
        time_s=cycle.open_s + begin_s,
        row=cycle.open_row,
        edge_s=edge_s + begin_s,
        expected_s=nan if window is None else window.middle_s + begin_s,
        late_low_s=low,
        late_high_s=high,
        counts_per_s=speed / points.unit_mm,
        speed_mm_s=speed,
        travel_mm=nan if edge is None else points.travel_mm(edge_s, cycle.open_s),
        verdict=verdict,
        cycle=number,
        exact=window is not None and edge is not None and window.point_low_s > edge.known_high_s,
    )
