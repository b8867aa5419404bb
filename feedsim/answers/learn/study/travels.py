"""Belt travel from the edge that was captured to the act that it led to."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from feedsim.answers.learn.study.figures import NORMAL_95, Figure, combined
from feedsim.arrays import Floats, Places

_LEAST = 20
_AS_MANY = 0.97
_SAME_SPEED = 0.02


def edge_of_each_act(
    edges_mm: Floats, acts_mm: Floats, *, about_mm: float, width_mm: float
) -> Places:
    """Return which edge each act belongs to, −1 for none, shape of the acts.

    Parameters
    ----------
    edges_mm, acts_mm : float64 arrays
        Belt travel at each, rising.
    about_mm : float
        Travel that the scenario has between them.
    width_mm : float
        Within which the travels of acts that are in time lie.

    Notes
    -----
    Every edge before an act may be the one it belongs to. The travel that most acts have in
    common, within the width, is theirs; of travels that about as many have in common, as where
    pitches are all alike, the one nearest to the scenario's.
    """
    none = np.full(len(acts_mm), -1, dtype=np.intp)
    longest = 2.0 * about_mm + 4.0 * width_mm
    first = np.searchsorted(edges_mm, acts_mm - longest)
    last = np.searchsorted(edges_mm, acts_mm, "right")
    counts = last - first
    if counts.sum() == 0:
        return none
    act = np.repeat(np.arange(len(acts_mm)), counts)
    edge = np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts) + first[act]
    travel = acts_mm[act] - edges_mm[edge]
    order = np.argsort(travel, kind="stable")
    rising = travel[order]
    within = np.searchsorted(rising, rising + width_mm, "right") - np.arange(len(rising))
    good = np.flatnonzero(within >= _AS_MANY * within.max())
    middles = 0.5 * (rising[good] + rising[good + within[good] - 1])
    low = float(rising[good[int(np.argmin(np.abs(middles - about_mm)))]])
    near = (travel >= low - 0.1 * width_mm) & (travel <= low + width_mm)
    none[act[near]] = edge[near]
    return none


def travel_of(
    travels_mm: Floats,
    *,
    speed_mm_s: float,
    waits_s: float,
    waits_sd_s: float = 0.0,
    open_s: float,
    count_mm: float,
) -> Figure | None:
    """Return the travel that is asked for between edge and act, from what it came to.

    Parameters
    ----------
    travels_mm : float64 array, shape (n,)
        Counted belt travel from each edge to its act.
    waits_s : float
        Time that acts wait for their tick and edges for their scan, on average.
    waits_sd_s : float
        Standard deviation of that time, where the log tells it.
    open_s : float
        Half width of what is open of that, for all acts together.
    count_mm : float
        One count, 0 for none: of an edge the whole counts are stored, half a count too few on
        average.
    """
    n = len(travels_mm)
    if n < _LEAST:
        return None
    value = float(travels_mm.mean()) - waits_s * speed_mm_s + 0.5 * count_mm
    sd = math.hypot(float(travels_mm.std(ddof=1)) / math.sqrt(n), waits_sd_s * speed_mm_s)
    return combined(value, sd=sd, uniform=open_s * speed_mm_s, n=n, dof=n - 1.0)


@dataclass(frozen=True, slots=True)
class DistanceAndLead:
    """A travel against speed.

    ``distance``: mm at rest; ``lead``: s by which it shortens; None from one speed. ``straight``:
    probability of travels so far off a straight line; None from two speeds.
    """

    distance: Figure | None
    lead: Figure | None
    straight: float | None


def distance_and_lead(
    speeds_mm_s: Floats, travels: list[Figure], *, shared_s: float = 0.0
) -> DistanceAndLead:
    """Fit travel = distance − lead·speed through the travels at several speeds.

    ``shared_s``: standard deviation of a time in all of these travels that is off by the same at
    each speed; it looks like a lead.

    Weighted by the intervals, which are known and so not scaled by the residuals (any text on
    weighted least squares).
    """
    from scipy.special import chdtrc

    if len(travels) < 2 or np.ptp(speeds_mm_s) < _SAME_SPEED * float(np.max(speeds_mm_s)):
        return DistanceAndLead(None, None, None)
    y = np.array([t.value for t in travels])
    sd = np.array([max(t.high - t.low, 1e-9) for t in travels]) / (2.0 * NORMAL_95)
    sd = np.sqrt(np.maximum(sd**2 - (shared_s * speeds_mm_s) ** 2, (0.1 * sd) ** 2))
    design = np.column_stack([np.ones_like(y), speeds_mm_s])
    weight = design / sd[:, None]
    covariance = np.linalg.inv(weight.T @ weight)
    found = covariance @ (weight.T @ (y / sd))
    n = sum(t.n for t in travels)
    distance = combined(float(found[0]), sd=math.sqrt(covariance[0, 0]), uniform=0.0, n=n)
    error = math.hypot(math.sqrt(covariance[1, 1]), shared_s)
    slope = combined(float(found[1]), sd=error, uniform=0.0, n=n)
    straight = None
    if len(y) > 2:
        straight = float(chdtrc(len(y) - 2, float((((y - design @ found) / sd) ** 2).sum())))
    return DistanceAndLead(distance, slope.scaled(-1.0), straight)
