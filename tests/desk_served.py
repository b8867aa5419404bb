"""A desk that listens on this machine, served by a thread of the tests."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from feedsim.desk.lines import opened
from feedsim.desk.server import Listening, listening

__all__ = ["PATIENCE_S", "served_desk"]

PATIENCE_S = 600.0


@contextmanager
def served_desk(path: Path) -> Iterator[Listening]:
    """Serve a scenario until the block is left."""
    there = listening([opened(path)], port=0)
    thread = threading.Thread(target=there.server.run, kwargs={"sockets": [there.socket]})
    thread.start()
    try:
        yield there
    finally:
        there.server.should_exit = True
        thread.join(PATIENCE_S)
        there.socket.close()
