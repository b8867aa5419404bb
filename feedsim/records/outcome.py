"""The outcome of a carrier at a feeder."""

from __future__ import annotations

from enum import IntEnum


class Outcome(IntEnum):
    """Outcome of a carrier at a feeder (model, section 11)."""

    PLACED = 0
    NOT_STAGED = 1
    LATE_MARK = 2
    MARK_MEMORY_FULL = 3
    NOT_SEEN = 4
    MERGED = 5
    NO_INSERT = 6
    LINE_STOP = 7

    @property
    def cause(self) -> str:
        """The name used in results and tables, such as ``"late_mark"``."""
        return self.name.lower()
