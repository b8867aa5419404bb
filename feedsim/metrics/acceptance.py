"""Whether a run is good enough, and whether it was long enough to say so."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import get_args

from feedsim.criteria import Criteria, Failing, Figure
from feedsim.metrics.feeder_results import FeederResults
from feedsim.metrics.intervals import Interval, trials_to_tell
from feedsim.metrics.means import FEWEST
from feedsim.metrics.percent import percent
from feedsim.metrics.plain import IF_ANY

_SAME_SHARE = 1e-12
_MOST = 1e12


@dataclass(frozen=True, slots=True)
class ToDecide:
    """A figure whose interval includes its limit, and how many carriers would decide it.

    ``feeder``: its name.
    ``figure``: ``"within_tolerance"``, ``"missed"`` or ``"jam_risk"``.
    ``met``: whether the point estimate meets the limit.
    ``carriers``: roughly how many in all would decide it, if the share and its clustering stay as
    they are (:func:`feedsim.metrics.intervals.trials_to_tell`, with the design effect of the run);
    at least enough for an interval. None where no number would (the share equals its limit, or
    ``one_phase``), or above 1e12.
    ``one_phase``: cards keep their phase to the ticks throughout a run: only runs that start
    differently show more (:func:`feedsim.metrics.one_phase.keeps_phase`).
    """

    feeder: str
    figure: str
    met: bool
    carriers: int | None
    one_phase: bool = field(default=False, metadata=IF_ANY)


@dataclass(frozen=True, slots=True)
class Verdict:
    """The verdict of the acceptance figures on a run.

    ``accepted``: every point estimate of every feeder meets its figure. ``decided``: every 95 %
    interval lies wholly on one side of its figure. ``refused``: at least one lies wholly on the
    wrong side, or nothing was placed: more carriers would not change the verdict. ``reasons``: a
    sentence for each figure that is not met; ``failing``: what they are about, each once.
    ``to_decide``: the figures that are not decided.
    """

    accepted: bool
    decided: bool
    refused: bool
    reasons: tuple[str, ...]
    failing: tuple[Failing, ...]
    to_decide: tuple[ToDecide, ...]


@dataclass(frozen=True, slots=True)
class AgainstLimit:
    """One share against one limit.

    ``at_least``: the limit is a lower one. ``effective_n``: the number of independent cases behind
    the interval (:class:`feedsim.metrics.share.Share`).
    """

    share: float | None
    ci95: Interval | None
    limit: float
    at_least: bool
    effective_n: float | None

    def failed(self) -> bool:
        """Return whether the point estimate misses the limit."""
        if self.share is None:
            return False
        if self.at_least:
            return self.share < self.limit - _SAME_SHARE
        return self.share > self.limit + _SAME_SHARE

    def decided(self) -> bool:
        """Return whether the interval lies wholly on one side of the limit.

        A share that does not exist is decided; one without an interval is not.
        """
        if self.ci95 is None:
            return self.share is None
        if self.at_least:
            return self.ci95.low >= self.limit or self.ci95.high < self.limit
        return self.ci95.high <= self.limit or self.ci95.low > self.limit

    def times_to_tell(self, *, confidence: float = 0.95) -> float | None:
        """Return the factor of cases that would decide it, if the share stays as it is.

        None where no number would, or there is no share.
        """
        if self.share is None or self.effective_n is None:
            return None
        trials = trials_to_tell(self.share, self.limit, confidence=confidence)
        return None if trials is None else max(trials, FEWEST) / self.effective_n


@dataclass(frozen=True, slots=True)
class _Test(AgainstLimit):
    """A comparison with its feeder and the sentence for a limit not met."""

    feeder: str
    figure: Figure
    complaint: str


def judge(
    feeders: Sequence[FeederResults],
    criteria: Criteria,
    *,
    carriers: int,
    phases: int | None = None,
) -> Verdict:
    """Return the verdict on a run of this many counted carriers.

    ``phases``: number of phases to the ticks that the runs cover, one a run, if carriers are so
    regular that they keep theirs (:func:`feedsim.metrics.one_phase.keeps_phase`). Few phases, or
    any number with the same outcome, do not show how often another start ends differently.

    A share that does not exist (no insert placed, no feed cycle) is not compared; placing
    nothing is a reason of its own. A run without any share is not decided.
    """

    def one_phase(t: _Test) -> bool:
        return phases is not None and (phases < FEWEST or t.share in (0.0, 1.0))

    def decided(t: _Test) -> bool:
        return t.decided() and not one_phase(t)

    tests = [t for f in feeders for t in _tests(f, criteria)]
    failing: set[Failing] = {t.figure for t in tests if t.failed()}
    if any(f.placed == 0 for f in feeders):
        failing.add("placed")
    refused = "placed" in failing or any(t.failed() and decided(t) for t in tests)
    reasons: list[str] = []
    for feeder in feeders:
        if feeder.placed == 0:
            reasons.append(f"{feeder.name}: no insert was placed, so there is nothing to accept.")
        for t in (test for test in _tests(feeder, criteria) if test.failed()):
            # "so far": more carriers may still turn this one
            so_far = ", so far" if refused and not decided(t) else ""
            reasons.append(f"{feeder.name}{so_far}: {t.complaint}")
    known = [t for t in tests if t.share is not None]
    return Verdict(
        accepted=not reasons,
        decided=bool(known) and all(decided(t) for t in known),
        refused=refused,
        reasons=tuple(reasons),
        failing=tuple(what for what in get_args(Failing) if what in failing),
        to_decide=tuple(
            ToDecide(t.feeder, t.figure, met=not t.failed(), carriers=None, one_phase=True)
            if one_phase(t)
            else _to_decide(t, carriers)
            for t in known
            if not decided(t)
        ),
    )


def _to_decide(test: _Test, carriers: int) -> ToDecide:
    times = test.times_to_tell()
    needed = None if times is None or carriers * times > _MOST else math.ceil(carriers * times)
    return ToDecide(test.feeder, test.figure, met=not test.failed(), carriers=needed)


def _tests(feeder: FeederResults, criteria: Criteria) -> Iterator[_Test]:
    error, missed, risk = feeder.placement_error, feeder.missed, feeder.jam_risk
    least, lost, at_risk = criteria.within_tolerance, criteria.missed, criteria.jam_risk
    yield _Test(
        error.within_tolerance,
        error.within_tolerance_ci95,
        least,
        at_least=True,
        effective_n=error.within_tolerance_effective_n,
        feeder=feeder.name,
        figure="within_tolerance",
        complaint=f"{percent(error.within_tolerance, error.within_tolerance_ci95, unlike=least)} "
        "of the placed inserts lie within the placement tolerance, "
        f"at least {percent(least)} must.",
    )
    yield _Test(
        missed.share,
        missed.ci95,
        lost,
        at_least=False,
        effective_n=missed.effective_n,
        feeder=feeder.name,
        figure="missed",
        complaint=f"{percent(missed.share, missed.ci95, unlike=lost)} of the "
        f"carriers were missed ({missed.count}), at most {percent(lost)} may be.",
    )
    yield _Test(
        risk.share,
        risk.ci95,
        at_risk,
        at_least=False,
        effective_n=risk.effective_n,
        feeder=feeder.name,
        figure="jam_risk",
        complaint=f"{percent(risk.share, risk.ci95, unlike=at_risk)} of the "
        f"feed cycles had a jam hazard ({risk.count}), at most {percent(at_risk)} may.",
    )
