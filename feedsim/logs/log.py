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
    """An eye's output or a clutch: when it came on and went off.

    An edge lies within ``on_s`` ± ``on_within_s``, and likewise ``off_s``.

    Attributes
    ----------
    on_s, on_within_s : float64, shape (n,)
        Seconds on the log's axis.
    on_row : int64, shape (n,)
        Row of the file that first shows the edge.
    off_s, off_within_s, off_row
        The same for going off, shape (m,).
    starts_on : tuple of bool
        Whether it is on as each stretch of the log begins. Edges between stretches are not listed.
    column : str
        Its name in the file.
    """

    on_s: Floats
    on_within_s: Floats
    on_row: Ints
    off_s: Floats
    off_within_s: Floats
    off_row: Ints
    starts_on: tuple[bool, ...]
    column: str = ""


@dataclass(frozen=True, slots=True)
class SampledSignal:
    """Encoder, command or actual feed, sample by sample.

    Attributes
    ----------
    time_s, value : float64, shape (n,)
        ``value`` in whole counts, mm or mm/s, as ``quantity`` says.
    row : int64, shape (n,)
        Row of the file.
    step : float
        Step in which values are written, in the same unit; 1 for counts, 0 if there is none.
    column : str
        Its name in the file.
    """

    time_s: Floats
    value: Floats
    row: Ints
    quantity: Unit
    step: float
    column: str = ""

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

    Attributes
    ----------
    file : str
        Its path.
    period_s : float
        Time from one sample to the next; for events the grid of their times, NaN if there is none.
    step_s : float
        Step in which times are written.
    begins_s, ends_s : tuple of float
        Its stretches: between one and the next nothing was logged.
    clock : LogClock
        How the log itself writes a time.
    encoder : SampledSignal or None
        Unwrapped and rising, in counts, or in mm of counted travel.
    feeders : tuple of LoggedFeeder
        One for each feeder of the scenario.
    remarks : tuple of Remark
        Repairs, and what the log does not show.
    others : tuple of str
        Columns, or signals, that were not read.
    """

    file: str
    shape: Shape
    period_s: float
    step_s: float
    begins_s: tuple[float, ...]
    ends_s: tuple[float, ...]
    clock: LogClock
    carrier_eye: OnOffSignal | None
    encoder: SampledSignal | None
    feeders: tuple[LoggedFeeder, ...]
    remarks: tuple[Remark, ...] = ()
    others: tuple[str, ...] = ()
