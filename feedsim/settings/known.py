"""How ``"auto"`` reduces the mean error that right settings leave at line speed.

Locked ticks. The act on a scanned eye's edge falls on one of the steps γ after the capture
(:mod:`feedsim.settings.acts`), so its mean is one of a row of values v_c·γ apart, for any distance
and lead. With w counts a step, N counts surely lead to step j if (j − 1)·w + 1 ≤ N ≤ j·w; between
two such ranges the act falls on either step, which spreads the placement. The middle of the range,

    travel = (j − ½)·v_c·γ + q/2,

is farthest from both neighbours: a speed error worth up to half a step of travel changes nothing
(MODEL.md, section 13). The opening takes the step that stages nearest to the stage position, the
closing the one that leaves the smallest mean error.

A side that is not locked moves freely, to a whole count: the closing removes the error of the
opening; behind a scanned carrier eye and a latched insert eye the opening removes the error of the
closing instead, and the stage moves by it.

All changes go onto the leads. A step of locked ticks is a time, so its travel shrinks with the
speed like that of a lead; millimetres added to a distance would remain at a crawl.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import fields, replace

from feedsim.settings.acts import is_locked, step_travel
from feedsim.settings.corrected_acts import moved_at_tick, opens_at_tick
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.predict import error_by_engage, opened_further
from feedsim.settings.right import Solution, right_settings

WORTH_MM = 0.05
"""A mean error (mm) up to this is accepted, since right settings are right at every speed."""

_NEXT = (-2, -1, 0, 1, 2)
FEW_COUNTS = 3.0
"""Of locked ticks that are shorter than so many counts any whole count about a step is tried."""
_SAME_MM = 1e-6


def less_what_is_known(
    at: FeederAtSpeed, right: Solution, *, engage: bool, disengage: bool
) -> Solution:
    """Return settings with a smaller mean error at line speed, by other leads.

    ``right``: settings to improve, returned unchanged if they are good enough; distances and leads
    of ``at`` are ignored. ``engage``, ``disengage``: which leads may be changed.
    """
    side = AtLineSpeed(at, right)
    found = right
    opening_locked = side.is_coarse(scanned=at.eye.scanned)
    if disengage and opening_locked:
        found = side.opened(found, side.middles(side.opening(found)), key=side.stage_off)
    elif disengage and side.count > WORTH_MM:
        found = side.opened(found, side.counts(side.opening(found)), key=side.stage_off)
    if engage:
        found = _engage(side, found)
    one_locked = side.is_coarse(scanned=at.carrier_eye.scanned) and not opening_locked
    free = one_locked and not at.settings.stage_correction
    if disengage and free:
        engaging, opening = side.engaging(found), side.opening(found)
        left = side.mean(engaging, opening)
        if abs(left) > WORTH_MM:
            # a later opening stages further on, so the insert comes earlier
            counts = side.counts(opening + left / side.scale)
            found = side.opened(found, counts, key=lambda u: abs(side.mean(engaging, u)))
    return found


def best_engage_lead(at: FeederAtSpeed) -> Solution:
    """Return a feeder's own settings with the engage lead that leaves the smallest mean error.

    The lead compensates the error of the opening as far as possible.
    """
    right = right_settings(at)
    side = AtLineSpeed(at, right)
    given = Solution(**{f.name: getattr(at.settings, f.name, False) for f in fields(Solution)})
    off = (side.engaging(given) - side.engaging(right)) / side.counted
    there = replace(given, engage_lead_s=given.engage_lead_s + off)
    if not at.settings.stage_correction:
        opened = (side.opening(given) - side.opening(right)) / side.counted
        there = replace(there, engage_lead_s=there.engage_lead_s - opened)
    return _engage(side, there)


class AtLineSpeed:
    """A feeder at line speed, for trying travels E and U other than the right ones.

    Travels are mm of counted travel, not rounded.
    """

    def __init__(self, at: FeederAtSpeed, right: Solution) -> None:
        self.at, self.settings, self.controller = at, at.settings, at.controller
        self.scale, self.counted, self.count = at.scale, at.counted_mm_s, at.count_mm
        self.step = step_travel(at)
        self._right = right

    def engaging(self, s: Solution) -> float:
        """Return E at line speed."""
        return s.engage_travel_mm(self.counted)

    def opening(self, s: Solution) -> float:
        """Return U at line speed."""
        return s.opening_travel_mm(self.counted)

    def mean(self, engage: float, opening: float) -> float:
        """Return the mean error of given travels (mm), without late marks.

        A lead that removed their effect would make more marks late.
        """
        return self.means(opening)(engage)

    def means(self, opening: float) -> Callable[[float], float]:
        """Return :meth:`mean` as a function of E, for one U."""
        return error_by_engage(self.at, opening, self._right)

    def stage_off(self, opening: float) -> float:
        """Return how far from the stage position inserts are staged (mm of counted travel)."""
        return abs(opened_further(self.at, opening, self._right))

    def is_coarse(self, *, scanned: bool) -> bool:
        """Return whether acts come in steps that matter."""
        return scanned and self.step > WORTH_MM

    def counts(self, travel: float) -> Iterable[float]:
        """Return the whole counts next to a travel (mm); the travel itself without counts."""
        if self.count == 0.0:
            return (travel,)
        return tuple(self.count * (round(travel / self.count) + n) for n in _NEXT)

    def middles(self, travel: float) -> Iterable[float]:
        """Return the middles of the steps ahead near a travel (mm of counted travel).

        If a step is hardly longer than a count: the whole counts near it. A point already passed at
        the scan tick stays.
        """
        if travel <= 0.0:
            return (travel,)
        if self.step < FEW_COUNTS * self.count:
            reach = round(_NEXT[-1] * self.step / self.count) + 1
            here = round(travel / self.count)
            return [self.count * (here + n) for n in range(-reach, reach + 1)]
        here = round((travel - 0.5 * self.count) / self.step + 0.5)
        steps = [here + n for n in _NEXT if here + n > 0]
        return [(j - 0.5) * self.step + 0.5 * self.count for j in steps]

    @property
    def moved_by(self) -> float:
        """One of the corrections of E (mm), steps apart: an opening's act less its mean."""
        expected = self.opening(self._right) - 0.5 * self.count
        expected += 0.5 * self.counted * self.controller.motion_cycle_s
        return -math.fmod(expected, self.step)

    def moved_at_tick(self, s: Solution) -> float | None:
        """Return the mean correction of E (mm) by openings at a tick; None if they spread more."""
        opening = self.opening(s)
        if not (self.settings.stage_correction and opens_at_tick(self.at, opening)):
            return None
        mean, *widths = moved_at_tick(self.at, opening)
        return mean + opening - self.opening(self._right) if sum(widths) < self.count else None

    def engaged(
        self, s: Solution, travels: Iterable[float], mean: Callable[[float], float]
    ) -> Solution:
        """Return the settings with the E that leaves the smallest mean error, by the lead.

        ``mean``: :meth:`means` of their U.
        """
        lead = self._best(s.engage_distance_mm, s.engage_lead_s, travels, lambda e: abs(mean(e)))
        return replace(s, engage_lead_s=lead)

    def opened(
        self, s: Solution, travels: Iterable[float], *, key: Callable[[float], float]
    ) -> Solution:
        """Return the settings with the U for which the key is smallest, by the lead."""
        lead = self._best(s.disengage_distance_mm, s.disengage_lead_s, travels, key)
        return replace(s, disengage_lead_s=lead)

    def _best(
        self,
        distance: float,
        given: float,
        travels: Iterable[float],
        key: Callable[[float], float],
    ) -> float:
        """Return the lead of the travel with the smallest key; of equal ones, the nearest lead."""
        found = []
        for travel in travels:
            lead = (distance - travel) / self.counted
            found.append((round(key(travel) / _SAME_MM), abs(lead - given), lead))
        return min(found)[2] if found else given


def _engage(side: AtLineSpeed, found: Solution) -> Solution:
    """Return the settings with the engage lead that leaves the smallest mean error."""
    travel, corrected = side.engaging(found), side.settings.stage_correction
    if travel <= 0.0:
        return found
    means = side.means(side.opening(found))
    mean = means(travel)
    wanted = travel - mean / side.scale
    coarse = side.is_coarse(scanned=side.at.carrier_eye.scanned)
    if (by := side.moved_at_tick(found)) is not None:
        # the correction hardly spreads the point, so it goes to the middle of a step or count
        middles = side.middles(wanted + by) if coarse else side.counts(wanted + by)
        return side.engaged(found, [t - by for t in middles], means)
    if corrected and not is_locked(side.at.eye, side.controller):
        # the correction spreads the point, so it need not be on a step or count
        return side.engaged(found, [wanted], means) if abs(mean) > WORTH_MM else found
    if coarse:
        by = side.moved_by if corrected else 0.0
        return side.engaged(found, [t - by for t in side.middles(wanted + by)], means)
    if max(side.count, abs(mean)) <= WORTH_MM:
        return found
    return side.engaged(found, side.counts(wanted), means)
