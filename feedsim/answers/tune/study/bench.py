"""The calls of a search: each made once, wherever, remembered, and kept for a later process."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import astuple
from typing import Any, Protocol

from feedsim.answers.tune.study.closed import Looked, looked_at
from feedsim.answers.tune.study.look import Look, looked_there
from feedsim.answers.tune.study.simulated import Met, RunCounts, count, counts_from, met, ranked
from feedsim.answers.tune.study.space import Setup, Space, space_of
from feedsim.running.executor import Where, WorkerPool, worker_pool
from feedsim.scenario import Scenario, scenario_to_dict

_TOGETHER = 4
"""Setups looked at in one call."""


class Keep(Protocol):
    """Keeps the results of calls from one process to the next."""

    known: Mapping[str, Any]

    def keep(self, key: str, result: Any) -> None:
        """Keep one, whole or not at all."""


class _Nothing:
    known: Mapping[str, Any] = {}

    def keep(self, key: str, result: Any) -> None:
        pass


def work(what: str, scenario: dict[str, Any], *call: Any) -> Any:
    """Make one call, in any process; its result is plain data."""
    if what == "rank":
        return ranked(scenario, *call)
    if what == "look":
        setups, robust, known = call
        return [list(astuple(one)) for one in looked_at(scenario, setups, robust, known)]
    if what == "there":
        return looked_there(scenario, *call)
    return met(scenario, *call) if what == "met" else count(scenario, *call)


class Bench:
    """Asks closed forms and engine about setups of a space.

    Made by :func:`bench_of`. Repeated and kept calls are answered from memory.

    Attributes
    ----------
    space : Space
    carriers : int
        Simulated so far for all calls, kept or not.
    looked : int
        Setups looked at in closed form.
    impossible : int
        Those of them that make no possible line.
    """

    def __init__(
        self,
        space: Space,
        scenario: dict[str, Any],
        workers: WorkerPool[Any, *tuple[Any, ...]],
        *,
        keep: Keep,
        told: Callable[[str, float | None], None],
    ) -> None:
        self.space = space
        self._told = told
        self._best: float | None = None
        self.carriers = self.looked = self.impossible = 0
        self._scenario, self._workers, self._keep = scenario, workers, keep
        self._memory: dict[str, Any] = {}

    def told(self, doing: str, *, best: float | None = None) -> None:
        """Report what is being done, with the aim's value of the best setup so far."""
        self._best = self._best if best is None else best
        self._told(doing, self._best)

    def closed(
        self, setups: Sequence[Setup], *, robust: bool = False, known: int = -1
    ) -> list[Looked]:
        """Look at setups in closed form; ``known``: number of an unsure value as believed."""
        wanted = list(dict.fromkeys(setups))
        if not robust:
            known = -1
        keys = {setup: json.dumps(["look", setup, robust, known]) for setup in wanted}
        new = [setup for setup in wanted if keys[setup] not in self._memory]
        self.looked += len(new)
        asked = [setup for setup in new if keys[setup] not in self._keep.known]
        for setup in new:
            if setup not in asked:
                self._memory[keys[setup]] = self._keep.known[keys[setup]]
        groups = [asked[i : i + _TOGETHER] for i in range(0, len(asked), _TOGETHER)]
        calls = [("look", self._scenario, group, robust, known) for group in groups]
        for place, rows in self._workers.completed(calls):
            for setup, row in zip(groups[place], rows, strict=True):
                self._remember(keys[setup], row)
        found = {setup: Looked(*self._memory[keys[setup]]) for setup in wanted}
        self.impossible += sum(found[setup].impossible for setup in new)
        return [found[setup] for setup in setups]

    def there(
        self, setups: Sequence[Setup], speed_mm_s: float, *, robust: bool = False
    ) -> list[Look]:
        """Look at setups in closed form at one speed, whatever the aim."""
        wanted = list(dict.fromkeys(setups))
        groups = [wanted[i : i + _TOGETHER] for i in range(0, len(wanted), _TOGETHER)]
        rows = self._ask([("there", group, speed_mm_s, robust) for group in groups], carriers=0)
        looks = [Look(*row) for part in rows for row in part]
        found = dict(zip(wanted, looks, strict=True))
        return [found[setup] for setup in setups]

    def met(
        self, setup: Setup, numbers: Sequence[int], speed_mm_s: float, *, fresh: int = 0
    ) -> list[Met]:
        """Run drawn machines at a speed; ``fresh``: size of the set, unseen by any search."""
        calls = [("met", setup, number, fresh, speed_mm_s) for number in numbers]
        return [Met(*row) for row in self._ask(calls, carriers=self.space.tune.carriers)]

    def ranked(
        self, setup: Setup, speed_mm_s: float, *, fresh: int = 0, ranks: Sequence[int] = ()
    ) -> tuple[list[int], list[float]]:
        """Return the numbers of the drawn machines, the worst in closed form first.

        And for those at some ranks, the speeds (mm/s) up to which closed forms accept them.
        """
        call = ("rank", setup, speed_mm_s, fresh, list(ranks))
        numbers, bounds = self._ask([call], carriers=0)[0]
        return numbers, bounds

    def counted(
        self, points: Sequence[tuple[Setup, float]], *, first: int, runs: int, carriers: int
    ) -> list[list[RunCounts]]:
        """Run the believed machine with setups at speeds (mm/s), the same random numbers for all.

        Parameters
        ----------
        first, runs : int
            First replication, and how many runs.
        carriers : int
            In each run.
        """
        parts = [
            (n, min(_TOGETHER, first + runs - n)) for n in range(first, first + runs, _TOGETHER)
        ]
        calls = [
            ("count", setup, speed, number, some, carriers)
            for setup, speed in points
            for number, some in parts
        ]
        rows = self._ask(calls, carriers=0)
        found = []
        for place in range(len(points)):
            own = rows[place * len(parts) : (place + 1) * len(parts)]
            found.append([run for part in own for run in counts_from(part)])
        return found

    def _ask(self, calls: Sequence[tuple[Any, ...]], *, carriers: int) -> list[Any]:
        keys = [json.dumps(call) for call in calls]
        wanted = {k: c for k, c in zip(keys, calls, strict=True) if k not in self._memory}
        for call in wanted.values():
            self.carriers += call[4] * call[5] if call[0] == "count" else carriers
        for key in wanted.keys() & self._keep.known.keys():
            self._memory[key] = self._keep.known[key]
        asked = [key for key in wanted if key not in self._memory]
        made = [(wanted[key][0], self._scenario, *wanted[key][1:]) for key in asked]
        for place, result in self._workers.completed(made):
            self._remember(asked[place], result)
        return [self._memory[key] for key in keys]

    def _remember(self, key: str, result: Any) -> None:
        self._memory[key] = result
        self._keep.keep(key, result)


@contextmanager
def bench_of(
    scenario: Scenario,
    *,
    where: Where,
    keep: Keep | None = None,
    told: Callable[[str, float | None], None] = lambda *_: None,
    on_lost: Callable[[str], None] = lambda _: None,
) -> Iterator[Bench]:
    """Open a bench for the length of a ``with``.

    Parameters
    ----------
    scenario : Scenario
        With its tune table.
    where : Local or Cluster
        Where calls are made; results do not depend on it.
    keep : Keep, optional
        Where results are kept.
    told : callable
        Called with the progress in words, and the aim's value of the best setup so far.
    on_lost : callable
        Called with a message when a worker is lost.

    Raises
    ------
    FeedsimError
        As :func:`~feedsim.answers.tune.study.space.space_of`.
    """
    space = space_of(scenario)
    with worker_pool(work, where=where, on_lost=on_lost) as workers:
        yield Bench(space, scenario_to_dict(scenario), workers, keep=keep or _Nothing(), told=told)
