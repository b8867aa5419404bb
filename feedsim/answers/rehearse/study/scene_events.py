"""Events that a page jumps to: misses, hazards, stops, inserts out of tolerance."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

import numpy as np

from feedsim.answers.rehearse.study.columns import column
from feedsim.arrays import Bools, Floats
from feedsim.criteria import Criteria
from feedsim.machine import SAME_RATIO, Machine
from feedsim.metrics.cycle_hazards import CycleHazard, cycle_hazards
from feedsim.metrics.plain import Plain
from feedsim.metrics.spread import resolution_mm
from feedsim.records.columns import FeederRecords, RunRecords
from feedsim.records.outcome import Outcome
from feedsim.records.stop import Stop
from feedsim.records.trace import Trace, TraceEvent
from feedsim.simulation.derived import demanded_acceleration

_STOPPING = ("stop", "trip")


class SceneEvent(NamedTuple):
    """A miss, a hazard, a stop, or an insert out of tolerance.

    ``kind``: ``"miss"``, ``"hazard"``, ``"stop"`` or ``"outside"``. ``name``: the outcome, the
    hazard or why it stops. ``carrier``, ``feeder``: −1 for none. ``margin``: of a hazard; for
    ``"outside"`` the placement error; else NaN.
    """

    time_s: float
    kind: str
    name: str
    carrier: int
    feeder: int
    margin: float


def missed_times(records: RunRecords, trace: Trace, *, machine: Machine, feeder: int) -> Floats:
    """Return when each carrier was given up at a feeder (s); NaN for one that was not.

    Without such an event, since its insert never arrived, that is when its target passes the
    placement point.
    """
    rows, machine_feeder = records.feeders[feeder], machine.feeders[feeder]
    times = np.full(len(rows.outcome), math.nan)
    part, causes = f"feeder.{feeder}.program", {outcome.cause for outcome in Outcome}
    for event in trace.events:
        if event.part == part and event.event in causes:
            times[event.carrier] = event.time_s
    way = machine_feeder.to_target_mm
    unknown = np.isnan(times) & (rows.outcome != Outcome.PLACED)
    times[unknown] = trace.belt.times_at(records.carriers.leading_edge_mm[unknown] + way)
    return times


def is_stop(event: TraceEvent) -> bool:
    """Return whether an event stops the line."""
    return event.part == "line" and event.event.startswith(_STOPPING)


def scene_events(
    records: RunRecords,
    trace: Trace,
    *,
    missed_s: Sequence[Floats],
    hazards: Sequence[Sequence[CycleHazard]],
    hazard_s: Sequence[Mapping[str, Floats]],
    outside: Sequence[Bools],
) -> list[SceneEvent]:
    """Return all of a traced run, in order of time.

    One for each feeder: ``missed_s``, ``hazards``, ``hazard_s`` as :func:`missed_times`,
    ``hazards_of_feeder`` and ``hazard_times`` give them; ``outside``: inserts out of tolerance.
    """
    found = [
        *_misses(records, missed_s),
        *_hazards(hazards, hazard_s),
        *_stops(records, trace),
        *_outside(records, outside),
    ]
    return sorted(found, key=lambda h: (h.time_s, h.feeder, h.carrier))


def _stops(records: RunRecords, trace: Trace) -> Iterator[SceneEvent]:
    """Yield the stops, by rule and cause if the records know them."""
    rules = {stop.time_s: stop for stop in getattr(records, "stops", ())}
    for event in filter(is_stop, trace.events):
        stop = rules.get(event.time_s)
        name = event.event if stop is None else _why(stop)
        feeder = -1 if stop is None else stop.feeder
        carrier = event.carrier if stop is None else stop.carrier
        yield SceneEvent(event.time_s, "stop", name, carrier, feeder, math.nan)


def _outside(records: RunRecords, outside: Sequence[Bools]) -> Iterator[SceneEvent]:
    for feeder, (rows, there) in enumerate(zip(records.feeders, outside, strict=True)):
        for k in np.flatnonzero(there):
            time_s, error = float(rows.placement_time_s[k]), float(rows.placement_error_mm[k])
            yield SceneEvent(time_s, "outside", "tolerance", int(k), feeder, error)


def stops_plain(stops: Sequence[Stop]) -> dict[str, Plain]:
    """Return stops as columns: trip, belt at rest, restart (NaN: never), why."""
    return {
        "time_s": column([s.time_s for s in stops]),
        "at_rest_s": column([s.at_rest_s for s in stops]),
        "restarted_s": column([s.restarted_s for s in stops]),
        "why": [_why(s).replace("_", " ") for s in stops],
    }


def _why(stop: Stop) -> str:
    """Return the rule of a stop, with its cause unless the rule names it."""
    rule = str(stop.rule)
    return rule if stop.cause in {"", rule} else f"{rule} ({stop.cause})"


def _misses(records: RunRecords, missed_s: Sequence[Floats]) -> Iterator[SceneEvent]:
    for feeder, (rows, times) in enumerate(zip(records.feeders, missed_s, strict=True)):
        for k in np.flatnonzero(rows.outcome != Outcome.PLACED):
            cause = Outcome(int(rows.outcome[k])).cause
            yield SceneEvent(float(times[k]), "miss", cause, int(k), feeder, math.nan)


def _hazards(
    hazards: Sequence[Sequence[CycleHazard]], hazard_s: Sequence[Mapping[str, Floats]]
) -> Iterator[SceneEvent]:
    for feeder, (own, times) in enumerate(zip(hazards, hazard_s, strict=True)):
        for hazard in own:
            for k in np.flatnonzero(hazard.there):
                time_s, margin = float(times[hazard.name][k]), float(hazard.margin[k])
                yield SceneEvent(time_s, "hazard", hazard.name, int(k), feeder, margin)


def scene_events_plain(found: Sequence[SceneEvent]) -> dict[str, Plain]:
    """Return them as columns; ``what`` is an index into ``names``, pairs of kind and name."""
    return {
        **_named([(h.kind, h.name) for h in found], [h.time_s for h in found]),
        "carrier": column([h.carrier for h in found], "i4"),
        "feeder": column([h.feeder for h in found], "i4"),
        "margin": column([h.margin for h in found]),
    }


def trace_events_plain(found: Sequence[TraceEvent]) -> dict[str, Plain]:
    """Return them as columns; ``what`` is an index into ``names``, pairs of part and event."""
    return {
        **_named([(e.part, e.event) for e in found], [e.time_s for e in found]),
        "carrier": column([e.carrier for e in found], "i4"),
        "insert": column([e.insert for e in found], "i4"),
    }


def _named(pairs: Sequence[tuple[str, str]], times_s: Sequence[float]) -> dict[str, Plain]:
    names = sorted(set(pairs))
    numbers = {name: number for number, name in enumerate(names)}
    return {
        "names": [list(name) for name in names],
        "time_s": column(times_s),
        "what": column([numbers[pair] for pair in pairs], "u1"),
    }


def hazards_of_feeder(
    records: RunRecords, *, machine: Machine, criteria: Criteria, feeder: int
) -> tuple[CycleHazard, ...]:
    """Return the seven hazards of one feeder over all rows, in the order of the model."""
    rows = records.feeders[feeder]
    found = cycle_hazards(
        rows,
        slice(0, len(rows.insert)),
        machine=machine.feeders[feeder],
        room_mm=machine.carriers.room_mm(machine.feeders[feeder].inserts),
        criteria=criteria,
        resolution_mm=resolution_mm(records),
    )
    return tuple(found)


def hazard_times(
    records: RunRecords, trace: Trace, *, machine: Machine, feeder: int
) -> dict[str, Floats]:
    """Return when each hazard of each cycle was decided (s), by name; NaN for none.

    Strays count from the first one of the cycle; an overload from the start of the first ramp that
    asks too much.
    """
    rows = records.feeders[feeder]
    return {
        "nose_strike": rows.engage_time_s,
        "tail_held": rows.opening_time_s,
        "speed_mismatch": rows.placement_time_s,
        "off_carrier": rows.placement_time_s,
        "stray_insert": _stray_times(rows, trace, feeder),
        "double": rows.engage_time_s,
        "drive_overload": _overload_times(rows, trace, machine=machine, feeder=feeder),
    }


def _stray_times(rows: FeederRecords, trace: Trace, feeder: int) -> Floats:
    times, part = rows.engage_time_s.copy(), f"feeder.{feeder}.insert_eye"
    for event in reversed(trace.events):
        if event.event == "stray" and event.part == part and event.carrier >= 0:
            times[event.carrier] = event.time_s
    return times


def _overload_times(rows: FeederRecords, trace: Trace, *, machine: Machine, feeder: int) -> Floats:
    which = machine.feeders[feeder]
    largest, delay = (
        which.servo.max_acceleration_mm_s2,
        which.servo.command_delay_s,
    )
    closes, opens = rows.engage_time_s, rows.opening_time_s
    never = np.full(len(closes), math.nan)
    ramp_in = demanded_acceleration(closes, never, which, belt=trace.belt, encoder=machine.encoder)
    at_ramp_in = (ramp_in > largest * (1.0 + SAME_RATIO)) | np.isnan(opens)
    return np.where(at_ramp_in, closes, opens) + delay
