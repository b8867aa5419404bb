"""A log of a simulated run, as a recorder on the machine would have written it.

The recorder samples all signals at a fixed rate, its phase to the ticks drawn from the seed. It
writes times to the microsecond, whole counts, and feed travel in hundredths of a millimetre. A log
of events has a signal at the sample that first shows a change: levels always, values when a level
has changed and once a millisecond.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from feedsim.arrays import Floats, Places
from feedsim.draws.line_draws import Draws
from feedsim.draws.streams import stream
from feedsim.errors import Fault, FeedsimError, argument
from feedsim.machine import Machine
from feedsim.motion.feed_curve import FeedCurve
from feedsim.motion.master import Master
from feedsim.records.columns import RunRecords
from feedsim.records.trace import Trace
from feedsim.running.replay.eyes import OnInterval, carrier_eye_runs
from feedsim.running.replay.feed import FeedTravel
from feedsim.running.replay.inserts import insert_eye_runs, inserts_of

Columns = dict[str, NDArray[np.generic]]

MOST_LOOKS = 20_000_000
"""Most samples of a recorder in one log."""

_AFTER_THE_END_S = 0.05
_VALUES_EVERY_S = 1e-3
_TRAVEL_DIGITS, _TIME_DIGITS, _VIRTUAL_DIGITS = 2, 6, 3


@dataclass(frozen=True, slots=True)
class LoggedRun:
    """A run with all its events, and its draws."""

    machine: Machine
    records: RunRecords
    trace: Trace
    draws: Draws


class Recorder:
    """Samples the signals of a run at a rate.

    ``seed``: of its phase, and of dropped samples; ``dropped``: share of samples that are not
    written, in a log of events of values only. ``looks``: number of samples, dropped ones included.
    Raises FeedsimError if there are more than a log can hold.
    """

    def __init__(self, run: LoggedRun, *, rate_hz: float, seed: int, dropped: float = 0.0) -> None:
        self._seed, self._dropped, self.period_s = seed, dropped, 1.0 / rate_hz
        machine, trace = run.machine, run.trace
        last = max((e.time_s for e in trace.events if e.time_s < math.inf), default=0.0)
        self._phase_s = float(stream(seed, "log.phase").random()) * self.period_s
        self.looks = int((last + _AFTER_THE_END_S - self._phase_s) / self.period_s) + 1
        if self.looks > MOST_LOOKS:
            found = f"{rate_hz:g} Hz over {last:.0f} s"
            allowed = f"at most {MOST_LOOKS:,} rows: a lower rate, or fewer carriers"
            raise FeedsimError(Fault(argument("log.rate_hz"), found, allowed))
        phases = run.draws.phases()
        self._master = Master(
            trace.belt,
            machine.encoder,
            controller=machine.controller,
            phase=phases.encoder,
            ticks_phase_s=phases.ticks_s,
        )
        self._feeds = [FeedTravel(feed, until_s=last + 1.0) for feed in trace.feeds]
        self.levels = {"carrier_eye": _switchings(carrier_eye_runs(run))}
        for n, feed in enumerate(self._feeds):
            inserts = inserts_of(run, n, draws=run.draws, feed=feed, until_s=last)
            runs = insert_eye_runs(machine, n, inserts, feed)
            self.levels[f"feeder.{n}.eye"] = _switchings(runs)
            self.levels[f"feeder.{n}.clutch"] = _clutch(trace, n)
        encoder = "encoder_count" if self._master.counting else "encoder_mm"
        self.values: dict[str, Callable[[Floats], NDArray[np.generic]]] = {encoder: self._counted}
        for n, feed in enumerate(self._feeds):
            curve = FeedCurve([piece for piece, _ in feed.pieces(0.0, math.inf)])
            self.values[f"feeder.{n}.command_mm"] = _rounded(curve.command, _TRAVEL_DIGITS)
            self.values[f"feeder.{n}.actual_mm"] = _rounded(curve.position, _TRAVEL_DIGITS)

    def times(self, looks: Places) -> Floats:
        """Return the times of some samples (s)."""
        times: Floats = self._phase_s + looks.astype(np.float64) * self.period_s
        return times

    def written(self) -> Places:
        """Return the numbers of the samples that are not dropped."""
        looks = np.arange(self.looks)
        if not self._dropped:
            return looks
        lost = stream(self._seed, "log.dropped").random(self.looks) < self._dropped
        return looks[~lost]

    def level(self, name: str, times: Floats) -> NDArray[np.int8]:
        """Return a level at some times, 0 or 1."""
        return _level(*self.levels[name], times)

    def _counted(self, times: Floats) -> NDArray[np.generic]:
        readings = self._master.readings(times)
        if self._master.counting:
            return readings.astype(np.int64)
        return np.round(readings, _VIRTUAL_DIGITS)


def _rounded(values: Callable[[Floats], Floats], digits: int) -> Callable[[Floats], Floats]:
    return lambda times: np.round(values(times), digits)


def _level(on_s: Floats, off_s: Floats, times: Floats) -> NDArray[np.int8]:
    ons = np.searchsorted(on_s, times, side="right")
    return (ons > np.searchsorted(off_s, times, side="right")).astype(np.int8)


def _switchings(runs: list[OnInterval]) -> tuple[Floats, Floats]:
    on = np.sort(np.array([level.from_s for level in runs if level.from_s < level.to_s]))
    off = np.sort(np.array([level.to_s for level in runs if level.from_s < level.to_s]))
    return on, off


def _clutch(trace: Trace, feeder: int) -> tuple[Floats, Floats]:
    part = f"feeder.{feeder}.clutch"
    times: dict[str, list[float]] = {"closes": [], "opens": []}
    for event in trace.events:
        if event.part == part and event.event in times:
            times[event.event].append(event.time_s)
    return np.array(times["closes"]), np.array(times["opens"])


def sample_columns(recorder: Recorder, looks: Places) -> Columns:
    """Return the columns of some samples."""
    times = recorder.times(looks)
    found: Columns = {"time_s": np.round(times, _TIME_DIGITS)}
    found["carrier_eye"] = recorder.level("carrier_eye", times)
    for name, value in recorder.values.items():
        if name.startswith("encoder"):
            found[name] = value(times)
    for name in recorder.levels:
        if name.startswith("feeder"):
            found[name] = recorder.level(name, times)
    for name, value in recorder.values.items():
        if name.startswith("feeder"):
            found[name] = value(times)
    return found


class RecordedEvents:
    """All events of a log, in order: sample, signal, value.

    ``rows``: their numbers, an int array, for :meth:`columns`.
    """

    def __init__(self, recorder: Recorder) -> None:
        self._recorder = recorder
        levels = {name: _changes(recorder, *switch) for name, switch in recorder.levels.items()}
        every = max(1, round(_VALUES_EVERY_S / recorder.period_s))
        written = recorder.written()
        changed = [look for look, _ in levels.values()]
        looks = np.unique(np.concatenate([written[written % every == 0], *changed]))
        times = recorder.times(looks)
        parts = [*levels.values()]
        for value_at in recorder.values.values():
            value = value_at(times).astype(np.float64)
            new = np.concatenate(([True], np.diff(value) != 0.0))
            parts.append((looks[new], value[new]))
        look = np.concatenate([looks for looks, _ in parts])
        which = np.concatenate([np.full(len(part[0]), n) for n, part in enumerate(parts)])
        order = np.lexsort((which, look))
        self._look, self._which = look[order], which[order]
        self._value = np.concatenate([values for _, values in parts])[order]
        self._names = np.array([*recorder.levels, *recorder.values])
        self.rows = np.arange(len(order))

    def columns(self, rows: Places) -> Columns:
        """Return the columns of some events."""
        values = [repr(value).removesuffix(".0") for value in self._value[rows].tolist()]
        return {
            "time_s": np.round(self._recorder.times(self._look[rows]), _TIME_DIGITS),
            "signal": self._names[self._which[rows]],
            "value": np.array(values, dtype=np.str_),
        }


def _changes(recorder: Recorder, on_s: Floats, off_s: Floats) -> tuple[Places, Floats]:
    """Return the samples at which a level is new, including the first, and the level."""
    after = np.concatenate((on_s, off_s))
    looks = np.ceil((after - recorder.times(np.zeros(1, np.intp))[0]) / recorder.period_s)
    known = looks[(looks > 0) & (looks < recorder.looks)].astype(np.intp)
    looks = np.unique(np.concatenate(([0], known, np.maximum(known - 1, 0))))
    level = _level(on_s, off_s, recorder.times(looks))
    new = np.concatenate(([True], np.diff(level) != 0))
    return looks[new], level[new].astype(np.float64)
