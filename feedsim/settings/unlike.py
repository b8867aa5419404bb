"""Cycles that are unlike the nominal one, where ramp or lag do not end in time.

The landing then depends on the previous cycle, and settings are right for equal cycles. A search
that goes on past an insert, by a misfeed or a stray, stages further on: its edge comes with less of
ramp and lag left. If all do, each is staged as far on as the one before, which makes its edge come
sooner again. With a share s of them the mean lies between both (common practice, no source): s
times (1 − s) of the one and s of the other. Exact if all of them or none go on, so s·(1 − s) times
that difference remains. Of waits only a size is known.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import NamedTuple

from feedsim.machine import Machine
from feedsim.settings.feeder_at_speed import FeederAtSpeed, term
from feedsim.settings.mechanisms_unseen import searched_longer, strays
from feedsim.settings.nominal_cycle import nominal_cycle, nominal_landing
from feedsim.settings.right import right_settings

_LONG, _MOST_ROUNDS, _SAME_MM = 4.0, 40, 1e-3


def after_searches(at: FeederAtSpeed) -> float:
    """Return the mean lateness (mm) that searches that go on bring; 0 if no cycle tells it."""
    later, share = _mixed(at), _share_searched_on(at)
    return share * later if math.isfinite(later) else 0.0


def _mixed(at: FeederAtSpeed) -> float:
    """Return how much later inserts land behind a search that goes on (mm), others among them."""
    later, share = _after_search(at), _share_searched_on(at)
    return (1.0 - share) * later.alone + share * later.in_a_row


def unlike(at: FeederAtSpeed, lost: float) -> float:
    """Return the extra error (mm) of cycles after a longer wait or search.

    ``lost``: share of carriers that get no insert.
    """
    if not right_settings(at).unsettled:
        return 0.0
    c, usual, later = at.carriers, _errs(at), _mixed(at)
    if math.isinf(usual) or math.isinf(later):
        return math.inf
    in_step = c.arrival.in_step and not at.controller.not_ready_engages
    share = min(1.0, c.missing + lost + c.arrival.sd_mm / c.pitch_mm) if in_step else 1.0
    # carriers that come as soon as the feeder is ready again, and those that come long after
    after_waits = max(
        abs(_errs(FeederAtSpeed(_pitched(at.machine, by), at.feeder, at.speed_mm_s)) - usual)
        for by in (1.0 / _LONG, _LONG)
    )
    on = _share_searched_on(at)
    return share * after_waits + on * (1.0 - on) * abs(later)


def _share_searched_on(at: FeederAtSpeed) -> float:
    return 1.0 - (1.0 - at.inserts.misfeed) * (1.0 - strays(at))


class _Later(NamedTuple):
    """How much later (mm) inserts land behind a search that goes on past one insert.

    ``alone``: if the one before did not. ``in_a_row``: if all do.
    """

    alone: float
    in_a_row: float


@term
def _after_search(at: FeederAtSpeed) -> _Later:
    """Return how much later inserts land behind searches that go on.

    Staged further on, an insert lands sooner, and the next edge comes sooner, with more of ramp and
    lag left; in a row, each is staged as far on as the one before.
    """
    usual = nominal_cycle(at) if right_settings(at).unsettled else None
    if usual is None:
        return _Later(*(2 * [0.0 if not right_settings(at).unsettled else math.inf]))
    searched, feed = searched_longer(at), at.settings.speed_ratio * at.line_mm_s
    known, further = at.settings.stage_correction, 0.0
    found: list[float] = []
    for _ in range(_MOST_ROUNDS):
        there = nominal_cycle(_resting(searched, further))
        if there is None:
            return _Later(math.inf, math.inf)
        before = further  # the next would rest there if the clutch opened as in equal cycles
        further += feed * (usual.opening_s - usual.edge_s - there.opening_s + there.edge_s)
        landing = nominal_landing(_resting(searched, further))
        if landing is None:
            return _Later(math.inf, math.inf)
        corrected = further * at.belt_per_feed if known else 0.0
        found.append(at.speed_mm_s * (landing - usual.landing_s) + corrected)
        if abs(further - before) < _SAME_MM:
            break
    return _Later(found[0], found[-1])


def _resting(at: FeederAtSpeed, further_mm: float) -> FeederAtSpeed:
    """Return a feeder whose inserts rest further on."""
    s = at.settings
    moved = replace(s, stage_position_mm=s.stage_position_mm + further_mm)
    return FeederAtSpeed(at.machine, replace(at.feeder, settings=moved), at.speed_mm_s)


def _pitched(machine: Machine, by: float) -> Machine:
    """Return the machine with a multiple of the pitch."""
    arrival = machine.carriers.arrival
    pitch = max(arrival.shortest_mm, by * arrival.pitch_mm)
    return replace(
        machine, carriers=replace(machine.carriers, arrival=replace(arrival, pitch_mm=pitch))
    )


def _errs(at: FeederAtSpeed) -> float:
    """Return the belt travel from a nominal closing to its landing (mm).

    Adds the lag of the opening behind its edge, which moves the stage.
    """
    cycle = nominal_cycle(at)
    if cycle is None:
        return math.inf
    opening = 0.0 if at.settings.stage_correction else cycle.opening_s - cycle.edge_s
    return at.speed_mm_s * (cycle.landing_s + opening)
