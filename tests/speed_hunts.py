"""What simulation says at line speeds against what ``limit`` and ``check`` say of them.

*For sure* is meant of a whole hunt: an interval has the confidence 1 − 5 %/(all intervals of the
hunt that decide) (Bonferroni), so that in 95 % of hunts nothing is found where nothing is wrong.
Cards are of replications that no search has run.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Protocol

from feedsim.answers.check.study.review import review
from feedsim.answers.limit.answer import searched
from feedsim.answers.limit.study.closed import in_closed_form, not_counted, worst_of_line
from feedsim.answers.limit.study.search import run_batch
from feedsim.answers.line import Line
from feedsim.answers.where import where_of
from feedsim.metrics.acceptance import AgainstLimit
from feedsim.metrics.tally import shares_of
from feedsim.running.run import criteria_of
from feedsim.scenario import Scenario, at_line_speed, scenario_to_dict

__all__ = ["Hunt", "hunted_check", "hunted_limit", "refused_below", "refused_for_sure"]

_FRESH = 1000
_FIGURES = 3
_FAMILY = 0.05

_STEP_UP, _STEP_DOWN, _RUNGS = 1.15, 0.8, 14
_FEW_RUNS, _MORE_RUNS = 2, 6

_WITHIN, _CARRIERS = 0.02, 500_000
_LOWEST, _GRID, _CELLS = 0.2, 30, 5
_LOOK_RUNS, _SUSPECTS, _SURE_RUNS = 2, 3, 16


class Hunt(Protocol):
    """Says what is wrong; empty: nothing; None: the scenario is none of what is looked for."""

    __name__: str

    def __call__(self, scenario: Scenario, *, scenarios: int) -> str | None: ...


def _at(
    scenario: Scenario, speed_mm_s: float, runs: int, *, first: int, intervals: int
) -> list[dict[str, AgainstLimit]]:
    """Return each feeder's shares at a speed; ``intervals``: those of the whole hunt."""
    plain = scenario_to_dict(scenario)
    ran = [run_batch(plain, speed_mm_s, first + number) for number in range(runs)]
    confidence = 1.0 - _FAMILY / intervals
    return [
        shares_of(
            [run[number] for run in ran], criteria_of(scenario), confidence=confidence
        )._asdict()
        for number in range(len(scenario.feeder))
    ]


def _refused(feeders: list[dict[str, AgainstLimit]]) -> list[tuple[int, str]]:
    return [
        (number, figure)
        for number, shares in enumerate(feeders)
        for figure, test in shares.items()
        if test.share is not None and test.failed() and test.decided()
    ]


def _accepted(feeders: list[dict[str, AgainstLimit]]) -> bool:
    tests = [test for shares in feeders for test in shares.values()]
    return all(t.share is not None and t.decided() and not t.failed() for t in tests)


def refused_for_sure(scenario: Scenario, speed_mm_s: float) -> list[tuple[int, str]]:
    """Return the figures (number of the feeder, name) that simulation refuses at a speed."""
    intervals = _FIGURES * len(scenario.feeder)
    return _refused(_at(scenario, speed_mm_s, _MORE_RUNS, first=_FRESH, intervals=intervals))


def hunted_check(scenario: Scenario, *, scenarios: int = 1) -> str | None:
    """Say which figure simulation refuses at a speed while ``check`` does not warn of it.

    Speeds are tried from the line's own, upwards by 15 % until one is refused for sure, or
    downwards until one is accepted. There ``check`` must not refuse a figure either. None: nothing
    was refused for sure, or what is planned (a fault, an adjustment, a profile) is no fault of the
    settings. Where ``check`` says that it leaves something out, its silence is none.
    """
    if scenario.fault or scenario.adjust or scenario.line.profile:
        return None
    intervals = scenarios * _RUNGS * _FIGURES * len(scenario.feeder)
    refused = accepted = None
    speed = scenario.line.speed
    for _ in range(_RUNGS):
        there = _at(scenario, speed, _FEW_RUNS, first=_FRESH, intervals=intervals)
        if not (_refused(there) or _accepted(there)):
            there = _at(scenario, speed, _MORE_RUNS, first=_FRESH, intervals=intervals)
        if _accepted(there):
            accepted = speed
        if figures := _refused(there):
            refused = (speed, figures, there)
        if refused and (accepted or not figures):
            break
        speed *= _STEP_DOWN if refused else _STEP_UP
    if refused is None:
        return None
    return ", ".join([*_silent(scenario, *refused), *_false_alarms(scenario, accepted)])


def _silent(
    scenario: Scenario,
    speed: float,
    figures: list[tuple[int, str]],
    there: list[dict[str, AgainstLimit]],
) -> Iterator[str]:
    if any(not_counted(scenario)):
        return
    feeders = review(at_line_speed(scenario, speed)).feeders
    for number, figure in figures:
        if figure not in feeders[number].refused:
            test = there[number][figure]
            yield f"silent of {figure} {test.share} ({test.limit}) of {number} at {speed:.1f} mm/s"


def _false_alarms(scenario: Scenario, speed: float | None) -> Iterator[str]:
    if speed is None:
        return
    for number, feeder in enumerate(review(at_line_speed(scenario, speed)).feeders):
        if feeder.refused:
            yield f"refuses {feeder.refused} of {number} at {speed:.1f} mm/s, accepted for sure"


def hunted_limit(
    scenario: Scenario, *, scenarios: int = 1, carriers: int = _CARRIERS
) -> str | None:
    """Say which speed below the limit that ``limit`` reports simulation refuses for sure.

    Looked at are a grid of speeds below it, and those between them that are worst in closed form;
    the three that look worst are run again, 16 times, on cards of their own, and only that
    decides. None: no speed is accepted, so that there is nothing below. ``carriers``: what the
    search may take.
    """
    if scenario.line.profile:
        return None
    closed, where = in_closed_form(scenario), where_of(1, None)
    found = searched(Line(scenario), closed, within=_WITHIN, at_most=carriers, where=where)
    top = found.simulated.accepted_speed_mm_s
    if top is None:
        return None
    bottom = max(_LOWEST * top, closed.window[0] if closed.window else 0.0)
    return refused_below(scenario, top, bottom, scenarios=scenarios)


def refused_below(scenario: Scenario, top: float, bottom: float, *, scenarios: int = 1) -> str:
    """Say what simulation refuses for sure between two line speeds (mm/s)."""
    intervals = scenarios * _SUSPECTS * _FIGURES * len(scenario.feeder)
    looked = {
        speed: _at(scenario, speed, _LOOK_RUNS, first=_FRESH, intervals=1)
        for speed in _speeds_between(scenario, bottom, top)
    }
    said = []
    for speed in sorted(looked, key=lambda speed: -_worst(looked[speed]))[:_SUSPECTS]:
        there = _at(scenario, speed, _SURE_RUNS, first=2 * _FRESH, intervals=intervals)
        for number, figure in _refused(there):
            test = there[number][figure]
            said.append(
                f"limit {top:.2f} mm/s, at {speed:.2f} ({speed / top:.3f}) {figure} "
                f"{test.share} ({test.limit}) of {number}"
            )
    return ", ".join(said)


def _speeds_between(scenario: Scenario, bottom: float, top: float) -> list[float]:
    step = (top - bottom) / _GRID
    grid = [bottom + step * place for place in range(_GRID + 1)]
    worst, cell = worst_of_line(scenario), 0.3 * (top - bottom) / _CELLS
    worst_of_cells = [worst(top - cell * (n + 1), top - cell * n) for n in range(_CELLS)]
    return sorted({*grid, *worst_of_cells})


def _worst(feeders: list[dict[str, AgainstLimit]]) -> float:
    """Return by how many standard errors a figure is beyond its limit, at the worst."""
    found = []
    for shares in feeders:
        for test in shares.values():
            if test.share is None or test.effective_n is None:
                continue
            beyond = test.limit - test.share if test.at_least else test.share - test.limit
            found.append(
                beyond * (test.effective_n / max(test.limit * (1.0 - test.limit), 1e-9)) ** 0.5
            )
    return max(found, default=0.0)
