"""The right settings term by term, as one would work them out by hand."""

from __future__ import annotations

from dataclasses import dataclass, replace

from feedsim.machine import Eye, Feeder, Machine, Resolution
from feedsim.settings.nominal import clipped_slip_mean, following_time
from feedsim.settings.right import Solution
from feedsim.settings.solve import auto_feeder

__all__ = ["Derivation", "Term", "derivation"]

_NOTHING = 1e-9


@dataclass(frozen=True, slots=True)
class Term:
    """One term: what it is, and its value (mm in a distance, s in a lead)."""

    name: str
    value: float


@dataclass(frozen=True, slots=True)
class Derivation:
    """The terms of each setting; their sums are the solution. Terms of nothing are left out."""

    engage_distance: tuple[Term, ...]
    engage_lead: tuple[Term, ...]
    disengage_distance: tuple[Term, ...]
    disengage_lead: tuple[Term, ...]
    solution: Solution


def derivation(machine: Machine, feeder: Feeder) -> Derivation:
    """Return the terms of what ``"auto"`` stands for at the line's speed.

    They are those that :mod:`feedsim.settings.right` derives, and what
    :mod:`feedsim.settings.known` adds to the leads.

    Parameters
    ----------
    machine : Machine
    feeder : Feeder
        Its target and stage position are taken, its distances and leads are not.
    """
    right = auto_feeder(machine, feeder)
    stepless = replace(feeder, settings=replace(feeder.settings, resolution=Resolution()))
    exact = auto_feeder(machine, stepless)
    settings, clutch, g = feeder.settings, feeder.clutch, feeder.settings.speed_ratio
    half_count = Term("half an encoder count", 0.5 * machine.encoder.count_mm)
    run_up = feeder.insert_eye_to_placement_mm - settings.stage_position_mm
    ratio = "" if g == 1.0 else " over the speed ratio"
    engage = [
        Term("carrier eye to placement point", feeder.eye_to_placement_mm),
        Term("target offset", settings.target_offset_mm),
        Term("mean carrier slip", machine.carriers.slip_mm),
        half_count,
        Term(f"run-up of the insert{ratio}", -run_up / g),
        Term(f"mean insert slip{ratio}", -clipped_slip_mean(feeder.inserts) / g),
    ]
    disengage = [Term(f"stage position{ratio}", settings.stage_position_mm / g), half_count]
    if clutch.travel_ramp:
        engage.append(Term("half the ramp-in", -0.5 * clutch.ramp_in))
        disengage.append(Term("half the ramp-out", -0.5 * clutch.ramp_out))
    at = "the cycle as it runs at line speed"
    engage.append(Term(at, exact.engage_distance_mm - sum(t.value for t in engage)))
    disengage.append(Term(at, exact.disengage_distance_mm - sum(t.value for t in disengage)))
    steps = "onto the controller's steps"
    engage.append(Term(steps, right.engage_distance_mm - exact.engage_distance_mm))
    disengage.append(Term(steps, right.disengage_distance_mm - exact.disengage_distance_mm))
    leads = [
        _lead(machine, feeder, machine.carrier_eye, "carrier", clutch.ramp_in, "in"),
        _lead(machine, feeder, feeder.eye, "insert", clutch.ramp_out, "out"),
    ]
    for terms, key in zip(leads, ("engage_lead_s", "disengage_lead_s"), strict=True):
        lead = getattr(exact, key)
        more = lead - sum(term.value for term in terms)
        terms.append(Term("off known steps and counts at this speed", more))
        terms.append(Term(steps, getattr(right, key) - lead))
    return Derivation(
        engage_distance=_some(engage),
        engage_lead=_some(leads[0]),
        disengage_distance=_some(disengage),
        disengage_lead=_some(leads[1]),
        solution=right,
    )


def _lead(
    machine: Machine, feeder: Feeder, eye: Eye, name: str, ramp: float, side: str
) -> list[Term]:
    controller = machine.controller
    return [
        Term(f"response of the {name} eye", eye.response_s),
        Term(f"input filter of the {name} eye", eye.filter_s),
        Term("half a scan", 0.5 * controller.scan_s if eye.scanned else 0.0),
        Term("lag of the servo, (1 - feedforward)/gain", following_time(feeder.servo)),
        Term("command delay", feeder.servo.command_delay_s),
        Term(f"half the ramp-{side}", 0.0 if feeder.clutch.travel_ramp else 0.5 * ramp),
        Term("half a motion cycle", 0.5 * controller.motion_cycle_s),
    ]


def _some(terms: list[Term]) -> tuple[Term, ...]:
    return tuple(term for term in terms if abs(term.value) > _NOTHING)
