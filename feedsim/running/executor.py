"""Where points run: in this process, in several, or on a cluster, behind one interface."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures.process import BrokenProcessPool
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from typing import Generic, TypeVar, TypeVarTuple

from feedsim.errors import FeedsimError, argument
from feedsim.running.processes import processes
from feedsim.running.sharing import Pool, Round

Args = TypeVarTuple("Args")
Result = TypeVar("Result")

_MOST_FAILURES = 3


def nobody(*_: object) -> None:
    """Ignore a message."""


@dataclass(frozen=True, slots=True)
class Local:
    """Processes of this machine.

    Attributes
    ----------
    jobs : int
        Number of processes that work, this one included.
    """

    jobs: int


@dataclass(frozen=True, slots=True)
class Cluster:
    """The workers of a Dask scheduler.

    Attributes
    ----------
    address : str
        Of the scheduler, such as ``"tcp://127.0.0.1:8786"``.
    """

    address: str


Where = Local | Cluster


class WorkerPool(Generic[Result, *Args]):
    """Workers that last for several rounds of calls; they start when first needed.

    Made by :func:`worker_pool`.
    """

    def __init__(
        self,
        work: Callable[[*Args], Result],
        *,
        elsewhere: Callable[[*Args], Callable[[], Result]] | None,
        where: Where,
        on_lost: Callable[[str], None],
    ) -> None:
        self._work = work
        self._elsewhere = elsewhere
        self._where = where
        self._on_lost = on_lost
        self._failures = 0
        self._manager: AbstractContextManager[Pool] | None = None
        self._pool: Pool | None = None

    def completed(self, calls: Sequence[tuple[*Args]]) -> Iterator[tuple[int, Result]]:
        """Yield (place of the call, its result) as calls are done, in any order.

        Raises
        ------
        FeedsimError
            If worker processes keep dying, or import a program that asks for them; on a cluster
            also if it cannot be reached, has no workers, has other versions than this process, or
            loses all its workers.
        """
        if self._where == Local(1):
            for place, call in enumerate(calls):
                yield place, self._work(*call)
            return
        left = dict(enumerate(calls))
        while left:
            try:
                for place, result in self._made(left):
                    del left[place]
                    yield place, result
            except BrokenProcessPool as error:
                self._failures += 1
                self.close(error)
                if self._failures >= _MOST_FAILURES:
                    fewer = f"try fewer {argument('jobs')}"
                    raise FeedsimError(
                        f"worker processes keep dying (out of memory?); {fewer}"
                    ) from None
                self._on_lost(f"a worker process died; {len(left)} of the points are run again")

    def in_order(self, calls: Sequence[tuple[*Args]]) -> list[Result]:
        """Return the results of all calls in their order."""
        results = dict(self.completed(calls))
        return [results[place] for place in range(len(calls))]

    def close(self, error: BaseException | None) -> None:
        """Release the workers; after an error, end those at work."""
        manager, self._manager, self._pool = self._manager, None, None
        if manager is not None:
            manager.__exit__(type(error) if error else None, error, None)

    def _made(self, calls: Mapping[int, tuple[*Args]]) -> Iterator[tuple[int, Result]]:
        if self._pool is None:
            self._manager = self._workers()
            self._pool = self._manager.__enter__()
        made = Round(self._pool, self._work, calls, elsewhere=self._elsewhere)
        if isinstance(self._where, Local) and not self._failures:
            return made.shared(self._where.jobs - 1)
        return made.elsewhere()

    def _workers(self) -> AbstractContextManager[Pool]:
        if isinstance(self._where, Local):
            # what has ended a worker could end this process, which then makes no calls
            here = 0 if self._failures else 1
            return processes(self._where.jobs - here)
        from feedsim.running.cluster import cluster_workers

        return cluster_workers(self._where.address, on_lost=self._on_lost)


@contextmanager
def worker_pool(
    work: Callable[[*Args], Result],
    *,
    elsewhere: Callable[[*Args], Callable[[], Result]] | None = None,
    where: Where,
    on_lost: Callable[[str], None],
) -> Iterator[WorkerPool[Result, *Args]]:
    """Yield workers for the duration of the ``with``.

    Parameters
    ----------
    work : callable
        Importable by name, since other processes call it. Its exceptions are raised here.
    elsewhere : callable, optional
        Takes the arguments of `work`, and returns a call of the same result that another process
        makes instead, with less to load.
    on_lost : callable
        Told in words when a worker is lost; its calls are then made again.
    """
    made = WorkerPool(work, elsewhere=elsewhere, where=where, on_lost=on_lost)
    try:
        yield made
    except BaseException as error:
        made.close(error)
        raise
    made.close(None)


def completed(
    work: Callable[[*Args], Result],
    calls: Sequence[tuple[*Args]],
    *,
    elsewhere: Callable[[*Args], Callable[[], Result]] | None = None,
    where: Where,
    on_lost: Callable[[str], None],
) -> Iterator[tuple[int, Result]]:
    """Yield (place of the call, its result) of a single round, as :meth:`WorkerPool.completed`.

    Leaving the iteration early, also by an interrupt, drops pending calls.

    Parameters
    ----------
    work, elsewhere, where, on_lost
        As in :func:`worker_pool`.
    calls : sequence of tuple
        Its arguments, one tuple each.
    """
    with worker_pool(work, elsewhere=elsewhere, where=where, on_lost=on_lost) as workers:
        yield from workers.completed(calls)
