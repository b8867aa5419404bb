"""What a command is doing, on standard error, where that takes more than a moment.

On a terminal a bar, after a second; elsewhere a line each half minute. Both come from a thread of
their own, so that whatever takes long need not know of it.
"""

from __future__ import annotations

import os
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING, Any, TextIO

from feedsim.beside import SAFE_THREADS

if TYPE_CHECKING:
    from rich.progress import Progress

_PATIENCE_S = 1.0
_LINE_EVERY_S = 30.0
_NAME = "progress"

_telling_now = threading.Lock()
if hasattr(os, "register_at_fork"):  # no copy of this process begins in the middle of a line
    os.register_at_fork(
        before=_telling_now.acquire,
        after_in_parent=_telling_now.release,
        after_in_child=_telling_now.release,
    )
    SAFE_THREADS.add(_NAME)


@contextmanager
def doing(what: str) -> Iterator[Callable[[str], None]]:
    """Show what is being done while it lasts, without how far it is.

    What it gives can be told in words what of it is being done.

    Parameters
    ----------
    what : str
        Such as "working out the limits".
    """
    with _telling(what, None) as teller:
        yield teller.say


@contextmanager
def progress_bar(what: str, total: int) -> Iterator[Callable[[int], None] | None]:
    """Give a function to tell progress to.

    Parameters
    ----------
    what : str
        What is counted, such as "carriers".
    """
    with _telling(what, total) as teller:
        yield teller.tell


@contextmanager
def _telling(what: str, total: int | None) -> Iterator[_Teller]:
    teller = _Teller(what, total, sys.stderr)
    teller.start()
    try:
        yield teller
    finally:
        teller.stop()


class _Teller(threading.Thread):
    """Shows progress until it is stopped."""

    def __init__(self, what: str, total: int | None, where: TextIO) -> None:
        super().__init__(daemon=True, name=_NAME)
        self._what, self._total, self._where = what, total, where
        self._said, self._done = what, 0
        self._over = threading.Event()
        self._started_s = time.monotonic()
        self._bar: tuple[Progress, Any] | None = None

    def tell(self, done: int) -> None:
        """Note how much is done."""
        self._done = done
        if self._bar is not None:
            self._bar[0].update(self._bar[1], completed=done)

    def say(self, part: str) -> None:
        """Note what of it is being done."""
        self._said = f"{self._what}: {part}"
        if self._bar is not None:
            self._bar[0].update(self._bar[1], description=self._said)

    def run(self) -> None:
        """Wait, and show what is still going on."""
        with suppress(OSError, ValueError):  # nobody reads it: that is no reason to end
            if self._where.isatty():
                if not self._over.wait(_PATIENCE_S):
                    with _telling_now:
                        self._bar = _start(self._said, self._total, self._done)
                return
            while not self._over.wait(_LINE_EVERY_S):
                with _telling_now:
                    self._where.write(f"{self._words()}\n")
                    self._where.flush()

    def stop(self) -> None:
        """Stop."""
        self._over.set()
        self.join()
        if self._bar is not None:
            self._bar[0].stop()

    def _words(self) -> str:
        took_s = time.monotonic() - self._started_s
        so_far = f"{took_s:.0f} s so far"
        if self._total is None:
            return f"{self._said}: {so_far}"
        words = f"{self._what}: {self._done:,} of {self._total:,}, {so_far}"
        if took_s < 1.0 or not 0 < self._done < self._total:
            return words
        return f"{words}, about {took_s * (self._total - self._done) / self._done:.0f} s left"


def _start(what: str, total: int | None, done: int) -> tuple[Progress, Any]:
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
        redirect_stdout=False,
        redirect_stderr=False,
    )
    bar.start()
    return bar, bar.add_task(what, total=total, completed=done)
