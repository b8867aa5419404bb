"""Torque at the motor's shaft for an acceleration of the feed, the feed moving forwards.

At the feed roller (radius R): T = J·a/R + friction torque + pull-off force·R. Each reduction n
with efficiency η passes on T/(n·η) if the power flows to the roller (T above 0), and T·η/n if it
flows back as the roller brakes; the stage's own inertia at its input is added. So torque is
piecewise linear in the acceleration. Geared load with efficiency: Dubey, Fundamentals of Electrical
Drives, 2001, ch. 2 (from memory).
"""

from __future__ import annotations

import math
from typing import NamedTuple

from feedsim.drivetrain.inertia import load_inertia, ratio_of, roller_radius_m
from feedsim.machine import Drive


class Branch(NamedTuple):
    """From an acceleration upwards: torque = slope·a + offset; likewise the loss.

    Torque is that at the motor's shaft, without the rotor, over the acceleration (m/s²); loss that
    of the reductions per metre of feed (J/m = N). The first branch begins at minus infinity.
    """

    above_m_s2: float
    slope_n_m_s2_m: float
    offset_n_m: float
    loss_slope_kg: float
    loss_offset_n: float


def shaft_per_metre(drive: Drive) -> float:
    """Return how far the motor's shaft turns (rad) in a metre of feed."""
    return ratio_of(drive) / roller_radius_m(drive)


def rotor_slope(drive: Drive, rotor_kg_m2: float) -> float:
    """Return the torque per acceleration of the feed (N·m·s²/m) that a rotor's inertia takes.

    J·k, k from :func:`shaft_per_metre` (any text on mechanics).
    """
    return rotor_kg_m2 * shaft_per_metre(drive)


def torque_law(drive: Drive, *, pulling: bool) -> tuple[Branch, ...]:
    """Return the torque that a feed demands of the motor, without the rotor's inertia.

    ``pulling``: the magazine holds an insert back. Branches are by rising acceleration.
    """
    radius = roller_radius_m(drive)
    steady = drive.friction_torque_n_m + (drive.pull_off_force_n * radius if pulling else 0.0)
    branches = [Branch(-math.inf, load_inertia(drive) / radius, steady, 0.0, 0.0)]
    turned = 1.0 / radius  # rad a metre, at the output of the stage
    for stage in reversed(drive.reductions):
        n, share = stage.ratio, stage.efficiency
        branches = [
            _through(branch, drives, n=n, share=share, turned=turned)
            for branch, drives in _split_at_zero(branches)
        ]
        turned *= n
        branches = [
            branch._replace(slope_n_m_s2_m=branch.slope_n_m_s2_m + stage.inertia_kg_m2 * turned)
            for branch in branches
        ]
    return tuple(branches)


def _split_at_zero(branches: list[Branch]) -> list[tuple[Branch, bool]]:
    """Split where the torque crosses 0; flag branches in which power flows forwards."""
    split: list[tuple[Branch, bool]] = []
    for place, branch in enumerate(branches):
        end = branches[place + 1].above_m_s2 if place + 1 < len(branches) else math.inf
        slope, offset = branch.slope_n_m_s2_m, branch.offset_n_m
        zero = -offset / slope if slope > 0.0 else -math.inf
        if zero <= branch.above_m_s2:
            split.append((branch, True))
        elif zero >= end:
            split.append((branch, False))
        else:
            split += [(branch, False), (branch._replace(above_m_s2=zero), True)]
    return split


def _through(branch: Branch, drives: bool, *, n: float, share: float, turned: float) -> Branch:
    """Take a torque through a stage, towards the motor."""
    factor = 1.0 / (n * share) if drives else share / n
    lost = turned * (1.0 / share - 1.0 if drives else share - 1.0)
    return Branch(
        branch.above_m_s2,
        branch.slope_n_m_s2_m * factor,
        branch.offset_n_m * factor,
        branch.loss_slope_kg + branch.slope_n_m_s2_m * lost,
        branch.loss_offset_n + branch.offset_n_m * lost,
    )


def branch_at(law: tuple[Branch, ...], acceleration_m_s2: float) -> int:
    """Return the number of the branch that holds at an acceleration (m/s²)."""
    return max(i for i, branch in enumerate(law) if branch.above_m_s2 <= acceleration_m_s2)
