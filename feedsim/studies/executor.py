"""Where points run: in this process or in several, behind one way of asking."""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import active_children, get_context
from typing import Any

from feedsim.errors import FeedsimError

__all__ = ["completed"]

_MOST_FAILURES = 3


def completed(
    work: Callable[..., Any],
    calls: Sequence[tuple[Any, ...]],
    *,
    jobs: int,
    on_lost: Callable[[str], None],
) -> Iterator[tuple[int, Any]]:
    """Yield (place of the call, its result) as calls are done, in any order.

    Parameters
    ----------
    work : callable
        Importable by name, since other processes call it.
    calls : sequence of tuple
        Its arguments, one tuple each.
    jobs : int
        Processes; 1 works in this one.
    on_lost : callable
        Told in words when a worker process has died; its calls are then made again.

    Raises
    ------
    FeedsimError
        If worker processes keep dying.
    """
    if jobs == 1:
        for place, call in enumerate(calls):
            yield place, work(*call)
        return
    open_calls = dict(enumerate(calls))
    failures = 0
    while open_calls:
        try:
            for place, result in _in_processes(work, open_calls, jobs=jobs):
                del open_calls[place]
                yield place, result
        except BrokenProcessPool:
            failures += 1
            if failures >= _MOST_FAILURES:
                raise FeedsimError(
                    "worker processes keep dying (out of memory?); try fewer --jobs"
                ) from None
            on_lost(f"a worker process died; {len(open_calls)} points are run again")


def _in_processes(
    work: Callable[..., Any], calls: dict[int, tuple[Any, ...]], *, jobs: int
) -> Iterator[tuple[int, Any]]:
    pool = ProcessPoolExecutor(
        min(jobs, len(calls)), mp_context=get_context("spawn"), initializer=_leave_interrupts
    )
    try:
        places: dict[Future[Any], int] = {
            pool.submit(work, *call): place for place, call in calls.items()
        }
        for future in as_completed(places):
            yield places[future], future.result()
    except BaseException:
        pool.shutdown(wait=False, cancel_futures=True)
        for process in active_children():
            process.terminate()
        raise
    pool.shutdown()


def _leave_interrupts() -> None:
    """Leave an interrupt from the keyboard to the process that hands out the points."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
