"""What a program has of an eye's logged output: marks, each with the interval of its capture."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from feedsim.logs.log import Level
from feedsim.machine import Controller, Eye


class Run(NamedTuple):
    """An output that is on: when it came on and went off, as intervals (s); row of the first."""

    on_low_s: float
    on_high_s: float
    off_low_s: float
    off_high_s: float
    row: int


class Edge(NamedTuple):
    """A mark, or an insert's edge, as the program has it; intervals in s of the stretch.

    ``low_s``, ``high_s``: when its travel is captured. ``known_low_s``, ``known_high_s``: when the
    program knows of it. ``sure``: it is seen for certain; else filter or scan may have hidden it.
    """

    low_s: float
    high_s: float
    known_low_s: float
    known_high_s: float
    sure: bool
    row: int
    run: Run


def runs_of(level: Level, begin_s: float, end_s: float) -> list[Run]:
    """Return the runs of an output that begin within a stretch, in seconds of the stretch."""
    runs = []
    ons = np.flatnonzero((level.on_s >= begin_s) & (level.on_s <= end_s))
    for i in ons:
        on, within = float(level.on_s[i]) - begin_s, float(level.on_within_s[i])
        later = int(np.searchsorted(level.off_s, level.on_s[i]))
        off, wide = math.inf, 0.0
        if later < len(level.off_s) and level.off_s[later] <= end_s:
            off, wide = float(level.off_s[later]) - begin_s, float(level.off_within_s[later])
        row = int(level.on_row[i])
        runs.append(Run(on - within, on + within, off - wide, off + wide, row))
    return runs


def edges_of(runs: list[Run], eye: Eye, controller: Controller) -> list[Edge]:
    """Return what a program makes of an output (model, section 4).

    The scan's phase is not known, so whatever a scan may show or hide is not sure.
    """
    scan, filter_s = controller.scan_s, eye.filter_s
    must = max(filter_s, scan if eye.polled else 0.0)
    found: list[Edge] = []
    off_low, off_high = -math.inf, -math.inf
    for run in runs:
        longest, shortest = run.off_high_s - run.on_low_s, run.off_low_s - run.on_high_s
        gap_most, gap_least = run.on_high_s - off_low, run.on_low_s - off_high
        off_low, off_high = run.off_low_s, run.off_high_s
        if longest < filter_s or gap_most < filter_s:
            continue
        sure = shortest > must and gap_least > must
        low, high = run.on_low_s + filter_s, run.on_high_s + filter_s
        known_high = high + scan
        capture_high = known_high if eye.scanned else high
        found.append(Edge(low, capture_high, low, known_high, sure, run.row, run))
    return found
