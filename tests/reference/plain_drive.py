"""Torque, power and work of a feed by plain numerical integration of its motion.

It asks the feed for its speed alone, takes the acceleration as its difference quotient, and walks
the torque through the reductions stage by stage, by the sign of the power.
"""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np

from feedsim.drivetrain.inertia import load_inertia
from feedsim.drivetrain.law import shaft_per_metre
from feedsim.drivetrain.stretches import REST_MM
from feedsim.machine import Drive
from feedsim.motion.feed import FeedMotion


def plain_torque(of: Drive, a: float, *, rotor: float, pulling: bool) -> float:
    """Walk one torque from the roller to the motor (m/s² to N·m)."""
    radius = of.roller_diameter_mm / 2000.0
    torque = load_inertia(of) * a / radius + of.friction_torque_n_m
    torque += of.pull_off_force_n * radius if pulling else 0.0
    turning = a / radius
    for stage in reversed(of.reductions):
        share = 1.0 / stage.efficiency if torque > 0.0 else stage.efficiency
        turning *= stage.ratio
        torque = torque / stage.ratio * share + stage.inertia_kg_m2 * turning
    return torque + rotor * turning


def plain_means(
    feed: FeedMotion, of: Drive, begins: list[float], *, rotor: float, steps: int = 1500
) -> tuple[float, float, float]:
    """Integrate T², (T·ω)² and T·ω over the cycles by midpoints, piece by piece of the feed."""
    k = shaft_per_metre(of)
    sums = [0.0, 0.0, 0.0]
    starts = sorted({p.start_s for p in feed.pieces} | set(begins))
    for begin, end in pairwise(begins):
        pull = feed.position(begin) + of.pull_off_from_mm
        edges = [begin, *(t for t in starts if begin < t < end), end]
        edges += [feed.time_at(pull), feed.time_at(pull + of.pull_off_travel_mm)]
        edges = sorted({t for t in edges if begin <= t <= end} | rests(feed, begin, end))
        for t0, t1 in pairwise(edges):
            dt = (t1 - t0) / steps
            h = 0.25 * dt
            for t in t0 + (np.arange(steps) + 0.5) * dt:
                v = feed.speed(t) / 1000.0
                if at_rest(feed, t):
                    continue
                a = (feed.speed(t + h) - feed.speed(t - h)) / (2000.0 * h)
                travelled = feed.position(t)
                pulling = pull <= travelled < pull + of.pull_off_travel_mm
                torque = plain_torque(of, a, rotor=rotor, pulling=pulling)
                power = torque * k * v
                for place, value in enumerate((torque**2, power**2, power)):
                    sums[place] += value * dt
    seconds = begins[-1] - begins[0]
    return (math.sqrt(sums[0] / seconds), math.sqrt(sums[1] / seconds), sums[2])


def at_rest(feed: FeedMotion, t: float) -> bool:
    """Tell whether the clutch is open and no more than a micrometre is to go."""
    return feed.engagement(t) == 0.0 and abs(feed.command(t) - feed.position(t)) <= REST_MM


def rests(feed: FeedMotion, begin: float, end: float) -> set[float]:
    """Find by halving when the feed comes to rest between two instants."""
    low, high = begin, end - 1e-9
    if not at_rest(feed, high):
        return set()
    while at_rest(feed, low):
        low += 0.02
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if at_rest(feed, middle) else (middle, high)
    return {high}
