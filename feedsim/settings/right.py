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

Both hold at every speed if the terms with v_c are cancelled by the leads.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from feedsim.drivetrain.limits import available_acceleration
from feedsim.machine import Eye, Feeder, Machine
from feedsim.motion.belt import BeltMotion, BeltPiece
from feedsim.motion.feed import FeedMotion, Ramp
from feedsim.settings.feeder_at_speed import FeederAtSpeed, lasting_term, line_term
from feedsim.settings.nominal import clipped_slip_mean, eye_delay, following_time
from feedsim.settings.nominal_cycle import NominalCycle, nominal_cycle

__all__ = [
    "NAMES",
    "Solution",
    "Term",
    "disengage_terms",
    "engage_terms",
    "right_settings",
    "run_up_time",
    "solve_feeder",
    "with_chosen_motor",
]


NAMES = ("engage_distance_mm", "engage_lead_s", "disengage_distance_mm", "disengage_lead_s")
"""The four settings that ``"auto"`` may stand for."""

_MATTERS_MM = 0.01


@dataclass(frozen=True, slots=True)
class Term:
    """One term: what it is, its value (mm in a distance, s in a lead), and what it is made of."""

    name: str
    value: float
    parts: tuple[Term, ...] = ()


@dataclass(frozen=True, slots=True)
class Terms:
    """The terms of a distance and of its lead."""

    distance: tuple[Term, ...]
    lead: tuple[Term, ...]


@dataclass(frozen=True, slots=True)
class Solution:
    """Leads (s) and distances (mm of counted travel) that put the mean error at 0.

    ``unsettled``: at line speed an edge comes, or an insert lands, before the ramp-in has ended
    or the lag has settled, so that the distances are right at that speed only.
    """

    engage_distance_mm: float
    engage_lead_s: float
    disengage_distance_mm: float
    disengage_lead_s: float
    unsettled: bool


def solve_feeder(machine: Machine, feeder: Feeder) -> Solution:
    """Work out the right settings of one feeder at the line's speed."""
    return right_settings(FeederAtSpeed(machine, feeder))


@line_term
def right_settings(at: FeederAtSpeed) -> Solution:
    """Return the right settings at the line's speed, whatever speed they are asked at."""
    steady = _steady(at)
    cycle = nominal_cycle(at.machine, at.feeder, speed=at.machine.line.speed_mm_s)
    if cycle is None:
        return steady
    exact = _exact(at.machine, at.feeder, cycle=cycle, leads=steady)
    off = max(
        abs(exact.engage_distance_mm - steady.engage_distance_mm),
        abs(exact.disengage_distance_mm - steady.disengage_distance_mm),
    )
    return exact if off > _MATTERS_MM else steady


@lasting_term
def _steady(at: FeederAtSpeed) -> Solution:
    """Return what is right at every speed where ramp and lag are over in time."""
    engage, disengage = (terms(at.machine, at.feeder) for terms in (engage_terms, disengage_terms))
    return Solution(
        engage_distance_mm=sum(term.value for term in engage.distance),
        engage_lead_s=sum(term.value for term in engage.lead),
        disengage_distance_mm=sum(term.value for term in disengage.distance),
        disengage_lead_s=sum(term.value for term in disengage.lead),
        unsettled=False,
    )


def engage_terms(machine: Machine, feeder: Feeder) -> Terms:
    """Return the terms of engage distance (mm) and lead (s), in the sums of this module."""
    settings, g = feeder.settings, feeder.settings.speed_ratio
    slip = clipped_slip_mean(feeder.inserts)
    run_up = feeder.insert_eye_to_placement_mm - settings.stage_position_mm
    in_time, in_travel = _halves(feeder.clutch.ramp_in, in_travel=feeder.clutch.travel_ramp)
    return Terms(
        (
            *_way_terms(machine, feeder),
            Term("half an encoder count", 0.5 * machine.encoder.count_mm),
            Term(
                f"run-up of the insert and its mean slip{_over(g)}",
                -(run_up + slip) / g,
                (
                    Term(f"run-up of the insert{_over(g)}", -run_up / g),
                    Term(f"mean insert slip{_over(g)}", -slip / g),
                ),
            ),
            Term("half the ramp-in", -in_travel),
        ),
        _lead_terms(machine, feeder, machine.carrier_eye, ("carrier", "ramp-in", in_time)),
    )


def disengage_terms(machine: Machine, feeder: Feeder) -> Terms:
    """Return the terms of disengage distance (mm) and lead (s), in the sums of this module."""
    settings, g = feeder.settings, feeder.settings.speed_ratio
    out_time, out_travel = _halves(feeder.clutch.ramp_out, in_travel=feeder.clutch.travel_ramp)
    return Terms(
        (
            Term(f"stage position{_over(g)}", settings.stage_position_mm / g),
            Term("half an encoder count", 0.5 * machine.encoder.count_mm),
            Term("half the ramp-out", -out_travel),
        ),
        _lead_terms(machine, feeder, feeder.eye, ("insert", "ramp-out", out_time)),
    )


def _over(ratio: float) -> str:
    return "" if ratio == 1.0 else " over the speed ratio"


def _way_terms(machine: Machine, feeder: Feeder) -> tuple[Term, ...]:
    """Return how far a carrier comes (mm) from its eye until its insert has to land."""
    return (
        Term("carrier eye to placement point", feeder.eye_to_placement_mm),
        Term("target offset", feeder.settings.target_offset_mm),
        Term("mean carrier slip", machine.carriers.slip_mm),
    )


def _lead_terms(
    machine: Machine, feeder: Feeder, eye: Eye, side: tuple[str, str, float]
) -> tuple[Term, ...]:
    """Return d + τ + command delay + half a ramp + half a motion cycle (s), term by term."""
    controller, (name, ramp, half_ramp) = machine.controller, side
    return (
        Term(f"response of the {name} eye", eye.response_s),
        Term(f"input filter of the {name} eye", eye.filter_s),
        Term("half a scan", 0.5 * controller.scan_s if eye.scanned else 0.0),
        Term("lag of the servo, (1 - feedforward)/gain", following_time(feeder.servo)),
        Term("command delay", feeder.servo.command_delay_s),
        Term("half a motion cycle", 0.5 * controller.motion_cycle_s),
        Term(f"half the {ramp}", half_ramp),
    )


def _exact(machine: Machine, feeder: Feeder, *, cycle: NominalCycle, leads: Solution) -> Solution:
    """Return the distances for the cycle as it runs at line speed, the leads kept.

    From its edge until the clutch has to act passes d + cycle/2 + (point − lead·v_c − q/2)/v_c.
    """
    v, controller = machine.line.speed_mm_s, machine.controller
    half_count, half_cycle = 0.5 * machine.encoder.count_mm, 0.5 * controller.motion_cycle_s
    engage_s = eye_delay(machine.carrier_eye, controller) + half_cycle + cycle.landing_s
    disengage_s = eye_delay(feeder.eye, controller) + half_cycle + cycle.edge_s
    return Solution(
        engage_distance_mm=sum(term.value for term in _way_terms(machine, feeder))
        + half_count
        + v * (leads.engage_lead_s - engage_s),
        engage_lead_s=leads.engage_lead_s,
        disengage_distance_mm=half_count
        + v * (cycle.opening_s + leads.disengage_lead_s - disengage_s),
        disengage_lead_s=leads.disengage_lead_s,
        unsettled=True,
    )


def _halves(length: float, *, in_travel: bool) -> tuple[float, float]:
    """Return half a ramp as time (s) and as travel (mm); one of them is 0."""
    return (0.0, 0.5 * length) if in_travel else (0.5 * length, 0.0)


def run_up_time(feeder: Feeder, run_up: float, *, speed: float) -> float:
    """Return how long an insert takes from rest to the end of its run-up (s).

    Parameters
    ----------
    feeder : Feeder
    run_up : float
        mm, above 0.
    speed : float
        Controller speed (mm/s), steady.
    """
    belt = BeltMotion([BeltPiece(0.0, 0.0, speed, 0.0)])
    feed = FeedMotion(belt, scale_error=0.0, ratio=feeder.settings.speed_ratio, servo=feeder.servo)
    feed.engage(0.0, Ramp(feeder.clutch.ramp_in, feeder.clutch.travel_ramp))
    return feed.time_at(run_up)


def with_chosen_motor(feeder: Feeder) -> Feeder:
    """Return the feeder with the acceleration of its chosen motor where it is NaN (``"auto"``).

    The motor's peak torque less friction and pull-off, through the reductions, over all inertia.
    """
    if not math.isnan(feeder.servo.max_acceleration_mm_s2):
        return feeder
    drive = feeder.drive
    if drive is None or drive.chosen < 0:
        raise ValueError("an automatic largest acceleration needs a drive with a chosen motor")
    most = available_acceleration(drive, drive.motors[drive.chosen])
    return replace(feeder, servo=replace(feeder.servo, max_acceleration_mm_s2=most))
