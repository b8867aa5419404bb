"""Requests to end a command, Ctrl-C first of all, and stretches that they do not break."""

from __future__ import annotations

import atexit
import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from threading import current_thread, main_thread

_ASKING = tuple(
    signal.Signals[name] for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)
)


class InterruptedWork(Exception):  # noqa: N818 - nothing is wrong
    """A command was asked to end, and has cleared up; its text says what is written and kept."""


def as_interrupts() -> None:
    """Have SIGTERM and SIGHUP interrupt as Ctrl-C does.

    What the caller has set to be ignored, as ``nohup`` does, stays ignored.
    """
    for number in _ASKING:
        if signal.getsignal(number) is signal.SIG_DFL:
            signal.signal(number, signal.default_int_handler)


def leave_interrupts() -> None:
    """Leave interrupts to another process, and end at once when it asks for that."""
    for number in _ASKING:
        signal.signal(number, signal.SIG_IGN if number == signal.SIGINT else signal.SIG_DFL)


def leaving_at_once(leave: Callable[[], None]) -> None:
    """From now on call `leave` at a request to end: nothing is left to clear up.

    As Python ends it forgets its handlers, and a signal would end the process with a status of its
    own: the last moments are deaf.
    """
    for number in _ASKING:
        if callable(signal.getsignal(number)):
            signal.signal(number, lambda *_: leave())
    atexit.register(_deaf)


def _deaf() -> None:
    for number in _ASKING:
        signal.signal(number, signal.SIG_IGN)


@contextmanager
def held() -> Iterator[None]:
    """Meet what asks to end at the end of the ``with``: what is inside is not broken.

    For what is short. Outside the main thread, which alone meets signals, nothing changes.
    """
    met: list[int] = []
    before = {}
    try:
        if current_thread() is main_thread():
            for number in _ASKING:
                handler = signal.getsignal(number)
                if callable(handler):
                    before[number] = handler
                    signal.signal(number, lambda number, _: met.append(number))
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
        if met:
            signal.raise_signal(met[0])
