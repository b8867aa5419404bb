"""The calls of a search: each made once, wherever, remembered, and kept for a later process."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from itertools import chain
from typing import Any, Protocol, TypeVar

from feedsim.answers.tune.study.closed import Looked, looked_at
from feedsim.answers.tune.study.setup_at_speed import SetupAtSpeed, setups_at
from feedsim.answers.tune.study.simulated import Met, Ranked, RunCounts, count, met, ranked
from feedsim.answers.tune.study.space import Setup, Space, space_of
from feedsim.running.executor import Where, WorkerPool, worker_pool
from feedsim.scenario import Scenario, scenario_to_dict

T = TypeVar("T")

_TOGETHER = 4
"""Setups looked at in one call."""
_WORK: dict[str, Callable[..., Any]] = {
    "look": looked_at,
    "there": setups_at,
    "rank": ranked,
    "met": met,
    "count": count,
}


class Keep(Protocol):
    """Keeps the results of calls from one process to the next."""

    def kept(self, key: str, kind: type[T]) -> T | None:
        """Return a result that is kept, else None."""

    def keep(self, key: str, kind: type[T], result: T) -> None:
        """Keep one, whole or not at all."""


class _Nothing:
    def kept(self, key: str, kind: type[T]) -> T | None:
        pass

    def keep(self, key: str, kind: type[T], result: T) -> None:
        pass


def work(what: str, scenario: dict[str, Any], *call: Any) -> Any:
    """Make one call, in any process."""
    return _WORK[what](scenario, *call)


class Bench:
    """Asks closed forms and engine about setups of a space.

    Made by :func:`bench_of`. Repeated and kept calls are answered from memory. ``carriers``:
    simulated so far for all calls, kept or not. ``looked``: setups looked at in closed form;
    ``impossible``: those of them that make no possible line.
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
        asked = [setup for setup in new if not self._recalled(keys[setup], Looked)]
        groups = [asked[i : i + _TOGETHER] for i in range(0, len(asked), _TOGETHER)]
        calls = [("look", self._scenario, group, robust, known) for group in groups]
        for place, looked in self._workers.completed(calls):
            for setup, one in zip(groups[place], looked, strict=True):
                self._remember(keys[setup], Looked, one)
        found = {setup: self._memory[keys[setup]] for setup in wanted}
        self.impossible += sum(found[setup].impossible for setup in new)
        return [found[setup] for setup in setups]

    def there(
        self, setups: Sequence[Setup], speed_mm_s: float, *, robust: bool = False
    ) -> list[SetupAtSpeed]:
        """Look at setups in closed form at one speed, whatever the aim."""
        wanted = list(dict.fromkeys(setups))
        groups = [wanted[i : i + _TOGETHER] for i in range(0, len(wanted), _TOGETHER)]
        parts = self._ask(
            list[SetupAtSpeed], [("there", group, speed_mm_s, robust) for group in groups]
        )
        found = dict(zip(wanted, chain.from_iterable(parts), strict=True))
        return [found[setup] for setup in setups]

    def met(
        self, setup: Setup, numbers: Sequence[int], speed_mm_s: float, *, fresh: int = 0
    ) -> list[Met]:
        """Run drawn machines at a speed; ``fresh``: size of the set, unseen by any search."""
        calls = [("met", setup, number, fresh, speed_mm_s) for number in numbers]
        return self._ask(Met, calls, carriers=self.space.tune.carriers)

    def ranked(
        self, setup: Setup, speed_mm_s: float, *, fresh: int = 0, ranks: Sequence[int] = ()
    ) -> Ranked:
        """Rank the drawn machines in closed form, with the bounds of those at some ranks."""
        (found,) = self._ask(Ranked, [("rank", setup, speed_mm_s, fresh, list(ranks))])
        return found

    def counted(
        self, points: Sequence[tuple[Setup, float]], *, first: int, runs: int, carriers: int
    ) -> list[list[RunCounts]]:
        """Run the believed machine with setups at speeds (mm/s), the same random numbers for all.

        ``first``, ``runs``: first replication, and how many runs, each of so many carriers.
        """
        parts = [
            (n, min(_TOGETHER, first + runs - n)) for n in range(first, first + runs, _TOGETHER)
        ]
        calls = [
            ("count", setup, speed, number, some, carriers)
            for setup, speed in points
            for number, some in parts
        ]
        found = self._ask(list[RunCounts], calls)
        return [
            list(chain.from_iterable(found[place * len(parts) : (place + 1) * len(parts)]))
            for place in range(len(points))
        ]

    def _ask(
        self, kind: type[T], calls: Sequence[tuple[Any, ...]], *, carriers: int = 0
    ) -> list[T]:
        """Return the results of calls; ``carriers``: simulated in each, but for a count."""
        keys = [json.dumps(call) for call in calls]
        wanted = {k: c for k, c in zip(keys, calls, strict=True) if k not in self._memory}
        for call in wanted.values():
            self.carriers += call[4] * call[5] if call[0] == "count" else carriers
        asked = [key for key in wanted if not self._recalled(key, kind)]
        made = [(wanted[key][0], self._scenario, *wanted[key][1:]) for key in asked]
        for place, result in self._workers.completed(made):
            self._remember(asked[place], kind, result)
        return [self._memory[key] for key in keys]

    def _recalled(self, key: str, kind: type[T]) -> bool:
        """Return whether the result of a call was kept; it is then in memory."""
        if (result := self._keep.kept(key, kind)) is None:
            return False
        self._memory[key] = result
        return True

    def _remember(self, key: str, kind: type[T], result: T) -> None:
        self._memory[key] = result
        self._keep.keep(key, kind, result)


@contextmanager
def bench_of(
    scenario: Scenario,
    *,
    where: Where,
    keep: Keep | None = None,
    told: Callable[[str, float | None], None] = lambda *_: None,
    on_lost: Callable[[str], None] = lambda _: None,
) -> Iterator[Bench]:
    """Open a bench for the length of a ``with``, for a scenario with its tune table.

    Results do not depend on ``where`` calls are made; ``keep`` keeps them. ``told`` is called with
    the progress in words and the aim's value of the best setup so far, ``on_lost`` with a message
    when a worker is lost. Raises FeedsimError as
    :func:`~feedsim.answers.tune.study.space.space_of`.
    """
    space = space_of(scenario)
    with worker_pool(work, where=where, on_lost=on_lost) as workers:
        yield Bench(space, scenario_to_dict(scenario), workers, keep=keep or _Nothing(), told=told)
