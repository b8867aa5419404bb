"""A round of calls, handed out to the workers of a pool or shared with them."""

from __future__ import annotations

import sys
from collections import deque
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import Future
from contextlib import contextmanager, suppress
from functools import partial
from queue import Empty, SimpleQueue
from typing import Generic, Protocol, TypeVar, TypeVarTuple

Args = TypeVarTuple("Args")
Result = TypeVar("Result")

_LOOK_S = 0.5
_SWITCH_S = 0.0005
"""A call made here leaves Python's lock this soon to the threads that hand out the others."""


class Pool(Protocol):
    """Makes calls elsewhere."""

    def submit(self, work: Callable[[*Args], Result], /, *call: *Args) -> Future[Result]:
        """Submit a call, from any thread; the future gets its result or its exception."""

    def look(self) -> None:
        """Report lost workers; raise if no more results can come."""


class Round(Generic[Result, *Args]):
    """Calls of one function, to be made once.

    Parameters
    ----------
    pool : Pool
        Makes calls elsewhere.
    calls : mapping of int to tuple
        The arguments of each, by its place.
    elsewhere : callable, optional
        Takes them too, and returns a call of the same result that another process makes instead.
    """

    def __init__(
        self,
        pool: Pool,
        work: Callable[[*Args], Result],
        calls: Mapping[int, tuple[*Args]],
        *,
        elsewhere: Callable[[*Args], Callable[[], Result]] | None = None,
    ) -> None:
        self._pool = pool
        self._work = work
        self._elsewhere = elsewhere
        self._waiting = deque(calls.items())
        self._left = len(calls)
        self._done: SimpleQueue[tuple[int, Future[Result]]] = SimpleQueue()

    def elsewhere(self) -> Iterator[tuple[int, Result]]:
        """Hand out all calls at once; yield (place, result) as they are done."""
        for _ in range(self._left):
            self._hand_out(keep=0)
        yield from self._awaited()

    def shared(self, workers: int) -> Iterator[tuple[int, Result]]:
        """Make calls here too, beside so many workers; yield (place, result) as they are done.

        What workers finish during a call here is yielded after it, even if it is interrupted. Each
        has its next call at hand, so that it need not wait for one, except towards the end, where
        that call would wait for it while another is free.
        """
        mine = self._next()
        try:
            for keep in [0] * workers + [workers + 1] * workers:
                self._hand_out(keep)
            while mine is not None:
                place, call = mine
                try:
                    with _yielding():
                        result = self._work(*call)
                except BaseException:
                    done = list(self._finished())
                    yield from ((at, made.result()) for at, made in done if not made.exception())
                    raise
                self._left -= 1
                yield place, result
                for at, made in self._finished():
                    self._left -= 1
                    yield at, made.result()
                mine = self._next()
            yield from self._awaited()
        finally:
            self._waiting.clear()

    def _next(self, keep: int = 0) -> tuple[int, tuple[*Args]] | None:
        """Take a call, if more than `keep` wait."""
        with suppress(IndexError):  # a thread of the pool was quicker
            return self._waiting.popleft() if len(self._waiting) > keep else None
        return None

    def _hand_out(self, keep: int) -> None:
        """Submit a call, if more than `keep` wait, and the next whenever one is done."""
        if (taken := self._next(keep)) is None:
            return
        place, call = taken
        try:
            if self._elsewhere is None:
                future = self._pool.submit(self._work, *call)
            else:
                future = self._pool.submit(self._elsewhere(*call))
        except Exception as error:  # noqa: BLE001 - raised where the result is awaited
            future = Future()
            future.set_exception(error)
        future.add_done_callback(partial(self._over, place, keep))

    def _over(self, place: int, keep: int, future: Future[Result]) -> None:
        self._done.put((place, future))
        if not future.cancelled() and future.exception() is None:
            self._hand_out(keep)

    def _finished(self) -> Iterator[tuple[int, Future[Result]]]:
        """Yield what is done by now, with its place."""
        with suppress(Empty):
            while True:
                yield self._done.get_nowait()

    def _awaited(self) -> Iterator[tuple[int, Result]]:
        """Yield (place, result) of all that is handed out."""
        while self._left:
            try:
                place, future = self._done.get(timeout=_LOOK_S)
            except Empty:
                pass
            else:
                self._left -= 1
                yield place, future.result()
            self._pool.look()


@contextmanager
def _yielding() -> Iterator[None]:
    """Yield Python's lock to other threads ten times as soon as Python does."""
    before = sys.getswitchinterval()
    sys.setswitchinterval(_SWITCH_S)
    try:
        yield
    finally:
        sys.setswitchinterval(before)
