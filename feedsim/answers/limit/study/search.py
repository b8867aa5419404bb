"""Up to which speed a line is accepted, by simulation.

The search simulates several speeds at once, adds runs where a speed is undecided, and narrows the
range between the fastest speed accepted for sure, with none below it that is not, and the slowest
one refused for sure. Where acceptance comes and goes with speed, the closed forms know where it
is worst: each speed tried is the worst of its neighbourhood, and the search tries what they refuse
below a speed before it calls that speed accepted and narrows the range. Its next step depends only
on the results so far, never on the number of workers.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from feedsim.answers.limit.study.closed import refused_speeds
from feedsim.metrics.intervals import each_of
from feedsim.metrics.paired_feeders import Ran
from feedsim.metrics.tally import Sureness, Tally, sureness, tally
from feedsim.running.engines import expect_many
from feedsim.running.run import criteria_of, machine_of, run_once
from feedsim.scenario import Scenario, at_line_speed, scenario_from_dict, scenario_to_dict
from feedsim.settings.cells import FASTEST_MM_S
from feedsim.settings.limits import Closed
from feedsim.settings.shares_by_speed import accepted_to

LOOKS = (4, 8, 16, 32)
"""Numbers of runs at one speed after which its shares are judged."""

_RIGHT = 0.95
"""Confidence of a verdict on a speed."""

_FIGURES = 3

_LADDER = (0.97, 1.03, 0.9, 1.1, 0.75, 0.5, 0.25)
"""Speeds to try first, as shares of the start; those that matter most come first."""

_UP, _DOWN = (1.25, 1.6), (0.5, 0.75)
_WIDEST = 64.0
_NEAR = 0.01
"""The worst speed this near (a share) is tried in place of the one wanted."""
_ASIDE = 0.25
_MOST_REFUSED = 8


_read: tuple[dict[str, Any], Scenario] | None = None
"""The scenario last read in this process, as data and checked."""


@dataclass(frozen=True, slots=True)
class RefusedSpeed:
    """A speed (mm/s) that the closed forms refuse, and its worst figure over what is allowed."""

    speed_mm_s: float
    times: float


@dataclass(frozen=True, slots=True)
class Seen:
    """Results at one speed: the counts of each feeder's runs."""

    speed_mm_s: float
    feeders: tuple[tuple[Tally, ...], ...]
    sureness: Sureness

    @property
    def runs(self) -> int:
        """Number of runs."""
        return len(self.feeders[0])


@dataclass(frozen=True, slots=True)
class SpeedsFound:
    """Result of a search.

    Attributes
    ----------
    accepted : Seen or None
        The fastest speed accepted for sure below any that is refused.
    refused : Seen or None
        The slowest speed refused for sure, of those tried.
    seen : tuple of Seen
        All speeds, rising.
    carriers : int
        Simulated in all.
    ran_out : bool
        Whether the carriers ran out before the range was as narrow as asked for.
    not_looked_at_mm_s : float or None
        The slowest speed that the closed forms refuse and that had no carriers left, where faster
        ones are accepted for sure.
    """

    accepted: Seen | None
    refused: Seen | None
    seen: tuple[Seen, ...]
    carriers: int
    ran_out: bool
    not_looked_at_mm_s: float | None

    @property
    def accepted_up_to(self) -> list[Seen]:
        """The speeds tried up to ``accepted``, all of them accepted."""
        top = self.accepted.speed_mm_s if self.accepted else 0.0
        return [s for s in self.seen if s.speed_mm_s <= top]

    @property
    def islands(self) -> list[Seen]:
        """The speeds accepted for sure above ``refused``, or above the one not tried."""
        refused = self.refused.speed_mm_s if self.refused else None
        ends = [end for end in (refused, self.not_looked_at_mm_s) if end is not None]
        above = min(ends, default=float("inf"))
        accepted = (s for s in self.seen if s.sureness is Sureness.ACCEPTED)
        return [s for s in accepted if s.speed_mm_s > above]


@dataclass(frozen=True, slots=True)
class SpeedSearch:
    """Task of a search.

    Attributes
    ----------
    start_mm_s : float
        First speed to try.
    within : float
        Width of the range to find, as a share of its upper end.
    most_carriers : int
        No run starts that would exceed this in all; :func:`least_carriers` at least.
    also_mm_s : tuple of float
        Speeds to try in any case.
    from_mm_s : float
        Only faster speeds are tried.
    worst : callable, optional
        Two line speeds (mm/s) near each other → the worst one between them, as far as is known
        beforehand; the search tries that one.
    doubtful : tuple of RefusedSpeed
        Speeds refused in closed form; the search tries some of those below an accepted speed.
    """

    scenario: Scenario
    start_mm_s: float
    within: float
    most_carriers: int
    also_mm_s: tuple[float, ...] = ()
    from_mm_s: float = 0.0
    worst: Callable[[float, float], float] | None = field(default=None, compare=False)
    doubtful: tuple[RefusedSpeed, ...] = ()

    def place(self, speed: float, around: float) -> float:
        """Return the speed to try (mm/s): the worst one no further away than that."""
        if self.worst is None:
            return speed
        return self.worst(max(speed - around, self.from_mm_s), speed + around)


def worst_refused(scenario: Scenario, forms: Sequence[Closed]) -> tuple[RefusedSpeed, ...]:
    """Return the worst speed of each stretch that the closed forms refuse, rising."""
    allowed = criteria_of(scenario)
    return tuple(
        RefusedSpeed(r.worst_mm_s, r.share / accepted_to(allowed.largest(r.figure)))
        for r in refused_speeds(forms)
    )


def least_carriers(scenario: Scenario) -> int:
    """Return how many carriers one look at one speed takes."""
    return LOOKS[0] * scenario.run.carriers


def run_batch(scenario: dict[str, Any], speed_mm_s: float, replication: int) -> list[Tally]:
    """Run one replication at one speed in a worker; return each feeder's counts."""
    global _read  # noqa: PLW0603 - checking a scenario takes a tenth of the time of a run
    if _read is None or _read[0] != scenario:
        _read = scenario, scenario_from_dict(scenario)
    at_speed = at_line_speed(_read[1], speed_mm_s)
    machine = machine_of(at_speed)
    expect_many()
    records = run_once(at_speed, machine, replication=replication)
    ran = Ran(records, machine, criteria_of(at_speed))
    return [tally(ran, number=number) for number in range(len(machine.feeders))]


def search(
    task: SpeedSearch,
    run: Callable[[Sequence[tuple[Any, ...]]], Sequence[Sequence[Tally]]],
    *,
    progress: Callable[[int], None] | None = None,
) -> SpeedsFound:
    """Look for the highest accepted speed.

    Parameters
    ----------
    run : callable
        Makes calls of :func:`run_batch` and returns their results in the same order.
    progress : callable, optional
        Told how many carriers have been simulated.

    Raises
    ------
    ValueError
        If ``most_carriers`` do not suffice to look at one speed.
    """
    plain = scenario_to_dict(task.scenario)
    each = task.scenario.run.carriers
    if task.most_carriers < least_carriers(task.scenario):
        raise ValueError(f"{task.most_carriers} carriers are too few to look at one speed")
    found: dict[float, list[Sequence[Tally]]] = {}
    used, ran_out = 0, False
    while not ran_out and (wanted := _next(_seen(task.scenario, found), task)):
        calls: list[tuple[float, int]] = []
        for speed, runs in wanted.items():
            more = range(len(found.get(speed, ())), runs)
            if used + each * (len(calls) + len(more)) > task.most_carriers:
                ran_out = True
                break
            calls += [(speed, number) for number in more]
        results = run([(plain, speed, number) for speed, number in calls])
        for (speed, _), result in zip(calls, results, strict=True):
            found.setdefault(speed, []).append(result)
        used += each * len(calls)
        if progress is not None:
            progress(used)
    seen = _seen(task.scenario, found)
    accepted, refused = _ends(seen, sure=True)
    not_looked_at = min(_not_yet(seen, accepted, task), default=None) if ran_out else None
    if not_looked_at is not None:
        accepted, _ = _ends([s for s in seen if s.speed_mm_s < not_looked_at], sure=True)
    return SpeedsFound(accepted, refused, tuple(seen), used, ran_out, not_looked_at)


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

    With it all figures of all feeders at all looks at one speed hold together at 95 %.
    """
    return each_of(len(LOOKS) * _FIGURES * len(scenario.feeder), _RIGHT)


def _ends(seen: Sequence[Seen], *, sure: bool = False) -> tuple[Seen | None, Seen | None]:
    """Return the two ends of the range in which the limit lies, as far as they are known.

    The slowest speed that is refused, and the fastest that is accepted below that one and below
    any that even the most runs leave open; for sure, below any that is not accepted.
    """
    refused = next((s for s in seen if s.sureness is Sureness.REFUSED), None)
    accepted = None
    for s in seen:
        if s.sureness is Sureness.ACCEPTED:
            accepted = s
        elif s is refused or sure or s.runs >= LOOKS[-1]:
            break
    return accepted, refused


def _next(seen: Sequence[Seen], task: SpeedSearch) -> dict[float, int]:
    """Return the speeds to run next, and up to how many runs at each; empty: enough is known."""
    if not seen:
        places = [(task.start_mm_s * rung, _NEAR * task.start_mm_s * rung) for rung in _LADDER]
        rungs = [task.place(*place) for place in places if place[0] > task.from_mm_s]
        return dict.fromkeys([*task.also_mm_s, *rungs], LOOKS[0])
    accepted, refused = _ends(seen)
    unsure = [s for s in seen if s.sureness is Sureness.OPEN and s.runs < LOOKS[-1]]
    if refused is None:
        return _upwards(seen, unsure, task)
    if accepted is None:
        return _downwards(seen, refused, task)
    below = {s.speed_mm_s: _more(s) for s in unsure if s.speed_mm_s < refused.speed_mm_s}
    return below or _not_yet(seen, accepted, task) or _narrower(seen, (accepted, refused), task)


def _narrower(seen: Sequence[Seen], ends: tuple[Seen, Seen], task: SpeedSearch) -> dict[float, int]:
    """Look between the ends, if they are further apart than wanted."""
    low, high = (end.speed_mm_s for end in ends)
    wide = task.within * high
    if high - low <= wide:
        return {}
    between = [s.speed_mm_s for s in seen if low < s.speed_mm_s < high]
    places, parts = [low, *between, high], 2 if between else 3
    more: dict[float, int] = {}
    for start, end in dict.fromkeys([(places[0], places[1]), (places[-2], places[-1])]):
        if end - start > wide / 2.0:
            step = (end - start) / parts
            around = min(_NEAR * start, _ASIDE * step)
            more |= {task.place(start + step * k, around): LOOKS[0] for k in range(1, parts)}
    return {speed: runs for speed, runs in more.items() if all(speed != s.speed_mm_s for s in seen)}


def _not_yet(seen: Sequence[Seen], accepted: Seen | None, task: SpeedSearch) -> dict[float, int]:
    """Look where the closed forms refuse slower speeds than are accepted, the worst first.

    Of speeds no further apart than the range wanted, the worst stands for all.
    """
    if accepted is None:
        return {}
    looked = {s.speed_mm_s for s in seen}
    apart = max(task.within, _NEAR)
    at_all = [s for s in task.doubtful if task.from_mm_s < s.speed_mm_s < accepted.speed_mm_s]
    wanted: list[float] = []
    for refused in sorted(at_all, key=lambda d: -d.times):
        near = apart * refused.speed_mm_s
        if all(abs(refused.speed_mm_s - speed) > near for speed in wanted):
            wanted.append(refused.speed_mm_s)
    return dict.fromkeys([v for v in wanted[:_MOST_REFUSED] if v not in looked], LOOKS[0])


def _more(seen: Seen) -> int:
    return next(runs for runs in LOOKS if runs > seen.runs)


def _upwards(seen: Sequence[Seen], unsure: Sequence[Seen], task: SpeedSearch) -> dict[float, int]:
    """Look at higher speeds; where the top is not refused yet, look there again first."""
    top = seen[-1]
    if top in unsure:
        return {top.speed_mm_s: _more(top)}
    fastest = min(FASTEST_MM_S, _WIDEST * task.start_mm_s)
    speeds = [top.speed_mm_s * by for by in _UP]
    higher = {task.place(v, _NEAR * v): LOOKS[0] for v in speeds if v <= fastest}
    # no speed above is refused: then all those below have to be accepted
    more = higher or {s.speed_mm_s: _more(s) for s in unsure}
    return more or _not_yet(seen, _ends(seen)[0], task)


def _downwards(seen: Sequence[Seen], refused: Seen, task: SpeedSearch) -> dict[float, int]:
    """Decide the lowest speed; where that fails, look at lower ones."""
    lowest = seen[0]
    if lowest.speed_mm_s < refused.speed_mm_s and lowest.runs < LOOKS[-1]:
        return {lowest.speed_mm_s: _more(lowest)}
    slowest = max(task.from_mm_s, task.start_mm_s / _WIDEST)
    speeds = [lowest.speed_mm_s * by for by in _DOWN]
    return {task.place(v, _NEAR * v): LOOKS[0] for v in speeds if v > slowest}
