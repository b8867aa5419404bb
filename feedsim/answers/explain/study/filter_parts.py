"""The parts of a placement error that come between an eye's output and its capture."""

from __future__ import annotations

from collections.abc import Callable

from feedsim.answers.explain.study.ledger import Ledger
from feedsim.answers.explain.study.record import Group
from feedsim.answers.explain.study.stage import Sighting
from feedsim.machine import Eye

__all__ = ["filter_parts"]


def filter_parts(
    ledger: Ledger,
    key: str,
    eye: Eye,
    seen: Sighting,
    *,
    at: Callable[[float], float],
    group: Group,
) -> None:
    """Account for an input filter, and for an output that was on from a card not seen.

    Parameters
    ----------
    ledger : Ledger
    key : str
        ``"carrier_eye"`` or ``"insert_eye"``.
    eye : Eye
    seen : Sighting
    at : callable
        Belt travel (mm) at a time (s).
    group : str
    """
    if not (eye.polled or eye.filter_s):
        return
    name = key.replace("_", " ")
    answers_s = seen.passes_s + seen.response_s
    early_s = min(seen.output_s, answers_s)
    ledger.delay(
        f"{key}_on_already",
        f"{name} on already, from a card not seen",
        group=group,
        delay_s=early_s - answers_s,
        moved_mm=at(early_s) - at(answers_s),
        allowed_s=0.0,
    )
    ledger.delay(
        f"{key}_filter",
        f"{name} input filter",
        group=group,
        delay_s=seen.switches_s - seen.output_s,
        moved_mm=at(seen.switches_s) - at(seen.output_s),
        allowed_s=eye.filter_s,
    )
