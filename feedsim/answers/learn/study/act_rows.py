"""Acts of a logged machine compared with its settings: the rows and their summary."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, fields
from enum import IntEnum
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from feedsim.arrays import Bools, Floats, Ints
from feedsim.metrics.plain import LEFT_OUT, MAY_BE_OPEN

Pattern = Literal[
    "late_by_ticks",
    "count_scale",
    "lead_sign",
    "offset",
    "drift",
    "sporadic",
    "marks_lost",
    "marks_twice",
    "order_swapped",
    "no_mark",
    "not_asked",
]
Side = Literal["closings", "openings"]


class ActVerdict(IntEnum):
    """An act judged by the settings."""

    AS_ASKED = 0
    EARLY = 1
    LATE = 2
    TWICE = 3  # again for a carrier that has its insert
    SWAPPED = 4  # for a carrier whose follower was served first
    NO_MARK = 5  # no edge caused it
    NOT_ASKED = 6  # these settings would have let the carrier go by
    NOT_JUDGED = 7


@dataclass(frozen=True, slots=True)
class Act:
    """One closing or opening, times on the log's axis (s); its fields as in :class:`ActRows`."""

    time_s: float
    row: int
    edge_s: float
    expected_s: float
    late_low_s: float
    late_high_s: float
    counts_per_s: float
    speed_mm_s: float
    travel_mm: float
    verdict: ActVerdict
    cycle: int
    exact: bool = True


@dataclass(frozen=True, slots=True)
class ActRows:
    """The closings, or the openings, of one feeder: columns of shape (n,).

    ``time_s``: when it was logged (the middle of the interval), in which ``row``.
    ``edge_s``: the edge that caused it, and ``expected_s`` the middle of its window by these
        settings; NaN for none.
    ``late_low_s``, ``late_high_s``: lateness (below 0: early), an interval that contains 0 if the
        act is as asked.
    ``counts_per_s``, ``speed_mm_s``, of the belt then: counts, or mm on a virtual master; counted
        mm/s.
    ``travel_mm``: counted belt travel from the edge to the act.
    ``verdict``: :class:`ActVerdict`.
    ``cycle``: number of the feed cycle it belongs to, in the order of the log.
    ``exact``: its instant follows from the edge alone: no mark was late, and it waited for no
        feeder.
    """

    time_s: Floats
    row: Ints
    edge_s: Floats
    expected_s: Floats
    late_low_s: Floats
    late_high_s: Floats
    counts_per_s: Floats
    speed_mm_s: Floats
    travel_mm: Floats
    verdict: NDArray[np.int8]
    cycle: Ints
    exact: Bools

    @property
    def judged(self) -> Bools:
        """Which acts were judged."""
        told: Bools = self.verdict != ActVerdict.NOT_JUDGED
        return told


@dataclass(frozen=True, slots=True)
class LostMarks:
    """Marks that these settings would have acted on, and the machine did not; shape (n,)."""

    time_s: Floats
    row: Ints
    expected_s: Floats


@dataclass(frozen=True, slots=True)
class FeederActs:
    """What one feeder did.

    ``marks``: number of carrier eye's edges that were judged.
    """

    closings: ActRows
    openings: ActRows
    lost: LostMarks
    marks: int

    @property
    def sides(self) -> dict[Side, ActRows]:
        """The acts of either side."""
        return {"closings": self.closings, "openings": self.openings}


class ActShift(NamedTuple):
    """Common lateness (s) of one side's acts in one log, at a belt speed."""

    side: Side
    low_s: float
    high_s: float
    speed_mm_s: float


class Preceding(NamedTuple):
    """What preceded how many of the odd acts, and what share of all acts."""

    after: str
    odd: int
    share: float


@dataclass(frozen=True, slots=True)
class ProgramFault:
    """A way in which the program departs from its settings.

    ``pattern``: what it is most like, of ``acts``.
    ``count``, ``judged``: faulty and judged acts, or marks.
    ``late_s``, ``late_counts``: lateness; NaN where it has no size; counts are mm on a virtual
        master.
    ``ticks``: whole ticks of ``late_by_ticks``; else 0.
    ``ratio``: of ``count_scale``, travel run over travel asked for, and ``drift_s_per_hour``: of
        ``drift``; NaN elsewhere.
    ``first_s``, ``first_row``, ``first_at``: the first such act; its time as the log writes it.

    ``after``: what preceded nearly all of them, such as "a double"; "" for nothing in common.
    ``after_count``: how many it preceded, of ``known`` whose predecessors the log shows.
    ``came``: everything that preceded any of them.
    ``or_else``: patterns that would look the same in all logs together.
    ``here_alone``: another log at this speed does not have it.
    ``fits_cycle_s``: with a motion cycle this long, or a little longer, these acts are in time; NaN
        if there is none, or if the log shows the program's own.
    ``acts``: which acts.
    ``drift_s_per_hour``: of ``drift``; NaN elsewhere.
    """

    pattern: Pattern
    feeder: int
    acts: Literal["closings", "openings", "all"]
    count: int
    judged: int
    first_s: float
    first_row: int
    first_at: str = ""
    late_s: float = field(default=math.nan, metadata=MAY_BE_OPEN)
    late_counts: float = field(default=math.nan, metadata=MAY_BE_OPEN)
    ticks: int = 0
    ratio: float = field(default=math.nan, metadata=MAY_BE_OPEN)
    drift_s_per_hour: float = field(default=math.nan, metadata=MAY_BE_OPEN)
    after: str = ""
    after_count: int = 0
    known: int = field(default=0, metadata=LEFT_OUT)
    came: tuple[Preceding, ...] = field(default=(), metadata=LEFT_OUT)
    or_else: tuple[str, ...] = ()
    here_alone: bool = False
    fits_cycle_s: float = field(default=math.nan, metadata=MAY_BE_OPEN)


@dataclass(frozen=True, slots=True)
class ComparedActs:
    """The acts of all feeders.

    ``not_judged``: why some, or all, could not be judged, a sentence each. ``shifts``: the common
    shift of each side's acts, feeder by feeder.
    """

    feeders: tuple[FeederActs, ...]
    faults: tuple[ProgramFault, ...]
    not_judged: tuple[str, ...] = ()
    shifts: tuple[tuple[ActShift, ...], ...] = ()


def act_rows(acts: list[Act]) -> ActRows:
    """Turn acts into columns."""
    kinds = {"row": np.int64, "verdict": np.int8, "cycle": np.int64, "exact": np.bool_}
    columns: dict[str, NDArray[Any]] = {
        f.name: np.array([getattr(act, f.name) for act in acts], kinds.get(f.name, np.float64))
        for f in fields(ActRows)
    }
    return ActRows(**columns)


def lost_marks(marks: list[tuple[float, int, float]]) -> LostMarks:
    """Turn lost marks (time, row, expected) into columns."""
    columns = list(zip(*marks, strict=True)) or [(), (), ()]
    return LostMarks(
        np.array(columns[0], dtype=np.float64),
        np.array(columns[1], dtype=np.int64),
        np.array(columns[2], dtype=np.float64),
    )
