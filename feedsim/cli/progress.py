"""A progress bar on standard error, for runs that take more than a second."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

__all__ = ["progress_bar"]

_PATIENCE_S = 1.0


@contextmanager
def progress_bar(what: str, total: int) -> Iterator[Callable[[int], None] | None]:
    """Give a function to tell progress to; ``None`` where nobody would see it.

    The bar appears after a second, and not at all when standard error is no terminal.
    """
    if not sys.stderr.isatty():
        yield None
        return
    started = time.monotonic()
    bar: Any = None
    task: Any = None

    def tell(done: int) -> None:
        nonlocal bar, task
        if bar is None:
            if time.monotonic() - started < _PATIENCE_S:
                return
            bar, task = _start(what, total)
        bar.update(task, completed=done)

    try:
        yield tell
    finally:
        if bar is not None:
            bar.update(task, completed=total)
            bar.stop()


def _start(what: str, total: int) -> tuple[Any, Any]:
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        Progress,
        TextColumn,
        TimeRemainingColumn,
    )

    bar = Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(),
        console=Console(stderr=True),
        transient=True,
    )
    bar.start()
    return bar, bar.add_task(what, total=total)
