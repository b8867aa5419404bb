"""Counts of one setup that add up over runs, and what they say about the acceptance figures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from enum import Enum
from typing import Any

from feedsim.metrics.acceptance import AgainstLimit
from feedsim.metrics.criteria import Criteria
from feedsim.metrics.feeder_results import FeederResults
from feedsim.metrics.hazards import Hazards
from feedsim.metrics.intervals import wilson
from feedsim.metrics.missed import MissCauses
from feedsim.metrics.rows import cycle_rows, number_of
from feedsim.records.columns import FeederRecords

__all__ = ["Sureness", "Tally", "added", "shares_of", "sureness", "tally"]


class Sureness(Enum):
    """What is known of a setup."""

    ACCEPTED = "accepted"
    REFUSED = "refused"
    OPEN = "open"


@dataclass(frozen=True, slots=True)
class Tally:
    """Counts of one feeder.

    ``within``: placed inserts within the tolerance. ``at_risk``: feed cycles with a hazard, of
    ``cycles``. ``causes`` and ``hazards``: in the order of their names in the results.
    """

    carriers: int
    missed: int
    placed: int
    within: int
    cycles: int
    at_risk: int
    causes: tuple[int, ...]
    hazards: tuple[int, ...]


def tally(results: FeederResults, records: FeederRecords, warm_up: int) -> Tally:
    """Return the counts of one feeder's run from its figures and its records."""
    error, missed = results.placement_error, results.missed
    return Tally(
        carriers=error.n + missed.count,
        missed=missed.count,
        placed=error.n,
        within=round(error.n * error.within_tolerance) if error.within_tolerance else 0,
        cycles=number_of(cycle_rows(records, warm_up)),
        at_risk=results.jam_risk.count,
        causes=tuple(getattr(missed.by_cause, f.name) for f in fields(MissCauses)),
        hazards=tuple(getattr(results.hazards, f.name).count for f in fields(Hazards)),
    )


def added(tallies: Sequence[Tally]) -> Tally:
    """Return the counts of several runs together."""
    sums: dict[str, Any] = {}
    for f in fields(Tally):
        parts = [getattr(t, f.name) for t in tallies]
        if isinstance(parts[0], tuple):
            sums[f.name] = tuple(sum(column) for column in zip(*parts, strict=True))
        else:
            sums[f.name] = sum(parts)
    return Tally(**sums)


def shares_of(counts: Tally, criteria: Criteria, *, confidence: float) -> dict[str, AgainstLimit]:
    """Return each share with its interval against its limit, by name of the acceptance figure."""
    rows = (
        ("within_tolerance", counts.within, counts.placed, criteria.within_tolerance),
        ("missed", counts.missed, counts.carriers, criteria.missed),
        ("jam_risk", counts.at_risk, counts.cycles, criteria.jam_risk),
    )
    return {
        name: AgainstLimit(
            share=count / n if n else None,
            ci95=wilson(count, n, confidence=confidence),
            limit=limit,
            at_least=name == "within_tolerance",
        )
        for name, count, n, limit in rows
    }


def sureness(tallies: Sequence[Tally], criteria: Criteria, *, confidence: float) -> Sureness:
    """Return whether all figures of all feeders are met, or one is not, for sure.

    Parameters
    ----------
    tallies : sequence of Tally
        One for each feeder.
    criteria : Criteria
    confidence : float
        Of each two-sided interval that has to lie on one side of its limit.
    """
    tests = [t for c in tallies for t in shares_of(c, criteria, confidence=confidence).values()]
    if any(c.placed == 0 for c in tallies) or any(t.failed() and t.decided() for t in tests):
        return Sureness.REFUSED
    if all(t.decided() for t in tests) and not any(t.failed() for t in tests):
        return Sureness.ACCEPTED
    return Sureness.OPEN
