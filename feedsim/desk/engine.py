"""Libraries and the compiled engine, loaded as the desk starts so that no answer waits for them."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence

from feedsim.errors import FeedsimError


class Engine:
    """Whether the compiled engine is ready; until then lines run on the event engine."""

    def __init__(self) -> None:
        self._ready = threading.Event()

    @property
    def state(self) -> str:
        """Return ``"compiling"`` while it is compiled or loaded, then ``"ready"``."""
        return "ready" if self._ready.is_set() else "compiling"

    def warm(self, first: Sequence[Callable[[], object]]) -> None:
        """Start to load it, or compile it the first time, in a thread of its own.

        ``first``: answers to work out once, as they import what they need on first use.
        """
        threading.Thread(target=self._warm, args=(first,), name="desk engine", daemon=True).start()

    def _warm(self, first: Sequence[Callable[[], object]]) -> None:
        from feedsim.compiled.cache import compiled_driver
        from feedsim.running.engines import expect_many, takes_events

        try:
            _find(first)
            if not takes_events():
                compiled_driver()
                expect_many()
                _find(first)
        finally:
            self._ready.set()


def _find(answers: Sequence[Callable[[], object]]) -> None:
    for answer in answers:
        try:
            answer()
        except FeedsimError:
            return  # of a scenario with a fault, which the page will show
