"""A log from its CSV file: read strictly, with a remark on each repair."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from feedsim.arrays import Floats, Ints
from feedsim.errors import Fault, FeedsimError, argument
from feedsim.logs.cells import Cells, EventCells, read_events, read_samples
from feedsim.logs.clock import LogClock
from feedsim.logs.jitter import read_seldom, with_jitter
from feedsim.logs.levels import Noted, level_of, rising, values_of
from feedsim.logs.log import Log, LoggedFeeder, OnOffSignal, Remark, SampledSignal
from feedsim.logs.names import ASKED, Head, Part, Signal, head_of
from feedsim.logs.times import RowTimes, Where, event_axis, sample_axis
from feedsim.scenario.table_file import Table, read_table

_LARGEST = 500_000_000  # bytes
_RATE = re.compile(
    r"^[ \t]*#.*?\brate[ \t]*[:=]?[ \t]*(\d+(?:\.\d+)?)[ \t]*(k|M)?Hz", re.MULTILINE | re.IGNORECASE
)


def read_log(path: str | Path, *, feeders: Sequence[str], rate_hz: float | None = None) -> Log:
    """Read a log of samples or events, CSV of at most 500 MB: see the guide's page ``logs``.

    ``feeders``: the names of the scenario's; ``rate_hz``: sampling rate, if the log has sample
    numbers but does not state it. Raises FeedsimError if it cannot be read, or with its faults by
    row and column.
    """
    table = read_table(path, largest=_LARGEST, what="log")
    head = head_of(table.head, feeders, file=table.file, row=table.head_row)
    said = _RATE.search(table.text[:4096])
    if rate_hz is None and said:
        scale = {"": 1.0, "k": 1e3, "m": 1e6}[(said[2] or "").lower()]
        rate_hz = float(said[1]) * scale
    reading = _Reading(table, head, rate_hz)
    return reading.events(feeders) if head.shape == "events" else reading.samples(len(feeders))


@dataclass(slots=True)
class _Reading:
    table: Table
    head: Head
    rate_hz: float | None
    remarks: list[Remark] = field(default_factory=list)
    file: str = ""

    def __post_init__(self) -> None:
        self.file = self.table.file

    def _where(self) -> Where:
        time = self.head.time
        return Where(self.file, time.name, time.kind == "of_day")

    def _seconds(self, times: Floats, rows: Ints) -> Floats:
        """Return times of sample numbers."""
        if self.head.time.kind != "sample":
            return times
        if self.rate_hz is None:
            message = (
                "needs the sampling rate: a line such as # rate: 10 kHz before the head, or "
                f"{argument('rate_hz')}"
            )
            raise FeedsimError(Fault(f"{self.file}, {self.head.time.name}", message=message))
        odd = np.flatnonzero(times != np.rint(times))
        if len(odd):
            message = f"found {times[odd[0]]:g}; a sample number is whole"
            raise self._where().fault(int(rows[odd[0]]), message)
        return times / self.rate_hz

    def _rows(self, rows: Ints) -> None:
        if len(rows) < 3:
            rows_of = "1 row" if len(rows) == 1 else f"{len(rows)} rows"
            message = f"has {rows_of} below its head; that is no log"
            raise FeedsimError(Fault(self.file, message=message))

    def samples(self, feeders: int) -> Log:
        """Read a log of samples."""
        cells = read_samples(self.table, self.head)
        self._rows(cells.rows)
        self.remarks += cells.remarks
        time_s = self._seconds(cells.columns[0], cells.rows)
        columns = zip(self.head.signals, cells.columns[1:], strict=True)
        encoder = next(((s.name, c) for (_, s), c in columns if s.quantity == "count"), None)
        axis = sample_axis(
            time_s, cells.rows, rate_hz=self.rate_hz, where=self._where(), encoder=encoder
        )
        kept = axis.kept
        time_s, rows = axis.time_s[kept], cells.rows[kept]
        stretch = axis.stretches()
        since = np.concatenate(([time_s[0]], time_s[:-1])) - 0.5 * axis.step_s
        noted = [
            Noted(
                signal,
                self.file,
                signal.name,
                time_s,
                column[kept],
                rows,
                stretch,
                since,
                0.5 * axis.step_s,
            )
            for (_, signal), column in zip(self.head.signals, cells.columns[1:], strict=True)
        ]
        return self._log(noted, axis, cells, time_s, feeders=feeders, others=self.head.others)

    def events(self, names: Sequence[str]) -> Log:
        """Read a log of events."""
        cells = read_events(self.table, self.head, names)
        if not cells.signals:
            has = ", ".join(cells.others[:6]) or "none"
            message = f"no signal in it is known ({ASKED}); it has {has}"
            raise FeedsimError(Fault(self.file, message=message))
        self._rows(cells.rows)
        self.remarks += cells.remarks
        time_s = self._seconds(cells.times, cells.rows)
        encoders = [n for n, signal in enumerate(cells.signals) if signal.part == "encoder"]
        its = np.isin(cells.which, encoders[:1])
        axis = event_axis(time_s, cells.rows, encoder=(its, cells.values[its]), where=self._where())
        stretch = axis.stretches()
        on_grid = not math.isnan(axis.period_s)
        early = axis.period_s if on_grid else 0.5 * axis.step_s
        late = 0.5 * axis.period_s if on_grid else 0.5 * axis.step_s
        noted = []
        for number, signal in enumerate(cells.signals):
            mine = cells.which == number
            time_s = axis.time_s[mine]
            noted.append(
                Noted(
                    signal,
                    self.file,
                    "value",
                    time_s,
                    cells.values[mine],
                    cells.rows[mine],
                    stretch[mine],
                    time_s - early,
                    late,
                )
            )
        others = (*self.head.others, *cells.others)
        return self._log(noted, axis, cells, axis.time_s, feeders=len(names), others=others)

    def _log(
        self,
        noted: list[Noted],
        axis: RowTimes,
        cells: Cells | EventCells,
        time_s: Floats,
        *,
        feeders: int,
        others: tuple[str, ...],
    ) -> Log:
        self.remarks += axis.remarks
        ends = [*(begin - 1 for begin in axis.begins[1:]), len(time_s) - 1]
        found: dict[tuple[Part, int], OnOffSignal | SampledSignal] = {}
        by_name = {one.signal.name: one.value for one in noted}
        for one in noted:
            found.update(self._one(one, found, len(axis.begins), by_name))

        def level(part: Part, feeder: int = -1) -> OnOffSignal | None:
            it = found.get((part, feeder))
            return it if isinstance(it, OnOffSignal) else None

        def values(part: Part, feeder: int = -1) -> SampledSignal | None:
            it = found.get((part, feeder))
            return it if isinstance(it, SampledSignal) else None

        log = Log(
            file=self.file,
            shape=self.head.shape,
            period_s=axis.period_s,
            step_s=axis.step_s,
            begins_s=tuple(float(time_s[i]) for i in axis.begins),
            ends_s=tuple(float(time_s[i]) for i in ends),
            clock=LogClock(self.head.time.kind == "of_day", cells.first_day),
            carrier_eye=level("carrier_eye"),
            encoder=values("encoder"),
            feeders=tuple(
                LoggedFeeder(
                    level("eye", n), level("clutch", n), values("command", n), values("actual", n)
                )
                for n in range(feeders)
            ),
            remarks=tuple(self.remarks),
            others=others,
        )
        return with_jitter(log)

    def _one(
        self,
        one: Noted,
        found: dict[tuple[Part, int], OnOffSignal | SampledSignal],
        stretches: int,
        by_name: dict[str, Floats],
    ) -> dict[tuple[Part, int], OnOffSignal | SampledSignal]:
        """Return the signal; travel takes precedence over speed."""
        signal: Signal = one.signal
        key = (signal.part, signal.feeder)
        if signal.quantity is None:
            others = {name: v for name, v in by_name.items() if name != signal.name}
            return {key: level_of(one, stretches=stretches, told=self.remarks, others=others)}
        values = values_of(one, told=self.remarks)
        if signal.part == "encoder":
            values = rising(values, signal, told=self.remarks, at=self.file)
            values, seldom = read_seldom(values, signal.name)
            self.remarks += [] if seldom is None else [seldom]
        if key in found and values.quantity == "mm_s":
            return {}
        return {key: values}
