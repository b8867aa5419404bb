"""Which carriers a page shows: by number, or around the first that is missed or at risk."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from feedsim.answers.rehearse.study.scene_events import hazards_of_feeder
from feedsim.arrays import Bools
from feedsim.draws.line_draws import RunDraws
from feedsim.errors import Fault, FeedsimError, argument
from feedsim.records.outcome import Outcome
from feedsim.running.run import criteria_of, machine_of
from feedsim.scenario import Scenario
from feedsim.simulation.line import simulate

SOME, A_FEW = 200, 21
"""Number of carriers by default: in a row, and around one."""

_FIRST_LOOK, _GROWTH = 2000, 4
_UNSURE = 100  # carriers at the end of a shortened run: a later cycle may still serve them

Progress = Callable[[int], None]


@dataclass(frozen=True, slots=True)
class Wanted:
    """The request; at most one of these besides ``count``.

    ``around``: this carrier in the middle. ``first``: from this one on. ``miss``, ``hazard``:
    around the first counted carrier that is missed, or whose feed cycle has a hazard, at any
    feeder. ``count``: number of carriers.
    """

    around: int | None = None
    first: int | None = None
    count: int | None = None
    miss: bool = False
    hazard: bool = False


@dataclass(frozen=True, slots=True)
class ShownCarriers:
    """Carriers to show, by numbers that count the warm-up.

    ``focus``: the one in the middle, if any. ``because``: ``"miss"`` or ``"hazard"`` if requested,
    else empty.
    """

    carriers: range
    focus: int | None = None
    because: str = ""


def choose(
    scenarios: Sequence[Scenario], wanted: Wanted, *, progress: Progress | None = None
) -> ShownCarriers:
    """Return the carriers that a page of these setups shows, the same of each.

    The first carrier missed, or with a hazard, in any of them counts. ``progress`` is called with
    the number of carriers searched. Raises FeedsimError if there are no such carriers, or the
    request contradicts itself.
    """
    total = min(s.run.warm_up + s.run.carriers for s in scenarios)
    _check(wanted, total)
    focus, because = wanted.around, ""
    if wanted.miss or wanted.hazard:
        because = "miss" if wanted.miss else "hazard"
        focus = _first(scenarios, because, total=total, progress=progress)
    count = wanted.count or (SOME if focus is None else A_FEW)
    if focus is not None:
        start = max(0, focus - count // 2)
    else:
        warm_up = min(scenarios[0].run.warm_up, total - 1)
        start = warm_up if wanted.first is None else wanted.first
    return ShownCarriers(range(start, min(start + count, total)), focus, because)


def _check(wanted: Wanted, total: int) -> None:
    ways = {
        "around": wanted.around is not None,
        "start": wanted.first is not None,
        "first_miss": wanted.miss,
        "first_hazard": wanted.hazard,
    }
    given = [argument(name) for name, is_given in ways.items() if is_given]
    faults = []
    if len(given) > 1:
        faults.append(Fault(given[1], message=f"does not go with {given[0]}: choose one way"))
    for name, number in (("around", wanted.around), ("start", wanted.first)):
        if number is not None and not 0 <= number < total:
            allowed = f"a carrier from 0 to {total - 1}"
            faults.append(Fault(argument(name), found=str(number), allowed=allowed))
    if wanted.count is not None and wanted.count < 1:
        faults.append(
            Fault(argument("count"), found=str(wanted.count), allowed="1 carrier or more")
        )
    if faults:
        raise FeedsimError(*faults)


def _first(
    scenarios: Sequence[Scenario], because: str, *, total: int, progress: Progress | None
) -> int:
    """Search longer and longer runs: later events cannot change earlier ones."""
    looked, wanted = 0, min(_FIRST_LOOK, total)
    while looked < total:
        sure = wanted if wanted == total else wanted - _UNSURE
        found = [_first_in(scenario, because, carriers=wanted, sure=sure) for scenario in scenarios]
        known = [number for number in found if number is not None]
        if known:
            return min(known)
        looked, wanted = wanted, min(total, wanted * _GROWTH)
        if progress is not None:
            progress(looked)
    name = argument("first_miss" if because == "miss" else "first_hazard")
    what = "is missed" if because == "miss" else "has a hazard in its feed cycle"
    counted = total - min(scenario.run.warm_up for scenario in scenarios)
    raise FeedsimError(Fault(name, message=f"none of the {counted} counted carriers {what}"))


def _first_in(scenario: Scenario, because: str, *, carriers: int, sure: int) -> int | None:
    machine = machine_of(scenario)
    records = simulate(machine, RunDraws(machine, scenario.seed), carriers=carriers)
    hit: Bools = np.zeros(carriers, dtype=np.bool_)
    for number, feeder in enumerate(records.feeders):
        if because == "miss":
            hit |= feeder.outcome != Outcome.PLACED
            continue
        for hazard in hazards_of_feeder(
            records, machine=machine, criteria=criteria_of(scenario), feeder=number
        ):
            hit |= hazard.there
    rows = np.flatnonzero(hit[scenario.run.warm_up : sure])
    return int(rows[0]) + scenario.run.warm_up if len(rows) else None
