"""The right settings term by term, as worked out by hand."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from feedsim.machine import Feeder, Machine, Resolution
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.nominal import clipped_slip_mean
from feedsim.settings.right import (
    NAMES,
    Lead,
    Solution,
    disengage_distance,
    disengage_lead,
    engage_distance,
    engage_lead,
)
from feedsim.settings.solve import auto_feeder

_NOTHING = 1e-9
_AS_IT_RUNS = "the cycle as it runs at line speed"
_AT_THIS_SPEED = "off known steps and counts at this speed"
_WAY = ("carrier eye to placement point", "target offset", "mean carrier slip")


@dataclass(frozen=True, slots=True)
class Term:
    """One term: what it is, and its value (mm in a distance, s in a lead)."""

    name: str
    value: float


@dataclass(frozen=True, slots=True)
class Derivation:
    """The terms of each setting; their sums are the solution. Zero terms are left out."""

    engage_distance: tuple[Term, ...]
    engage_lead: tuple[Term, ...]
    disengage_distance: tuple[Term, ...]
    disengage_lead: tuple[Term, ...]
    solution: Solution


def derivation(machine: Machine, feeder: Feeder) -> Derivation:
    """Return the terms of the ``"auto"`` settings at the line's speed.

    :mod:`feedsim.settings.right` derives them; :mod:`feedsim.settings.known` adds to the leads.
    The feeder's own distances and leads are ignored.
    """
    right = auto_feeder(machine, feeder)
    stepless = replace(feeder, settings=replace(feeder.settings, resolution=Resolution()))
    exact, at = auto_feeder(machine, stepless), FeederAtSpeed(machine, feeder)
    engage, disengage = engage_distance(at), disengage_distance(at)
    g, slip = feeder.settings.speed_ratio, clipped_slip_mean(feeder.inserts)
    run_up = feeder.run_up_mm
    over = "" if g == 1.0 else " over the speed ratio"
    engage_terms = [
        *zip(_WAY, engage[:3], strict=True),
        ("half an encoder count", engage.count_mm),
        (f"run-up of the insert{over}", -run_up / g),
        (f"mean insert slip{over}", -slip / g),
        ("half the ramp-in", engage.ramp_mm),
    ]
    names = (f"stage position{over}", "half an encoder count", "half the ramp-out")
    sums = (sum(engage), sum(engage_lead(at)), sum(disengage), sum(disengage_lead(at)))
    found = []
    for name, terms, whole in zip(
        NAMES,
        (
            engage_terms,
            _lead_terms(engage_lead(at), "carrier", "ramp-in"),
            [*zip(names, disengage, strict=True)],
            _lead_terms(disengage_lead(at), "insert", "ramp-out"),
        ),
        sums,
        strict=True,
    ):
        more = _AT_THIS_SPEED if name.endswith("lead_s") else _AS_IT_RUNS
        beyond = (more, getattr(exact, name) - whole)
        rounded = ("onto the controller's steps", getattr(right, name) - getattr(exact, name))
        found.append(_some([*terms, beyond, rounded]))
    return Derivation(found[0], found[1], found[2], found[3], solution=right)


def _lead_terms(lead: Lead, eye: str, ramp: str) -> list[tuple[str, float]]:
    names = (
        f"response of the {eye} eye",
        f"input filter of the {eye} eye",
        "half a scan",
        "lag of the servo, (1 - feedforward)/gain",
        "command delay",
        "half a motion cycle",
        f"half the {ramp}",
    )
    return [*zip(names, lead, strict=True)]


def _some(terms: Iterable[tuple[str, float]]) -> tuple[Term, ...]:
    return tuple(Term(name, value) for name, value in terms if abs(value) > _NOTHING)
