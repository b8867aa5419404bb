"""What came before an act: what the odd ones may have in common."""

from __future__ import annotations

import math

from feedsim.answers.learn.study.act_edges import Edge, Run
from feedsim.answers.learn.study.act_windows import Stretch

_LONGER = 1.03
"""Of an insert, or a carrier: what keeps its eye on for more than this is not one alone."""


def contexts_of(
    stretch: Stretch, marks: list[Edge], edges: list[Edge | None], *, marks_of: dict[int, int]
) -> list[set[str]]:
    """Return what each feed cycle came after, in words.

    Parameters
    ----------
    edges : list of Edge or None
        The insert's edge that each cycle captured.
    marks_of : dict of int to int
        The mark that each cycle's closing was for.
    """
    found: list[set[str]] = []
    double = [_is_double(edge, stretch) for edge in edges]
    served = set(marks_of.values())
    for number, cycle in enumerate(stretch.cycles):
        own: set[str] = set()
        # the insert engaged now was captured in the cycle before, the one ahead of it before that
        if any(double[max(number - 2, 0) : number]):
            own.add("a double")
        mark = marks_of.get(number)
        if mark is not None:
            if mark > 0 and _joined(marks[mark - 1], stretch):
                own.add("carriers that merged at their eye")
            if mark > 0 and mark - 1 not in served:
                own.add("a carrier that was passed over")
            follower = marks[mark + 1] if mark + 1 < len(marks) else None
            if follower is not None and follower.known_high_s < cycle.close_low_s:
                own.add("another mark that was waiting")
        found.append(own)
    return found


def _is_double(edge: Edge | None, stretch: Stretch) -> bool:
    if edge is None:
        return False
    return stretch.feed.length_mm(edge.run) > _LONGER * stretch.feeder.inserts.length_mm


def _joined(mark: Edge, stretch: Stretch) -> bool:
    run = mark.run
    if run.off_high_s == math.inf:
        return False
    length = stretch.points.travel_mm(run.on_high_s, run.off_low_s)
    return length > _LONGER * stretch.machine.carriers.length_mm


def inserts_joined(runs: list[Run], stretch: Stretch) -> list[tuple[float, float]]:
    """Return when an insert eye was on for more than one insert: an edge may be hidden there."""
    longest = _LONGER * stretch.feeder.inserts.length_mm
    return [
        (run.on_low_s, run.off_high_s)
        for run in runs
        if not stretch.feed.length_mm(run) <= longest  # or it is not over
    ]


def carriers_joined(runs: list[Run], stretch: Stretch) -> list[tuple[float, float]]:
    """Return when the carrier eye was on for more than one carrier."""
    longest = _LONGER * stretch.machine.carriers.length_mm
    return [
        (run.on_low_s, run.off_high_s)
        for run in runs
        if run.off_high_s == math.inf
        or stretch.points.travel_mm(run.on_high_s, run.off_low_s) > longest
    ]
