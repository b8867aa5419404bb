"""The right settings term by term, as one would work them out by hand."""

from __future__ import annotations

from dataclasses import dataclass, replace

from feedsim.machine import Feeder, Machine, Resolution
from feedsim.settings.right import Solution, Term, disengage_terms, engage_terms
from feedsim.settings.solve import auto_feeder

__all__ = ["Derivation", "derivation"]

_NOTHING = 1e-9
_AS_IT_RUNS = "the cycle as it runs at line speed"
_AT_THIS_SPEED = "off known steps and counts at this speed"


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
    engage, disengage = engage_terms(machine, feeder), disengage_terms(machine, feeder)
    found = {
        name: [part for term in terms for part in term.parts or (term,)]
        for name, terms in (
            ("engage_distance_mm", engage.distance),
            ("engage_lead_s", engage.lead),
            ("disengage_distance_mm", disengage.distance),
            ("disengage_lead_s", disengage.lead),
        )
    }
    for name, terms in found.items():
        lead = name.endswith("lead_s")
        more = getattr(exact, name) - sum(term.value for term in terms)
        terms.append(Term(_AT_THIS_SPEED if lead else _AS_IT_RUNS, more))
        rounded = getattr(right, name) - getattr(exact, name)
        terms.append(Term("onto the controller's steps", rounded))
    return Derivation(
        engage_distance=_some(found["engage_distance_mm"]),
        engage_lead=_some(found["engage_lead_s"]),
        disengage_distance=_some(found["disengage_distance_mm"]),
        disengage_lead=_some(found["disengage_lead_s"]),
        solution=right,
    )


def _some(terms: list[Term]) -> tuple[Term, ...]:
    return tuple(term for term in terms if abs(term.value) > _NOTHING)
