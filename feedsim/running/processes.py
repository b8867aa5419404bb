"""Worker processes of this machine: how they start, work and end."""

from __future__ import annotations

import atexit
import gc
import os
import pickle
import signal
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from multiprocessing import (
    active_children,
    current_process,
    get_context,
    parent_process,
    resource_tracker,
)
from multiprocessing.process import BaseProcess
from threading import Thread, current_thread, main_thread
from typing import TypeVar, TypeVarTuple

from feedsim.beside import alone
from feedsim.errors import Fault, FeedsimError
from feedsim.interrupts import held, leave_interrupts
from feedsim.running.threads import ONE_THREAD

Args = TypeVarTuple("Args")
Result = TypeVar("Result")

_UNGUARDED = (
    "worker processes import the program, which asks for them again; put the call below a line "
    'if __name__ == "__main__": or give jobs=1'
)
_IMPORTED_AGAIN = 87
"""Exit status of a worker that could not import the program: that asks for workers itself."""


class Processes:
    """Processes of this machine. One that dies breaks the executor, so nothing to check."""

    def __init__(self, count: int) -> None:
        self._count = count
        self._others = set(active_children())
        self._executor: ProcessPoolExecutor | None = None
        self._started: set[BaseProcess] = set()

    def submit(self, work: Callable[[*Args], Result], /, *call: *Args) -> Future[Result]:
        """Submit a call; processes start with the first ones."""
        with _one_thread_each(), _interrupts_held():
            if self._executor is not None:
                future = self._executor.submit(work, *call)
            else:
                with alone() as may:  # copies begin with the first call, others as calls come in
                    self._executor = ProcessPoolExecutor(
                        self._count,
                        mp_context=get_context("fork" if may else "spawn"),
                        initializer=_worker_begins,
                        initargs=(pickle.dumps(work),),
                    )
                    future = self._executor.submit(work, *call)
        if len(self._started) < self._count:
            self._started |= set(active_children()) - self._others
        return future

    def look(self) -> None:
        """Do nothing."""

    def end(self) -> None:
        """End the processes at once."""
        for process in set(active_children()) - self._others:
            process.terminate()

    def shutdown(self) -> None:
        """Wait for the processes to end."""
        if self._executor is not None:
            self._executor.shutdown(cancel_futures=True)

    def asked_for_workers(self) -> bool:
        """Return whether one of them has ended as it was to import a program that needs them."""
        return any(process.exitcode == _IMPORTED_AGAIN for process in self._started)


@contextmanager
def processes(count: int) -> Iterator[Processes]:
    """Yield processes for the duration of the ``with``; after an error, end those at work.

    Raises
    ------
    FeedsimError
        If they are asked for while the program is imported.
    """
    if getattr(current_process(), "_inheriting", False):  # so does multiprocessing know it
        raise SystemExit(_IMPORTED_AGAIN)
    made = Processes(count)
    try:
        yield made
    except BrokenProcessPool:
        made.end()
        made.shutdown()
        if made.asked_for_workers():
            raise FeedsimError(Fault("jobs", message=_UNGUARDED)) from None
        raise
    except BaseException:
        made.end()
        raise
    finally:
        made.shutdown()


@contextmanager
def _one_thread_each() -> Iterator[None]:
    """Make processes started inside the ``with`` use one thread for linear algebra."""
    absent = {name: value for name, value in ONE_THREAD.items() if name not in os.environ}
    os.environ.update(absent)
    try:
        yield
    finally:
        for name in absent:
            os.environ.pop(name, None)


@contextmanager
def _interrupts_held() -> Iterator[None]:
    """Delay an interrupt until the end, and keep it from processes started meanwhile.

    Otherwise it would leave them half started, or reach them before :func:`_worker_begins`.
    """
    if current_thread() is not main_thread() or signal.getsignal(signal.SIGINT) is None:
        yield  # there is nothing to hold
        return
    with held():
        blocked = _blocked()
        try:
            yield
        finally:
            if blocked is not None:
                signal.pthread_sigmask(signal.SIG_SETMASK, blocked)


def _blocked() -> set[int] | None:
    """Block interrupts in new processes too, if possible; return what was blocked before.

    A closing terminal sends SIGHUP to every process, and the resource tracker that Python starts
    would die of it with a traceback.
    """
    if not hasattr(signal, "pthread_sigmask"):
        return None
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGHUP})
    resource_tracker.ensure_running()  # its start would let an interrupt in again
    signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    return before


def _worker_begins(work: bytes) -> None:
    """Leave interrupts to the process that hands out the points, end when it does, and load.

    A worker then ends at once: taking its libraries apart would take over a third as long as
    loading them.
    """
    leave_interrupts()
    atexit.register(os._exit, 0)
    Thread(target=_end_with_parent, daemon=True).start()
    gc.disable()  # all that is loaded stays
    pickle.loads(work)  # noqa: S301 - ours
    gc.enable()


def _end_with_parent() -> None:
    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
