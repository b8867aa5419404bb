"""The right leads and distances.

From an edge at its eye to an insert in place, at steady controller speed v_c, in counted
travel (ε is not known to the solver). Insert side: the capture comes d after the edge and,
on an encoder, reads q/2 low on average; the clutch acts U later and then waits half a
motion cycle; the drive acts ``command_delay`` later; the ramp-out adds half its time, or
half its travel; and the command was τ·v_c ahead of the feed when the edge passed. So

    stage/g = U − q/2 + A_out/2 + v_c·(d + cycle/2 + command_delay + T_out/2 + τ).

Carrier side: the insert must have run R + slip when its carrier has come D + target + its
own slip since the edge. The ramp-in costs the feed half its time or travel, the lag τ·v_c:

    D + target + carrier slip
        = E − q/2 + (R + insert slip)/g + A_in/2 + v_c·(d + cycle/2 + command_delay + T_in/2 + τ).

Both hold at every speed if the terms with v_c are cancelled by the leads (feedsim/MODEL.md,
section 13).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from feedsim.machine import DistancesAndLeads, Eye, Feeder, Machine
from feedsim.motion.capture import eye_delay
from feedsim.settings.feeder_at_speed import FeederAtSpeed, lasting_term, line_term
from feedsim.settings.nominal import clipped_slip_mean, following_time
from feedsim.settings.nominal_cycle import NominalCycle, nominal_cycle, usually_left

NAMES = ("engage_distance_mm", "engage_lead_s", "disengage_distance_mm", "disengage_lead_s")
"""The four settings that may be ``"auto"``."""

_MATTERS_MM, _NOTHING_MM = 0.01, 1e-4


class Lead(NamedTuple):
    """The terms of a lead (s): the first three are d, then τ; half a cycle; half a ramp in time."""

    response_s: float
    filter_s: float
    scan_s: float
    lag_s: float
    command_delay_s: float
    tick_s: float
    ramp_s: float


class EngageDistance(NamedTuple):
    """Terms of the engage distance (mm): D, target, carrier slip, q/2, −(R + slip)/g, −A_in/2."""

    placement_mm: float
    target_mm: float
    carrier_slip_mm: float
    count_mm: float
    run_up_mm: float
    ramp_mm: float


class DisengageDistance(NamedTuple):
    """The terms of the disengage distance (mm): stage/g, q/2, −A_out/2."""

    stage_mm: float
    count_mm: float
    ramp_mm: float


@dataclass(frozen=True, slots=True)
class Solution(DistancesAndLeads):
    """Leads (s) and distances (mm of counted travel) that make the mean error 0.

    ``unsettled``: at line speed an edge comes, or an insert lands, before the ramp-in has ended
    or the lag has settled, so the distances are right at that speed only.
    """

    engage_distance_mm: float
    engage_lead_s: float
    disengage_distance_mm: float
    disengage_lead_s: float
    unsettled: bool


def solve_feeder(machine: Machine, feeder: Feeder) -> Solution:
    """Return the right settings of one feeder at the line's speed."""
    return right_settings(FeederAtSpeed(machine, feeder))


@line_term
def right_settings(at: FeederAtSpeed) -> Solution:
    """Return the right settings at the line's speed, also if ``at`` is at another speed."""
    steady = settled_settings(at)
    if usually_left(at) < _NOTHING_MM:
        return steady
    cycle = nominal_cycle(at)
    if cycle is None:
        return steady
    exact = _exact(at, cycle, leads=steady)
    off = max(
        abs(exact.engage_distance_mm - steady.engage_distance_mm),
        abs(exact.disengage_distance_mm - steady.disengage_distance_mm),
    )
    return exact if off > _MATTERS_MM else steady


@lasting_term
def settled_settings(at: FeederAtSpeed) -> Solution:
    """Return settings that are right at every speed at which ramp and lag end in time."""
    return Solution(
        engage_distance_mm=sum(engage_distance(at)),
        engage_lead_s=sum(engage_lead(at)),
        disengage_distance_mm=sum(disengage_distance(at)),
        disengage_lead_s=sum(disengage_lead(at)),
        unsettled=False,
    )


@lasting_term
def engage_distance(at: FeederAtSpeed) -> EngageDistance:
    """Return the terms of the engage distance (derived at the head of this module)."""
    run_up = at.feeder.run_up_mm
    return EngageDistance(
        placement_mm=at.feeder.eye_to_placement_mm,
        target_mm=at.settings.target_offset_mm,
        carrier_slip_mm=at.carriers.slip_mm,
        count_mm=0.5 * at.count_mm,
        run_up_mm=-(run_up + clipped_slip_mean(at.inserts)) / at.settings.speed_ratio,
        ramp_mm=-0.5 * at.feeder.clutch.ramp_in if at.feeder.clutch.travel_ramp else 0.0,
    )


@lasting_term
def disengage_distance(at: FeederAtSpeed) -> DisengageDistance:
    """Return the terms of the disengage distance (derived at the head of this module)."""
    return DisengageDistance(
        stage_mm=at.settings.stage_position_mm / at.settings.speed_ratio,
        count_mm=0.5 * at.count_mm,
        ramp_mm=-0.5 * at.feeder.clutch.ramp_out if at.feeder.clutch.travel_ramp else 0.0,
    )


@lasting_term
def engage_lead(at: FeederAtSpeed) -> Lead:
    """Return the terms of the engage lead (derived at the head of this module)."""
    return _lead(at, at.carrier_eye, at.feeder.clutch.ramp_in)


@lasting_term
def disengage_lead(at: FeederAtSpeed) -> Lead:
    """Return the terms of the disengage lead (derived at the head of this module)."""
    return _lead(at, at.eye, at.feeder.clutch.ramp_out)


def _lead(at: FeederAtSpeed, eye: Eye, ramp: float) -> Lead:
    return Lead(
        response_s=eye.response_s,
        filter_s=eye.filter_s,
        scan_s=0.5 * at.controller.scan_s if eye.scanned else 0.0,
        lag_s=following_time(at.feeder.servo),
        command_delay_s=at.feeder.servo.command_delay_s,
        tick_s=0.5 * at.controller.motion_cycle_s,
        ramp_s=0.0 if at.feeder.clutch.travel_ramp else 0.5 * ramp,
    )


def _exact(at: FeederAtSpeed, cycle: NominalCycle, *, leads: Solution) -> Solution:
    """Return the distances for the cycle as it runs at line speed, with the leads kept.

    From its edge to the act of the clutch it takes d + cycle/2 + (point − lead·v_c − q/2)/v_c.
    Stage correction moves the engage point by the stage estimate, so by its error too.
    """
    v, half_count = at.line_mm_s, 0.5 * at.count_mm
    half_cycle = 0.5 * at.controller.motion_cycle_s
    engage_s = eye_delay(at.carrier_eye, at.controller) + half_cycle + cycle.landing_s
    disengage_s = eye_delay(at.eye, at.controller) + half_cycle + cycle.edge_s
    return Solution(
        engage_distance_mm=sum(engage_distance(at)[:3])
        + half_count
        + v * (leads.engage_lead_s - engage_s)
        - (cycle.seen_mm / at.settings.speed_ratio if at.settings.stage_correction else 0.0),
        engage_lead_s=leads.engage_lead_s,
        disengage_distance_mm=half_count
        + v * (cycle.opening_s + leads.disengage_lead_s - disengage_s),
        disengage_lead_s=leads.disengage_lead_s,
        unsettled=True,
    )
