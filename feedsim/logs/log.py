"""A log as the rest of the program sees it: edges, values, stretches, repairs."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from feedsim.arrays import Bools, Floats, Ints
from feedsim.logs.clock import LogClock

Unit = Literal["count", "mm", "mm_s"]
Shape = Literal["events", "samples"]


@dataclass(frozen=True, slots=True)
class Remark:
    """A sentence about a repair or a gap of a log, with its row (0: none) and column."""

    text: str
    row: int = 0


@dataclass(frozen=True, slots=True)
class OnOffSignal:
    """An eye's output or a clutch: when it came on (n times) and went off (m times).

    Seconds are on the log's axis. An edge lies within ``on_s`` ± ``on_within_s``, and likewise
    ``off_s``; rows are those of the file that first show it. Edges between stretches of the log are
    not listed.
    """

    on_s: Floats
    on_within_s: Floats
    on_row: Ints
    off_s: Floats
    off_within_s: Floats
    off_row: Ints
    starts_on: tuple[bool, ...]  # as each stretch begins
    column: str = ""  # its name in the file


@dataclass(frozen=True, slots=True)
class SampledSignal:
    """Encoder, command or actual feed, sample by sample: arrays of shape (n,)."""

    time_s: Floats
    value: Floats  # in whole counts, mm or mm/s, as ``quantity`` says
    row: Ints  # of the file
    quantity: Unit
    step: float  # in which values are written, in the same unit; 1 for counts, 0 if there is none
    column: str = ""  # its name in the file

    def where(self, kept: Bools) -> SampledSignal:
        """Return some of the samples."""
        return replace(self, time_s=self.time_s[kept], value=self.value[kept], row=self.row[kept])


@dataclass(frozen=True, slots=True)
class LoggedFeeder:
    """What is logged of one feeder; None: no such signal."""

    eye: OnOffSignal | None = None
    clutch: OnOffSignal | None = None
    command: SampledSignal | None = None
    actual: SampledSignal | None = None


@dataclass(frozen=True, slots=True)
class Log:
    """A log that was read.

    ``period_s``: from one sample to the next; for events the grid of their times, NaN if there is
    none. ``begins_s``, ``ends_s``: its stretches, between which nothing was logged. ``remarks``:
    repairs, and what the log does not show.
    """

    file: str  # its path
    shape: Shape
    period_s: float
    step_s: float  # in which times are written
    begins_s: tuple[float, ...]
    ends_s: tuple[float, ...]
    clock: LogClock  # how the log itself writes a time
    carrier_eye: OnOffSignal | None
    encoder: SampledSignal | None  # unwrapped and rising, in counts or mm of counted travel
    feeders: tuple[LoggedFeeder, ...]  # one for each feeder of the scenario
    remarks: tuple[Remark, ...] = ()
    others: tuple[str, ...] = ()  # columns, or signals, that were not read
