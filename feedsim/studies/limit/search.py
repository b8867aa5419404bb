"""The highest line speed that a setup is accepted at: in closed form, and by simulation.

The search asks at several speeds at once, adds runs where it cannot tell yet, and narrows the
range between the fastest speed accepted for sure and the slowest one refused for sure. What it
asks next depends on what it has seen alone, never on how many workers there are.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from feedsim.machine import Feeder, Machine
from feedsim.metrics.paired_feeders import Ran
from feedsim.metrics.tally import Sureness, Tally, sureness, tally
from feedsim.scenario import Scenario, at_line_speed, scenario_from_dict, scenario_to_dict
from feedsim.settings.limits import FASTEST_MM_S, TOGETHER, SpeedLimit, speed_limits, tooth, window
from feedsim.settings.mechanisms import Allowed
from feedsim.studies.run import criteria_of, machine_of, rehearse

__all__ = [
    "Found",
    "Search",
    "closed_limits",
    "closed_window",
    "confidence_of_a_look",
    "least_carriers",
    "lowest_together",
    "run_batch",
    "search",
]

LOOKS = (4, 8, 16, 32)
"""Runs at one speed after which its shares are looked at."""

_RIGHT = 0.95
"""How surely what is said of a speed is right."""

_FIGURES = 3

_LADDER = (0.97, 1.03, 0.9, 1.1, 0.75, 0.5, 0.25)
"""Where to look first, as shares of where to begin; those that matter most come first."""

_UP, _DOWN = (1.25, 1.6), (0.5, 0.75)
_WIDEST = 64.0


@dataclass(frozen=True, slots=True)
class Seen:
    """What was seen at one speed: the counts of each feeder's runs."""

    speed_mm_s: float
    feeders: tuple[tuple[Tally, ...], ...]
    sureness: Sureness

    @property
    def runs(self) -> int:
        """How many runs that is."""
        return len(self.feeders[0])


@dataclass(frozen=True, slots=True)
class Found:
    """What a search found.

    Attributes
    ----------
    accepted : Seen or None
        The fastest speed accepted for sure below any that is refused.
    refused : Seen or None
        The slowest speed refused for sure, of those looked at.
    seen : tuple of Seen
        All speeds, rising.
    carriers : int
        Simulated in all.
    ran_out : bool
        Whether the carriers ran out before the range was as narrow as asked for.
    """

    accepted: Seen | None
    refused: Seen | None
    seen: tuple[Seen, ...]
    carriers: int
    ran_out: bool


@dataclass(frozen=True, slots=True)
class Search:
    """What is searched for.

    Attributes
    ----------
    scenario : Scenario
    start_mm_s : float
        Where to begin to look.
    within : float
        As narrow a range as is wanted, a share of its upper end.
    most_carriers : int
        No run begins that would take more in all; :func:`least_carriers` at least.
    also_mm_s : tuple of float
        Speeds that have to be looked at in any case.
    from_mm_s : float
        Only faster speeds are looked at.
    """

    scenario: Scenario
    start_mm_s: float
    within: float
    most_carriers: int
    also_mm_s: tuple[float, ...] = ()
    from_mm_s: float = 0.0


def closed_limits(scenario: Scenario) -> list[list[SpeedLimit]]:
    """Return the closed-form limits of each feeder, the lowest first."""
    allowed = allowed_of(scenario)
    return [speed_limits(_at(scenario, n), allowed) for n in range(len(scenario.feeder))]


def teeth(scenario: Scenario, limits: Sequence[Sequence[SpeedLimit]]) -> list[float]:
    """Return the speeds (mm/s) at which the closed forms find it worst for a short stretch only.

    A search that does not look there would step over them.
    """
    allowed = allowed_of(scenario)
    found = [
        tooth(_at(scenario, number), allowed, limit)
        for number, row in enumerate(limits)
        for limit in row
        if limit.mechanism == TOGETHER
    ]
    return sorted(speed for speed in found if speed is not None)


def allowed_of(scenario: Scenario) -> Allowed:
    """Return what the closed forms judge a scenario by."""
    accept, limits = scenario.acceptance, scenario.limits
    return Allowed(
        placement_tolerance_mm=accept.placement_tolerance,
        outside_tolerance=1.0 - accept.within_tolerance,
        missed=accept.missed,
        jam_risk=accept.jam_risk,
        speed_mismatch=limits.speed_mismatch,
        overhang_mm=limits.overhang,
    )


def _at(scenario: Scenario, number: int) -> Callable[[float], tuple[Machine, Feeder]]:
    def machine_at(speed: float) -> tuple[Machine, Feeder]:
        machine = machine_of(at_line_speed(scenario, speed))
        return machine, machine.feeders[number]

    return machine_at


def closed_window(scenario: Scenario) -> tuple[float, float] | None:
    """Return the speeds (mm/s) between which the closed forms accept the line, its own among them.

    None if they do not accept its own. Settings that are right at one speed only are accepted in
    a window about it, and at no slower speed.
    """
    allowed, speed = allowed_of(scenario), scenario.line.speed
    found = [window(_at(scenario, n), allowed, speed) for n in range(len(scenario.feeder))]
    if any(each is None for each in found):
        return None
    ends = [each for each in found if each is not None]
    return max(low for low, _ in ends), min(high for _, high in ends)


def lowest_together(limits: Sequence[Sequence[SpeedLimit]]) -> float | None:
    """Return the speed (mm/s) up to which all mechanisms of all feeders leave it acceptable."""
    speeds = [x.speed_mm_s for row in limits for x in row if x.mechanism == TOGETHER]
    return min((speed for speed in speeds if speed is not None), default=None)


def least_carriers(scenario: Scenario) -> int:
    """Return how many carriers a single look at a single speed takes."""
    return LOOKS[0] * scenario.run.carriers


def run_batch(scenario: dict[str, Any], speed_mm_s: float, replication: int) -> list[Tally]:
    """Run one set of cards at one speed, in whatever process; return each feeder's counts."""
    at_speed = at_line_speed(scenario_from_dict(scenario), speed_mm_s)
    ran = rehearse(at_speed, first=replication)
    what = Ran(ran.records, ran.machine, criteria_of(at_speed))
    return [
        tally(results, what, number=number) for number, results in enumerate(ran.results.feeders)
    ]


def search(
    what: Search,
    run: Callable[[Sequence[tuple[Any, ...]]], Sequence[Sequence[Tally]]],
    *,
    progress: Callable[[int], None] | None = None,
) -> Found:
    """Look for the highest accepted speed.

    Parameters
    ----------
    what : Search
    run : callable
        Makes calls of :func:`run_batch` and returns their results in the same order.
    progress : callable, optional
        Told how many carriers have been simulated.

    Raises
    ------
    ValueError
        If ``most_carriers`` do not suffice to look at one speed.
    """
    plain = scenario_to_dict(what.scenario)
    each = what.scenario.run.carriers
    if what.most_carriers < least_carriers(what.scenario):
        raise ValueError(f"{what.most_carriers} carriers are too few to look at one speed")
    found: dict[float, list[Sequence[Tally]]] = {}
    used, ran_out = 0, False
    while not ran_out and (wanted := _next(_seen(what.scenario, found), what)):
        calls: list[tuple[float, int]] = []
        for speed, runs in wanted.items():
            more = range(len(found.get(speed, ())), runs)
            if used + each * (len(calls) + len(more)) > what.most_carriers:
                ran_out = True
                break
            calls += [(speed, number) for number in more]
        results = run([(plain, speed, number) for speed, number in calls])
        for (speed, _), result in zip(calls, results, strict=True):
            found.setdefault(speed, []).append(result)
        used += each * len(calls)
        if progress is not None:
            progress(used)
    seen = _seen(what.scenario, found)
    return Found(*_ends(seen), seen=tuple(seen), carriers=used, ran_out=ran_out)


def _seen(scenario: Scenario, found: Mapping[float, list[Sequence[Tally]]]) -> list[Seen]:
    criteria, confidence = criteria_of(scenario), confidence_of_a_look(scenario)
    seen = []
    for speed in sorted(found):
        feeders = tuple(zip(*found[speed], strict=True))
        sure = sureness(feeders, criteria, confidence=confidence)
        seen.append(Seen(speed, feeders, sure))
    return seen


def confidence_of_a_look(scenario: Scenario) -> float:
    """Return the confidence of each interval at a look.

    Such that all figures of all feeders at all looks at one speed are right together in 95 %
    (Bonferroni).
    """
    return 1.0 - (1.0 - _RIGHT) / (len(LOOKS) * _FIGURES * len(scenario.feeder))


def _ends(seen: Sequence[Seen]) -> tuple[Seen | None, Seen | None]:
    """Return the two ends of the range in which the limit lies, as far as they are known.

    The slowest speed that is refused, and the fastest that is accepted below that one and below
    any that even the most runs leave open.
    """
    refused = next((s for s in seen if s.sureness is Sureness.REFUSED), None)
    accepted = None
    for s in seen:
        if s.sureness is Sureness.ACCEPTED:
            accepted = s
        elif s is refused or s.runs >= LOOKS[-1]:
            break
    return accepted, refused


def _next(seen: Sequence[Seen], what: Search) -> dict[float, int]:
    """Return which speeds to ask next, and up to how many runs at each; empty: enough is known."""
    if not seen:
        ladder = [what.start_mm_s * rung for rung in _LADDER]
        rungs = [speed for speed in ladder if speed > what.from_mm_s]
        return dict.fromkeys([*rungs, *what.also_mm_s], LOOKS[0])
    accepted, refused = _ends(seen)
    unsure = [s for s in seen if s.sureness is Sureness.OPEN and s.runs < LOOKS[-1]]
    if refused is None:
        return _upwards(seen, unsure, what)
    if accepted is None:
        return _downwards(seen, refused, what)
    between = [s for s in seen if accepted.speed_mm_s < s.speed_mm_s < refused.speed_mm_s]
    wide = what.within * refused.speed_mm_s
    below = [s for s in unsure if s.speed_mm_s < accepted.speed_mm_s]
    more = {s.speed_mm_s: _more(s) for s in below if s.speed_mm_s in what.also_mm_s}
    if more or refused.speed_mm_s - accepted.speed_mm_s <= wide:
        return more
    more = {s.speed_mm_s: _more(s) for s in between if s in unsure}
    if more:
        return more
    places = [s.speed_mm_s for s in (accepted, *between, refused)]
    parts = 3 if not between else 2
    for low, high in dict.fromkeys([(places[0], places[1]), (places[-2], places[-1])]):
        if high - low > wide / 2.0:
            more |= {low + (high - low) * k / parts: LOOKS[0] for k in range(1, parts)}
    return more


def _more(seen: Seen) -> int:
    return next(runs for runs in LOOKS if runs > seen.runs)


def _upwards(seen: Sequence[Seen], unsure: Sequence[Seen], what: Search) -> dict[float, int]:
    """Look at higher speeds; where the top is not refused yet, look there again first."""
    top = seen[-1]
    if top in unsure:
        return {top.speed_mm_s: _more(top)}
    fastest = min(FASTEST_MM_S, _WIDEST * what.start_mm_s)
    return {top.speed_mm_s * by: LOOKS[0] for by in _UP if top.speed_mm_s * by <= fastest}


def _downwards(seen: Sequence[Seen], refused: Seen, what: Search) -> dict[float, int]:
    """Make sure of the lowest speed; where that cannot be, look at lower ones."""
    lowest = seen[0]
    if lowest.speed_mm_s < refused.speed_mm_s and lowest.runs < LOOKS[-1]:
        return {lowest.speed_mm_s: _more(lowest)}
    slowest = max(what.from_mm_s, what.start_mm_s / _WIDEST)
    return {lowest.speed_mm_s * by: LOOKS[0] for by in _DOWN if lowest.speed_mm_s * by > slowest}
