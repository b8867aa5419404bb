"""An eye's output over time, and what the program sees of it after filter and scan.

For figures: runs of the output come from the trace, and the program's view from those alone (model,
section 4).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from typing import NamedTuple, Protocol

from feedsim.machine import SAME_INSTANT_S, Controller, Eye, Machine
from feedsim.motion.ticks import next_tick
from feedsim.records.columns import RunRecords
from feedsim.records.outcome import Outcome
from feedsim.records.trace import Trace, TraceEvent
from feedsim.settings.levels import filters


class OnInterval(NamedTuple):
    """An interval (s) in which a level is on, and the number of the object that switched it on."""

    number: int
    from_s: float
    to_s: float


class TracedRun(Protocol):
    """A machine with the records and trace of its run."""

    @property
    def machine(self) -> Machine:
        """The machine."""

    @property
    def records(self) -> RunRecords:
        """The records of the run."""

    @property
    def trace(self) -> Trace:
        """Its events and motion."""


def carrier_eye_runs(run: TracedRun) -> list[OnInterval]:
    """Return when the carrier eye's output is on; a merged carrier holds it on longer.

    It goes off ``off_response`` after the trailing edge (model, section 4). Carriers without an
    event in the trace are left out.
    """
    leading, belt = run.records.carriers.leading_edge_mm, run.trace.belt
    length, off = run.machine.carriers.length_mm, run.machine.carrier_eye.off_response_s
    own = [event for event in run.trace.events if event.part == "carrier_eye"]

    def goes_off(carrier: int) -> float:
        return belt.time_at(float(leading[carrier]) + length) + off

    if filters(run.machine.carrier_eye):
        return _runs_of_input(own, goes_off)
    found: list[OnInterval] = []
    for event in own:
        merged = event.event == Outcome.MERGED.cause
        if merged and found:
            found[-1] = found[-1]._replace(to_s=max(goes_off(event.carrier), found[-1].to_s))
        elif merged or event.event == "switches":
            found.append(OnInterval(event.carrier, event.time_s, goes_off(event.carrier)))
    return found


def _runs_of_input(own: Sequence[TraceEvent], goes_off: Callable[[int], float]) -> list[OnInterval]:
    """Return the runs of the output of an eye with a filter, or polled, from its events."""
    began = {event.carrier: event.time_s for event in own if event.event == "output_on"}
    held = {event.carrier for event in own if event.event in {"switches", "merged", "too_short"}}
    found: list[OnInterval] = []
    for carrier in sorted(held):
        start, end = began.get(carrier), goes_off(carrier)
        if found and (start is None or start <= found[-1].from_s):
            found[-1] = found[-1]._replace(to_s=max(end, found[-1].to_s))
        else:
            found.append(OnInterval(carrier, end if start is None else start, end))
    return [level for level in found if level.from_s < level.to_s]


def program_levels(
    output: Iterable[OnInterval], eye: Eye, scan_tick: Callable[[float], float] | None
) -> list[OnInterval]:
    """Return what the program sees of a filtered or polled output; empty for others.

    Parameters
    ----------
    output : iterable of OnInterval
        Runs of the output, in order.
    scan_tick : callable
        The first scan tick at or after an instant (s); None: nothing was ever seen at one.
    """
    if not filters(eye):
        return []
    found: list[OnInterval] = []
    for number, start, end in output:
        if found and start < found[-1].to_s - SAME_INSTANT_S:
            found[-1] = found[-1]._replace(to_s=end + eye.filter_s)
        elif end - start >= eye.filter_s - SAME_INSTANT_S:
            found.append(OnInterval(number, start + eye.filter_s, end + eye.filter_s))
    if not eye.polled:
        return found
    return [] if scan_tick is None else _polled(found, scan_tick)


def _polled(levels: list[OnInterval], scan_tick: Callable[[float], float]) -> list[OnInterval]:
    found: list[OnInterval] = []
    for number, start, end in levels:
        tick = scan_tick(start)
        if found and found[-1].to_s >= start - SAME_INSTANT_S:
            found[-1] = found[-1]._replace(to_s=scan_tick(end))
        elif tick < end - SAME_INSTANT_S:
            found.append(OnInterval(number, tick, scan_tick(end)))
    return found


def scan_ticks(
    events: Iterable[TraceEvent], controller: Controller
) -> Callable[[float], float] | None:
    """Return a function that gives the first scan tick at or after an instant.

    None if the trace has no tick.
    """
    known = next((event.time_s for event in events if event.event == "known"), None)
    if known is None:
        return None
    return lambda t: next_tick(t, known, period=controller.scan_s) if math.isfinite(t) else t


def scans_of(
    scan_tick: Callable[[float], float] | None, scan_s: float, *, window: Sequence[float], most: int
) -> list[float]:
    """Return the scans in a window (s); none if there were more than ``most``, or no scans."""
    first, last = window
    if scan_tick is None or scan_s == 0.0 or (last - first) / scan_s > most:
        return []
    begin = scan_tick(first)
    return [begin + n * scan_s for n in range(math.floor((last - begin) / scan_s + 1e-6) + 1)]
