"""Whether a run is good enough, and whether it was long enough to say so."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from feedsim.metrics.criteria import Criteria
from feedsim.metrics.feeder_results import FeederResults
from feedsim.metrics.intervals import Interval

__all__ = ["AgainstLimit", "Verdict", "judge"]

_SAME_SHARE = 1e-12


@dataclass(frozen=True, slots=True)
class Verdict:
    """What the acceptance figures make of a run.

    Attributes
    ----------
    accepted : bool
        Every point estimate of every feeder meets its figure.
    decided : bool
        Every 95 % interval lies wholly on one side of its figure.
    refused : bool
        At least one 95 % interval lies wholly on the wrong side of its figure, or nothing was
        placed: not accepted for sure, however many carriers more.
    reasons : tuple of str
        A sentence for each figure that is not met; empty where accepted.
    """

    accepted: bool
    decided: bool
    refused: bool
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class AgainstLimit:
    """One share against one limit; ``at_least``: the share must not be below it."""

    share: float | None
    ci95: Interval | None
    limit: float
    at_least: bool

    def failed(self) -> bool:
        """Return whether the point estimate does not meet the limit."""
        if self.share is None:
            return False
        if self.at_least:
            return self.share < self.limit - _SAME_SHARE
        return self.share > self.limit + _SAME_SHARE

    def decided(self) -> bool:
        """Return whether the whole interval meets the limit, or the whole of it does not."""
        if self.ci95 is None:
            return True
        if self.at_least:
            return self.ci95.low >= self.limit or self.ci95.high < self.limit
        return self.ci95.high <= self.limit or self.ci95.low > self.limit


@dataclass(frozen=True, slots=True)
class _Test(AgainstLimit):
    """With what is to be said if the limit is not met."""

    complaint: str


def judge(feeders: Sequence[FeederResults], criteria: Criteria) -> Verdict:
    """Return the verdict on a run.

    Parameters
    ----------
    feeders : sequence of FeederResults
        Every feeder of the line.
    criteria : Criteria
        The acceptance figures.

    Notes
    -----
    A share that does not exist (no insert placed, no feed cycle) is not compared; that
    nothing was placed is a reason of its own. A run without any share is not decided.
    """
    tests = [t for f in feeders for t in _tests(f, criteria)]
    reasons: list[str] = []
    for feeder in feeders:
        if feeder.placed == 0:
            reasons.append(f"{feeder.name}: no insert was placed, so there is nothing to accept.")
        reasons += [t.complaint for t in _tests(feeder, criteria) if t.failed()]
    nothing = any(f.placed == 0 for f in feeders)
    known = [t for t in tests if t.ci95 is not None]
    return Verdict(
        accepted=not reasons,
        decided=bool(known) and all(t.decided() for t in known),
        refused=nothing or any(t.failed() and t.decided() for t in known),
        reasons=tuple(reasons),
    )


def _tests(feeder: FeederResults, criteria: Criteria) -> Iterator[_Test]:
    error, missed, risk = feeder.placement_error, feeder.missed, feeder.jam_risk
    yield _Test(
        error.within_tolerance,
        error.within_tolerance_ci95,
        criteria.within_tolerance,
        at_least=True,
        complaint=f"{feeder.name}: {_percent(error.within_tolerance)} of the placed inserts lie "
        f"within the placement tolerance, at least {_percent(criteria.within_tolerance)} must.",
    )
    yield _Test(
        missed.share,
        missed.ci95,
        criteria.missed,
        at_least=False,
        complaint=f"{feeder.name}: {_percent(missed.share)} of the carriers were missed "
        f"({missed.count}), at most {_percent(criteria.missed)} may be.",
    )
    yield _Test(
        risk.share,
        risk.ci95,
        criteria.jam_risk,
        at_least=False,
        complaint=f"{feeder.name}: {_percent(risk.share)} of the feed cycles had a jam hazard "
        f"({risk.count}), at most {_percent(criteria.jam_risk)} may.",
    )


def _percent(share: float | None) -> str:
    return "none" if share is None else f"{100.0 * share:.6g} %"
