"""The same workers for several rounds of calls."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

from feedsim.studies.executor import Where, completed

__all__ = ["crew"]


@contextmanager
def crew(
    work: Callable[..., Any], *, where: Where, on_lost: Callable[[str], None]
) -> Iterator[Callable[[Sequence[tuple[Any, ...]]], list[Any]]]:
    """Give what makes a round of calls and returns their results in order."""

    def run(calls: Sequence[tuple[Any, ...]]) -> list[Any]:
        results = dict(completed(work, calls, where=where, on_lost=on_lost))
        return [results[place] for place in range(len(calls))]

    yield run
