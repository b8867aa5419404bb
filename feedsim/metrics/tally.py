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
from feedsim.metrics.intervals import wilson_of_share
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


def shares_of(
    runs: Sequence[Tally], criteria: Criteria, *, confidence: float
) -> dict[str, AgainstLimit]:
    """Return each share with its interval against its limit, by name of the acceptance figure.

    Carriers of one run may be alike (they wait behind each other, they share the phases of
    ticks and counts), so the number of trials is divided by how much more the runs differ than
    chance would have them (Pearson's χ² over its degrees of freedom, at least 1; the method of
    quasi-likelihood, McCullagh & Nelder, Generalized Linear Models, from memory).

    Parameters
    ----------
    runs : sequence of Tally
        Of one feeder, one for each independent run.
    criteria : Criteria
    confidence : float
        Of each two-sided interval.
    """
    rows = (
        ("within_tolerance", "within", "placed", criteria.within_tolerance),
        ("missed", "missed", "carriers", criteria.missed),
        ("jam_risk", "at_risk", "cycles", criteria.jam_risk),
    )
    found = {}
    for name, hits, trials, limit in rows:
        counts = [(getattr(run, hits), getattr(run, trials)) for run in runs]
        n = sum(t for _, t in counts)
        share = sum(h for h, _ in counts) / n if n else None
        interval = None
        if share is not None:
            worth = n / _more_than_chance(counts, share)
            interval = wilson_of_share(share, worth, confidence=confidence)
        found[name] = AgainstLimit(share, interval, limit, at_least=name == "within_tolerance")
    return found


def _more_than_chance(counts: Sequence[tuple[int, int]], share: float) -> float:
    runs = [(hits, n) for hits, n in counts if n]
    if len(runs) < 2 or not 0.0 < share < 1.0:
        return 1.0
    squares = sum((hits - share * n) ** 2 / n for hits, n in runs)
    return max(1.0, squares / (share * (1.0 - share) * (len(runs) - 1)))


def sureness(
    feeders: Sequence[Sequence[Tally]], criteria: Criteria, *, confidence: float
) -> Sureness:
    """Return whether all figures of all feeders are met, or one is not, for sure.

    Parameters
    ----------
    feeders : sequence of sequence of Tally
        The runs of each feeder.
    criteria : Criteria
    confidence : float
        Of each two-sided interval that has to lie on one side of its limit.
    """
    tests = [
        test
        for runs in feeders
        for test in shares_of(runs, criteria, confidence=confidence).values()
    ]
    nothing = any(not sum(run.placed for run in runs) for runs in feeders)
    if nothing or any(t.failed() and t.decided() for t in tests):
        return Sureness.REFUSED
    if all(t.decided() for t in tests) and not any(t.failed() for t in tests):
        return Sureness.ACCEPTED
    return Sureness.OPEN
