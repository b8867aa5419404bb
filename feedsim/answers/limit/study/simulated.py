"""What a search by simulation found, speed by speed: counts, shares and their intervals."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, fields

from feedsim.answers.limit.study.closed import FeederLimit, RefusedSpeeds
from feedsim.answers.limit.study.search import Seen, SpeedsFound, confidence_of_a_look
from feedsim.criteria import Criteria, Figure
from feedsim.metrics.acceptance import AgainstLimit
from feedsim.metrics.hazards import Hazards
from feedsim.metrics.intervals import Interval
from feedsim.metrics.missed import MissCauses
from feedsim.metrics.tally import Sureness, Tally, added, shares_of
from feedsim.running.run import criteria_of
from feedsim.scenario import AS_WRITTEN, Scenario


@dataclass(frozen=True, slots=True)
class ShareSeen:
    """A share against its acceptance figure.

    Attributes
    ----------
    interval : Interval or None
        At the confidence of a look.
    met, decided : bool
        Whether the share meets its limit, and whether the whole interval is on one side of it.
    trials_to_tell : float or None
        Carriers in all that would decide it if the share stays; None: no number would.
    """

    share: float | None
    interval: Interval | None
    limit: float
    met: bool
    decided: bool
    trials_to_tell: float | None


@dataclass(frozen=True, slots=True)
class FeederSeen:
    """Results of one feeder at one speed, over all runs there."""

    name: str
    carriers: int
    placed: int
    cycles: int
    within_tolerance: ShareSeen
    missed: ShareSeen
    jam_risk: ShareSeen
    missed_by_cause: dict[str, int]
    hazards: dict[str, int]

    @property
    def shares(self) -> dict[Figure, ShareSeen]:
        """The share of each acceptance figure."""
        return {
            "within_tolerance": self.within_tolerance,
            "missed": self.missed,
            "jam_risk": self.jam_risk,
        }


@dataclass(frozen=True, slots=True)
class SpeedSeen:
    """Results at one speed."""

    line_speed_mm_s: float
    runs: int
    sureness: Sureness
    feeders: tuple[FeederSeen, ...]


@dataclass(frozen=True, slots=True)
class SimulatedLimit:
    """Result of a search.

    Attributes
    ----------
    accepted_speed_mm_s : float or None
        The fastest speed accepted for sure below any that is not.
    refused_speed_mm_s : float or None
        The slowest speed refused for sure, of those tried.
    accepted_speeds_mm_s : tuple of float
        All speeds tried up to the accepted one.
    not_looked_at_mm_s : float or None
        The slowest speed that the closed forms refuse and that had no carriers left, where faster
        ones are accepted for sure; none of these is then the accepted one.
    islands_mm_s : tuple of float
        Speeds accepted for sure above the refused one, or above the one not tried.
    carriers : int
        Simulated in all.
    ran_out : bool
        Whether they ran out before the range was as narrow as asked for.
    confidence_of_a_look : float
        Of each interval.
    seen : tuple of SpeedSeen
        All speeds, rising.
    """

    accepted_speed_mm_s: float | None
    refused_speed_mm_s: float | None
    accepted_speeds_mm_s: tuple[float, ...]
    not_looked_at_mm_s: float | None
    islands_mm_s: tuple[float, ...]
    carriers: int
    ran_out: bool
    confidence_of_a_look: float
    seen: tuple[SpeedSeen, ...]

    def at(self, speed_mm_s: float) -> SpeedSeen:
        """Return the results at a speed that was tried."""
        return next(seen for seen in self.seen if seen.line_speed_mm_s == speed_mm_s)


@dataclass(frozen=True, slots=True, repr=False)
class FoundLimits:
    """The limit in closed form, and as a search by simulation found it.

    Attributes
    ----------
    closed_form : tuple of FeederLimit
        Of each mechanism, the lowest first.
    closed_form_speed_mm_s : float or None
        Of all mechanisms together; None: there is none.
    closed_form_window_mm_s : (float, float) or None
        The speeds between which the closed forms accept the line, where they do not accept all
        slower ones; the upper end is then their limit.
    closed_form_refused : tuple of RefusedSpeeds
        Rising.
    closed_form_complete_to_mm_s : float or None
        Up to which speed the search for refused stretches examined every jump near a refused
        speed; above, some may be missing. None: all the way.
    agree : bool or None
        Whether the closed form lies in the range that the simulation leaves; None: not known.
    """

    feedsim: str
    title: str
    scenario: Scenario = field(metadata=AS_WRITTEN)
    closed_form: tuple[FeederLimit, ...]
    closed_form_speed_mm_s: float | None
    closed_form_window_mm_s: tuple[float, float] | None
    closed_form_refused: tuple[RefusedSpeeds, ...]
    closed_form_complete_to_mm_s: float | None
    simulated: SimulatedLimit
    agree: bool | None


def simulated(scenario: Scenario, found: SpeedsFound) -> SimulatedLimit:
    """Return a search's result in figures."""
    return SimulatedLimit(
        accepted_speed_mm_s=found.accepted.speed_mm_s if found.accepted else None,
        refused_speed_mm_s=found.refused.speed_mm_s if found.refused else None,
        accepted_speeds_mm_s=tuple(s.speed_mm_s for s in found.accepted_up_to),
        not_looked_at_mm_s=found.not_looked_at_mm_s,
        islands_mm_s=tuple(s.speed_mm_s for s in found.islands),
        carriers=found.carriers,
        ran_out=found.ran_out,
        confidence_of_a_look=confidence_of_a_look(scenario),
        seen=tuple(_seen(scenario, seen) for seen in found.seen),
    )


def agreement(closed_mm_s: float | None, found: SimulatedLimit) -> bool | None:
    """Return whether a closed-form limit lies in the range that the simulation leaves.

    None where that range lacks an end, and the end that it has does not rule the limit out.
    """
    low, high = found.accepted_speed_mm_s, found.refused_speed_mm_s
    if low is not None and high is not None:
        return closed_mm_s is not None and low <= closed_mm_s <= high
    if closed_mm_s == 0.0 and found.seen[0].sureness is Sureness.REFUSED:
        return True
    if high is not None and (closed_mm_s is None or closed_mm_s > high):
        return False
    if low is not None and closed_mm_s is not None and closed_mm_s < low:
        return False
    return None


def _seen(scenario: Scenario, seen: Seen) -> SpeedSeen:
    criteria, confidence = criteria_of(scenario), confidence_of_a_look(scenario)
    feeders = tuple(
        _feeder(feeder.name, runs, criteria, confidence)
        for feeder, runs in zip(scenario.feeder, seen.feeders, strict=True)
    )
    return SpeedSeen(seen.speed_mm_s, seen.runs, seen.sureness, feeders)


def _feeder(name: str, runs: Sequence[Tally], criteria: Criteria, confidence: float) -> FeederSeen:
    counts = added(runs)
    shares = {
        figure: _share(test, counts.carriers, confidence)
        for figure, test in shares_of(runs, criteria, confidence=confidence)._asdict().items()
    }
    return FeederSeen(
        name,
        counts.carriers,
        counts.placed,
        counts.cycles,
        **shares,
        missed_by_cause=_named(MissCauses, counts.causes),
        hazards=_named(Hazards, counts.hazards),
    )


def _share(test: AgainstLimit, carriers: int, confidence: float) -> ShareSeen:
    times = test.times_to_tell(confidence=confidence)
    return ShareSeen(
        share=test.share,
        interval=test.ci95,
        limit=test.limit,
        met=not test.failed(),
        decided=test.decided(),
        trials_to_tell=None if times is None else carriers * times,
    )


def _named(of: type, counts: Sequence[int]) -> dict[str, int]:
    return {f.name: count for f, count in zip(fields(of), counts, strict=True)}
