"""Work in a second process that begins as a copy of this one, where that is safe."""

from __future__ import annotations

import os
import pickle
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import TypeVar

from feedsim.interrupts import held, leave_interrupts

Found = TypeVar("Found")

_resting: dict[str, tuple[Callable[[], None], Callable[[], None]]] = {}
"""Our threads by name: functions that stop and restart them around a copy."""

_ours = False
_MOST_LOOKS, _LOOK_S = 1000, 1e-4


def may_copy() -> None:
    """Declare this process a command of feedsim, free of other libraries."""
    global _ours  # noqa: PLW0603 - of the process, like what it tells of
    _ours = True


def rests_for_copies(name: str, *, end: Callable[[], None], again: Callable[[], None]) -> None:
    """Register functions that stop threads of that name before a copy and restart them."""
    _resting[name] = end, again


def copies() -> bool:
    """Return whether processes start as copies of this one, with all it has loaded.

    Other systems than Linux have libraries that do not survive a copy, and a thread that runs
    during one may leave a lock in it that nobody releases.
    """
    here = threading.current_thread() is threading.main_thread()
    others = {t.name for t in threading.enumerate() if t is not threading.main_thread()}
    return _ours and sys.platform == "linux" and here and others <= _resting.keys()


@contextmanager
def alone() -> Iterator[bool]:
    """Stop our own threads for a copy; yield whether none is left, so that copying is safe."""
    if not copies():
        yield False
        return
    python, system = threading.active_count(), _threads()
    for end, _ in _resting.values():
        end()
    try:
        _wait_for(system - python + threading.active_count())
        yield copies()  # what they did last may have begun another
    finally:
        for _, again in _resting.values():
            again()


def _threads() -> int:
    """Return the number of threads of this process, as the system counts them."""
    return len(os.listdir("/proc/self/task"))


def _wait_for(threads: int) -> None:
    """Wait a moment for ended threads to leave the system."""
    for _ in range(_MOST_LOOKS):
        if _threads() <= threads:
            break
        time.sleep(_LOOK_S)


@contextmanager
def beside(work: Callable[[], Found]) -> Iterator[Callable[[], Found]]:
    """Work in a copy of this process; yield a function that waits for the result.

    If that is not safe, or the copy fails, the function does the work itself, so it returns or
    raises the same everywhere. At the end of the ``with`` the copy is gone.

    Parameters
    ----------
    work : callable
        Returns a picklable value and has no other effect: it may run twice.
    """
    ours, theirs = os.pipe()
    with held(), alone() as may:
        copy = os.fork() if may and (os.cpu_count() or 1) > 1 else None
        if copy == 0:
            os.close(ours)  # else it would wait for itself to read, once the first process is gone
            _answer(work, theirs)
    os.close(theirs)
    if copy is None:
        os.close(ours)
        yield work
        return
    ended = False

    def found() -> Found:
        nonlocal ended
        with os.fdopen(ours, "rb", closefd=False) as pipe:
            answer = pipe.read()
        _, failed = os.waitpid(copy, 0)
        ended = True
        return pickle.loads(answer) if answer and not failed else work()  # noqa: S301 - ours

    try:
        yield found
    finally:
        os.close(ours)
        if not ended:
            with suppress(ProcessLookupError, ChildProcessError):
                os.kill(copy, signal.SIGKILL)
                os.waitpid(copy, 0)


def _answer(work: Callable[[], Found], pipe: int) -> None:
    """Work, send the result, and end without clearing up what belongs to the first process."""
    global _ours
    failed, _ours = 1, False  # a copy works alone
    try:
        leave_interrupts()
        with os.fdopen(pipe, "wb") as sent:
            pickle.dump(work(), sent, protocol=pickle.HIGHEST_PROTOCOL)
        failed = 0
    finally:
        os._exit(failed)
