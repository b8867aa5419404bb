"""Progress of a command on standard error, if it takes more than a moment.

On a terminal a bar, after a second; elsewhere a line each half minute. Both come from a thread of
their own, so that whatever takes long need not know of it.
"""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING, NamedTuple, TextIO

from feedsim.beside import rests_for_copies

if TYPE_CHECKING:
    from rich.progress import Progress, TaskID

_PATIENCE_S = 1.0
_LINE_EVERY_S = 30.0
_BAR_EVERY_S = 0.1
_NAME = "progress"

_tellers: list[_Teller] = []


def _end() -> None:
    for teller in _tellers:
        teller.rest()


def _again() -> None:
    for teller in _tellers:
        teller.start()


rests_for_copies(_NAME, end=_end, again=_again)


@contextmanager
def doing(what: str) -> Iterator[Callable[[str], None]]:
    """Show what is being done ("working out the limits"), without how far it has got.

    It yields a function that takes the present step in words.
    """
    with _telling(what, None) as teller:
        yield teller.say


@contextmanager
def progress_bar(what: str, total: int) -> Iterator[Callable[[int], None] | None]:
    """Yield a function that takes how many are done of what is counted, such as "carriers"."""
    with _telling(what, total) as teller:
        yield teller.tell


@contextmanager
def _telling(what: str, total: int | None) -> Iterator[_Teller]:
    teller = _Teller(what, total, sys.stderr)
    teller.start()
    _tellers.append(teller)
    try:
        yield teller
    finally:
        _tellers.remove(teller)
        teller.stop()


class _Teller:
    """Shows progress until it is stopped."""

    def __init__(self, what: str, total: int | None, where: TextIO) -> None:
        self._what, self._total, self._where = what, total, where
        self._said, self._done = what, 0
        self._thread: threading.Thread | None = None
        self._over = threading.Event()
        self._started_s = time.monotonic()
        self._bar: _Bar | None = None
        self._next_s = self._started_s + _LINE_EVERY_S

    def start(self) -> None:
        """Begin, or go on after a rest."""
        self._over.clear()
        self._thread = threading.Thread(target=self._run, name=_NAME, daemon=True)
        self._thread.start()

    def rest(self) -> None:
        """End the thread, as if it had never been; a bar stands still meanwhile."""
        self._over.set()
        if self._thread is not None:
            self._thread.join()

    def tell(self, done: int) -> None:
        """Set how much is done."""
        self._done = done
        if self._bar is not None:
            self._bar.shown.update(self._bar.task, completed=done)

    def say(self, part: str) -> None:
        """Set the present step."""
        self._said = f"{self._what}: {part}"
        if self._bar is not None:
            self._bar.shown.update(self._bar.task, description=self._said)

    def _run(self) -> None:
        """Show progress at intervals until stopped."""
        with suppress(OSError, ValueError):  # nobody reads it: that is no reason to end
            if self._where.isatty():
                self._show_bar()
                return
            while not self._over_by(self._next_s):
                self._where.write(f"{self._words()}\n")
                self._where.flush()
                self._next_s = time.monotonic() + _LINE_EVERY_S

    def _show_bar(self) -> None:
        if self._bar is None:
            if self._over_by(self._started_s + _PATIENCE_S):
                return
            self._bar = _start(self._said, self._total, self._done)
        while not self._over.wait(_BAR_EVERY_S):
            self._bar.shown.refresh()

    def _over_by(self, time_s: float) -> bool:
        return self._over.wait(max(0.0, time_s - time.monotonic()))

    def stop(self) -> None:
        """Stop."""
        self.rest()
        if self._bar is not None:
            self._bar.shown.stop()

    def _words(self) -> str:
        took_s = time.monotonic() - self._started_s
        so_far = f"{took_s:.0f} s so far"
        if self._total is None:
            return f"{self._said}: {so_far}"
        words = f"{self._what}: {self._done:,} of {self._total:,}, {so_far}"
        if took_s < 1.0 or not 0 < self._done < self._total:
            return words
        return f"{words}, about {took_s * (self._total - self._done) / self._done:.0f} s left"


class _Bar(NamedTuple):
    shown: Progress
    task: TaskID


def _start(what: str, total: int | None, done: int) -> _Bar:
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        Progress,
        TextColumn,
        TimeElapsedColumn,
        TimeRemainingColumn,
    )

    counted = (MofNCompleteColumn(), TimeRemainingColumn())
    bar = Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        *(counted if total is not None else (TimeElapsedColumn(),)),
        console=Console(stderr=True),
        transient=True,
        auto_refresh=False,  # by the thread here, which rests for copies
        redirect_stdout=False,
        redirect_stderr=False,
    )
    bar.start()
    return _Bar(bar, bar.add_task(what, total=total, completed=done))
