"""Cycles that are unlike the nominal one, where ramp or lag do not end in time.

The landing then depends on the previous cycle, and settings are right for equal cycles. If a share
s of searches goes on past an insert, by a misfeed or a stray, the effect on the mean is s times the
difference between a row of such cycles and the nominal one: exact if all of them or none go on, so
s·(1 − s) times that difference remains (common practice, no source). Of waits only a size is known.
"""

from __future__ import annotations

import math
from dataclasses import replace

from feedsim.machine import Machine
from feedsim.settings.feeder_at_speed import FeederAtSpeed, term
from feedsim.settings.mechanisms_unseen import searched_longer, strays
from feedsim.settings.nominal_cycle import nominal_cycle
from feedsim.settings.right import right_settings

_LONG = 4.0


def after_searches(at: FeederAtSpeed) -> float:
    """Return the mean lateness (mm) that searches that go on bring; 0 if no cycle tells it."""
    later = _after_search(at)
    return _share_searched_on(at) * later if math.isfinite(later) else 0.0


def unlike(at: FeederAtSpeed, lost: float) -> float:
    """Return the extra error (mm) of cycles after a longer wait or search.

    ``lost``: share of carriers that get no insert.
    """
    if not right_settings(at).unsettled:
        return 0.0
    c, usual, later = at.carriers, _errs(at), _after_search(at)
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


@term
def _after_search(at: FeederAtSpeed) -> float:
    """Return how much later (mm) inserts land whose searches all go on past one insert."""
    if not right_settings(at).unsettled:
        return 0.0
    usual, searched = _errs(at), _errs(searched_longer(at))
    return searched - usual if math.isfinite(usual) else math.inf


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
