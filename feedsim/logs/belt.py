"""The belt's motion from an encoder's logged counts, in as few straight pieces as fit."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from feedsim.arrays import Floats
from feedsim.logs.log import Log, SampledSignal
from feedsim.machine import Encoder
from feedsim.motion.belt import BeltMotion, BeltPiece

_FIRST_LOOK = 16
_ROOM = 0.75
_STOOD = 100.0  # times the usual time between counts: the belt was at rest, or nothing was logged


@dataclass(frozen=True, slots=True)
class LoggedBelt:
    """The belt over one stretch of a log, which begins and ends on the log's axis."""

    belt: BeltMotion  # in counted mm, from 0 s on: log times less ``begin_s``
    begin_s: float
    end_s: float
    within_mm: float  # largest error of the travel anywhere: one count, or one logged step

    def counted_mm(self, times: Floats) -> Floats:
        """Return counted travel (mm) at log times (s)."""
        return self.belt.positions(times - self.begin_s)

    def speed_mm_s(self, times: Floats) -> Floats:
        """Return the counted speed (mm/s) at log times (s)."""
        return self.belt.speeds(times - self.begin_s)

    def times_at(self, counted_mm: Floats) -> Floats:
        """Return the log times (s) at which a counted travel (mm) is first reached."""
        return self.belt.times_at(counted_mm) + self.begin_s


def belt_of_log(log: Log, encoder: Encoder) -> tuple[LoggedBelt, ...]:
    """Return the belt's motion for each stretch of a log; none without an encoder in it.

    Each piece has a constant speed, the least-squares line of its counts, and lasts as long as the
    line passes each within three quarters of a count (whole counts cut off half a count on
    average). A stretch with fewer than two counts is left out.
    """
    values = log.encoder
    if values is None:
        return ()
    unit = encoder.count_mm if values.quantity == "count" else 1.0
    if unit == 0.0:  # counts of an encoder that the scenario does not have
        return ()
    found = []
    for begin, end in zip(log.begins_s, log.ends_s, strict=True):
        there = (values.time_s >= begin) & (values.time_s <= end)
        if np.count_nonzero(there) < 2:
            continue
        time, value = values.time_s[there] - begin, values.value[there]
        step = values.step if values.step > 0.0 else 1e-6
        rate = float(value[-1] - value[0]) / max(float(time[-1] - time[0]), 1e-9)
        slack = 0.5 * log.step_s * rate
        # a count is cut off, a length is rounded
        middle = value + 0.5 * step if values.quantity == "count" else value
        corners = _corners(time, middle, _ROOM * step + slack)
        belt = BeltMotion(_pieces(corners, unit))
        found.append(LoggedBelt(belt, begin, end, (step + slack) * unit))
    return tuple(found)


def _corners(time: Floats, middle: Floats, room: float) -> list[tuple[float, float]]:
    """Return the corners of a rising line that passes all values within a tolerance."""
    lines: list[tuple[int, float, float]] = []
    i, last = 0, len(time) - 1
    while i < last:
        end = _as_far_as(time, middle, room, i=i)
        lines.append((i, *_line(time[i : end + 1], middle[i : end + 1])))
        i = end
    corners = [(float(time[0]), lines[0][1] + lines[0][2] * float(time[0]))]
    for (_, level, slope), (at, other, rise) in pairwise(lines):
        t = float(time[at])
        corners.append((t, 0.5 * (level + slope * t + other + rise * t)))
    t = float(time[-1])
    corners.append((t, lines[-1][1] + lines[-1][2] * t))
    heights = np.maximum.accumulate([height for _, height in corners])
    return [(t, float(height)) for (t, _), height in zip(corners, heights, strict=True)]


def _as_far_as(time: Floats, middle: Floats, room: float, *, i: int) -> int:
    """Return the last value, from number ``i`` on, that one straight line still passes."""
    good, size, bad = i + 1, _FIRST_LOOK, len(time)
    while good < len(time) - 1:
        end = min(good + size, len(time) - 1) if bad == len(time) else (good + bad) // 2
        if end == good:
            break
        level, slope = _line(time[i : end + 1], middle[i : end + 1])
        off = middle[i : end + 1] - level - slope * time[i : end + 1]
        if float(np.abs(off).max()) <= room:
            good, size = end, 2 * size
        else:
            bad = end
    return good


def _line(time: Floats, middle: Floats) -> tuple[float, float]:
    """Return level and slope of the least-squares line (elementary)."""
    t0, m0 = float(time.mean()), float(middle.mean())
    t = time - t0
    slope = float(np.dot(t, middle - m0) / np.dot(t, t))
    return m0 - slope * t0, slope


def _pieces(corners: list[tuple[float, float]], unit: float) -> list[BeltPiece]:
    pieces = [
        BeltPiece(t, u * unit, (then - u) / (until - t) * unit, 0.0)
        for (t, u), (until, then) in pairwise(corners)
    ]
    first = pieces[0]
    if first.start_s > 0.0:
        back = first.travel_mm - first.speed_mm_s * first.start_s
        pieces[0] = BeltPiece(0.0, back, first.speed_mm_s, 0.0)
    return pieces


def logged_speed_mm_s(values: SampledSignal, unit_mm: float) -> float:
    """Return the mean speed of an encoder while it moves (counted mm/s), 0 for none."""
    rises, ran = np.diff(values.value), np.diff(values.time_s)
    moves = rises > 0.0
    if not moves.any():
        return 0.0
    moves &= ran <= _STOOD * np.median(ran[moves])
    return float(rises[moves].sum() / ran[moves].sum()) * unit_mm
