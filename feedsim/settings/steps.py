"""Settings on the steps of a controller, with the least error together.

Either the lead goes to its nearest step and the distance compensates at line speed, or the distance
goes to a step next to it and the lead compensates; the smallest mean error wins (for the opening:
the nearest to the stage position). At another speed v a lead rounded by δ leaves an error of
δ·(v − line speed), since the distance is chosen for line speed (feedsim/MODEL.md, section 13).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import replace

from feedsim.machine import OneSide, Resolution
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.known import AtLineSpeed
from feedsim.settings.right import Solution

_ALIKE_MM = 0.001
_SAME_MM = 1e-6
_DIGITS = 12


def nearest_step(value: float, step: float) -> float:
    """Return the nearest multiple of a step; the value itself if the step is 0.

    Examples
    --------
    >>> nearest_step(359.925, 0.1), nearest_step(0.0134714, 0.0001), nearest_step(1.5, 0.0)
    (359.9, 0.0135, 1.5)
    """
    return round(round(value / step) * step, _DIGITS) if step > 0.0 else value


def nearest_pair(
    distance_mm: float, lead_s: float, steps: Resolution, *, counted_mm_s: float
) -> tuple[float, float]:
    """Return a distance (mm) and a lead (s) on their steps with nearly the same travel at a speed.

    Of the nearest steps, the pair whose travel, distance − lead·speed, errs least; of equal ones
    the one with the nearest lead. ``counted_mm_s``: line speed as the controller counts it.

    Examples
    --------
    >>> distance, lead = nearest_pair(35.52, 0.01347, Resolution(0.5, 0.001), counted_mm_s=500.0)
    >>> distance, lead, round(distance - lead * 500.0 - (35.52 - 0.01347 * 500.0), 6)
    (35.5, 0.013, 0.215)
    """
    if steps.distance_mm == 0.0 and steps.lead_s == 0.0:
        return distance_mm, lead_s
    travel = OneSide(distance_mm, lead_s).travel_mm(counted_mm_s)

    def errs(pair: tuple[float, float]) -> tuple[int, float]:
        off = abs(OneSide(*pair).travel_mm(counted_mm_s) - travel)
        return round(off / _SAME_MM), abs(pair[1] - lead_s)

    return min(_pairs(distance_mm, lead_s, travel, speed=counted_mm_s, steps=steps), key=errs)


def on_steps(
    at: FeederAtSpeed,
    wanted: Solution,
    *,
    right: Solution,
    automatic: frozenset[str],
) -> Solution:
    """Return settings with the automatic ones on the steps of their resolution.

    ``wanted``: the settings without steps. ``right``: the reference for the mean error, with
    typed-in values. ``automatic``: names of those that may change.
    """
    steps = at.settings.resolution
    if steps.distance_mm == 0.0 and steps.lead_s == 0.0:
        return wanted
    side = AtLineSpeed(at, right)
    found = _side(side, wanted, "disengage", key=side.stage_off, automatic=automatic)
    mean = side.means(side.opening(found))
    return _side(side, found, "engage", key=lambda e: abs(mean(e)), automatic=automatic)


def _side(
    side: AtLineSpeed,
    wanted: Solution,
    name: str,
    *,
    key: Callable[[float], float],
    automatic: frozenset[str],
) -> Solution:
    """Return one side's settings on steps; if only one is automatic, that one rounded.

    ``key``: what is to be smallest, for a travel E or U.
    """
    steps = side.settings.resolution
    distance_key, lead_key = f"{name}_distance_mm", f"{name}_lead_s"
    distance, lead = getattr(wanted, distance_key), getattr(wanted, lead_key)
    if not {distance_key, lead_key} <= automatic:
        rounded = {distance_key: nearest_step(distance, steps.distance_mm)}
        rounded[lead_key] = nearest_step(lead, steps.lead_s)
        return replace(wanted, **{k: rounded[k] for k in automatic & set(rounded)})  # type: ignore[arg-type]
    travel = OneSide(distance, lead).travel_mm(side.counted)

    def errs(d: float, t: float) -> tuple[int, int, float]:
        moved = OneSide(d, t).travel_mm(side.counted)
        off = abs(moved - travel)
        return round(key(moved) / _ALIKE_MM), round(off / _SAME_MM), abs(t - lead)

    pairs = _pairs(distance, lead, travel, speed=side.counted, steps=steps)
    choices = [(errs(d, t), {distance_key: d, lead_key: t}) for d, t in pairs]
    least = min(found for found, _ in choices)
    alike = [replace(wanted, **made) for found, made in choices if found == least]  # type: ignore[arg-type]
    return min(alike, key=str)


def _pairs(
    distance: float, lead: float, travel: float, *, speed: float, steps: Resolution
) -> Iterator[tuple[float, float]]:
    """Yield pairs of distance and lead, on their steps, for a travel at line speed."""
    lead_steps = {nearest_step(lead, steps.lead_s)}
    for d in _about(distance, steps.distance_mm):
        lead_steps.add(nearest_step((d - travel) / speed, steps.lead_s))
    for t in sorted(lead_steps):
        for d in _about(travel + t * speed, steps.distance_mm):
            yield d, t


def _about(value: float, step: float) -> tuple[float, ...]:
    """Return the steps below and above a value; the value itself without steps."""
    if step == 0.0:
        return (value,)
    low = math.floor(value / step)
    return tuple(round((low + n) * step, _DIGITS) for n in (0, 1))
