"""Requests to end a command, Ctrl-C above all, and sections that they must not interrupt."""

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
    """A command was interrupted and has cleaned up; the text says what is written and kept."""


def as_interrupts() -> None:
    """Have SIGTERM and SIGHUP interrupt as Ctrl-C does.

    Signals that the caller ignores, as ``nohup`` does, stay ignored.
    """
    for number in _ASKING:
        if signal.getsignal(number) is signal.SIG_DFL:
            signal.signal(number, signal.default_int_handler)


def leave_interrupts() -> None:
    """Leave interrupts to another process, and end at once when it asks for that."""
    for number in _ASKING:
        signal.signal(number, signal.SIG_IGN if number == signal.SIGINT else signal.SIG_DFL)


def leaving_at_once(leave: Callable[[], None]) -> None:
    """From now on call `leave` at a request to end: nothing is left to clean up.

    Python drops its handlers as it ends, and a signal would then change the exit status, so the
    last moments ignore signals.
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
    """Delay requests to end until the ``with`` is over, so that they do not interrupt it.

    For short sections. No effect outside the main thread, which alone handles signals.
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
