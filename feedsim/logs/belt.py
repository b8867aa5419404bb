"""The belt's motion as an encoder's logged counts have it: as few straight pieces as will do."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from feedsim.logs.log import Log, Values
from feedsim.machine import Encoder
from feedsim.motion.belt import BeltMotion, BeltPiece

__all__ = ["LoggedBelt", "belt_of_log"]

Floats = NDArray[np.float64]

_FIRST_LOOK = 64
_SLACK_COUNTS = 0.02


@dataclass(frozen=True, slots=True)
class LoggedBelt:
    """The belt over one stretch of a log.

    Attributes
    ----------
    belt : BeltMotion
        In counted mm, from 0 s on: log times less ``begin_s``.
    begin_s, end_s : float
        On the log's axis.
    within_mm : float
        So far off may the travel be anywhere: one count, or one step of what is logged.
    """

    belt: BeltMotion
    begin_s: float
    end_s: float
    within_mm: float

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
    """Return the belt's motion, one for each stretch of a log; none without an encoder in it.

    Each piece runs at a constant speed and goes on for as long as it passes every logged count
    between that count and the next. (A swinging door, as historians of process data thin them;
    from memory.) A stretch with fewer than two counts has no motion and is left out.
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
        time, low = values.time_s[there] - begin, values.value[there]
        step = values.step if values.step > 0.0 else 1e-6
        rate = float(low[-1] - low[0]) / max(float(time[-1] - time[0]), 1e-9)
        slack = _SLACK_COUNTS * step + 0.5 * log.step_s * rate
        if values.quantity != "count":
            low = low - 0.5 * step  # a count is cut off, a length is rounded
        corners = _corners(time, low - slack, low + step + slack)
        belt = BeltMotion(_pieces(corners, unit))
        found.append(LoggedBelt(belt, begin, end, (step + 2.0 * slack) * unit))
    return tuple(found)


def _corners(time: Floats, low: Floats, high: Floats) -> list[tuple[float, float]]:
    """Return the corners of a line between two bounds that rises throughout."""
    i, last = 0, len(time) - 1
    here = 0.5 * float(low[0] + high[0])
    corners = [(float(time[0]), here)]
    while i < last:
        end, slope = _as_far_as(time, low, high, i=i, here=here)
        here += max(slope, 0.0) * float(time[end] - time[i])
        corners.append((float(time[end]), here))
        i = end
    return corners


def _as_far_as(
    time: Floats, low: Floats, high: Floats, *, i: int, here: float
) -> tuple[int, float]:
    """Return how far one straight piece from a corner goes, and its slope."""
    size, end, slope = _FIRST_LOOK, i, 0.0
    least, most = -np.inf, np.inf
    while end < len(time) - 1:
        part = slice(end + 1, end + 1 + size)
        ran = time[part] - time[i]
        lowest = np.maximum(np.maximum.accumulate((low[part] - here) / ran), least)
        highest = np.minimum(np.minimum.accumulate((high[part] - here) / ran), most)
        fits = lowest <= highest
        good = len(fits) if bool(fits.all()) else int(np.argmin(fits))
        if good:
            least, most = float(lowest[good - 1]), float(highest[good - 1])
            slope = 0.5 * (least + most)
            end += good
        if good < len(fits):
            break
        size *= 2
    if end == i:  # not even the next one: straight to its middle
        end = i + 1
        slope = (0.5 * float(low[end] + high[end]) - here) / float(time[end] - time[i])
    return end, slope


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


def logged_speed_mm_s(values: Values, unit_mm: float) -> float:
    """Return the mean speed that an encoder has while it moves (counted mm/s), 0 for none."""
    rises, ran = np.diff(values.value), np.diff(values.time_s)
    moves = rises > 0.0
    if not moves.any():
        return 0.0
    return float(rises[moves].sum() / ran[moves].sum()) * unit_mm
