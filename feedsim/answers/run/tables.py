"""The files of a run beside its JSON: carriers, products, stops, events, a machine's log."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, fields
from functools import partial
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from feedsim.answers.answer import Table
from feedsim.arrays import Places
from feedsim.criteria import Criteria
from feedsim.files.new_files import Content
from feedsim.logs.log import Shape
from feedsim.logs.recorder import LoggedRun, RecordedEvents, Recorder, sample_columns
from feedsim.machine import Machine
from feedsim.metrics.gate_rows import GateClass, Known, gate_rows
from feedsim.metrics.overlaps import overlaps_mm, told_pairs
from feedsim.metrics.paired_feeders import Ran, with_hazard
from feedsim.metrics.product_rows import ProductClass, needed, product_rows
from feedsim.metrics.results import Results
from feedsim.records.columns import FeederRecords, RunRecords
from feedsim.records.outcome import Outcome
from feedsim.records.stop import RecoveryStep, Stop, WhileStopped
from feedsim.records.trace import Trace, TraceEvent
from feedsim.render.csv_table import columns_csv, csv_table
from feedsim.running.run import ScenarioRun, criteria_of

_ELSEWHERE = ("books", "missed_time_s")  # in results.json, and in products.csv
_OF_A_FEEDER = tuple(f.name for f in fields(FeederRecords) if f.name not in _ELSEWHERE)
_CAUSES = np.array([outcome.cause for outcome in sorted(Outcome)])
_GATE = np.array([kind.name.lower() for kind in sorted(GateClass)])
_KNOWN = np.array(["" if it is Known.NOTHING else it.name.lower() for it in sorted(Known)])
_CLASSES = np.array([kind.name.lower() for kind in sorted(ProductClass)])
Kept = Literal["all", "missed", "none"]

_MOST_ROWS = 100_000
"""Most carriers that all have a row by default."""


def counted_carriers(records: RunRecords) -> Places:
    """Return the numbers of all counted carriers; they count the warm-up, as traces do."""
    return np.arange(records.warm_up, len(records.carriers.eye_time_s))


def carrier_columns(records: RunRecords, rows: Places) -> dict[str, NDArray[Any]]:
    """Return the records of some carriers: a row for each carrier and feeder, in that order.

    The meaning of the columns is in :mod:`feedsim.records.columns`; `outcome` is in words.
    """
    many = len(records.feeders)
    shared = records.carriers
    columns: dict[str, NDArray[Any]] = {
        "carrier": np.repeat(rows, many),
        "feeder": np.tile(np.arange(many), len(rows)),
        "leading_edge_mm": np.repeat(shared.leading_edge_mm[rows], many),
        "eye_time_s": np.repeat(shared.eye_time_s[rows], many),
    }
    for name in _OF_A_FEEDER:
        side_by_side = [getattr(feeder, name)[rows] for feeder in records.feeders]
        columns[name] = np.stack(side_by_side, axis=1).ravel()
    columns["outcome"] = _CAUSES[columns["outcome"]]
    return columns


def carriers_csv(records: RunRecords, rows: Places) -> Content:
    """Return the writer of ``carriers.csv``: :func:`carrier_columns` of some carriers."""
    return columns_csv(rows, lambda some: carrier_columns(records, some))


def products_csv(
    records: RunRecords, machine: Machine, rows: Places, *, criteria: Criteria
) -> Content:
    """Return the writer of ``products.csv``: a row for each of some counted carriers.

    Its number, its class, whether it is good and what is wrong with it (1 and 0); on a line with a
    divert gate what that did, what was first known of the carrier, when, and the deadline; then, by
    number of the feeder, its outcome there, the placement error and whether a double was placed;
    then, by numbers (lower, upper), the overlaps of the pairs in the summary.
    """
    columns = dict(_of_products(records, machine, criteria))

    def of(some: Places) -> Table:
        place = some - records.warm_up
        return {"carrier": some} | {name: column[place] for name, column in columns.items()}

    return columns_csv(rows, of)


def _of_products(
    records: RunRecords, machine: Machine, criteria: Criteria
) -> Iterator[tuple[str, NDArray[Any]]]:
    rows = product_rows(records, machine, criteria=criteria)
    yield "product", _CLASSES[rows.classes]
    for name in ("good", "doubled", "out_of_tolerance", "wrong_overlap"):
        yield name, getattr(rows, name).astype(np.int8)
    if machine.divert is not None:
        needs = needed(machine, criteria)
        gate = gate_rows(records, machine.divert, needs=needs, good=rows.good)
        yield "gate", _GATE[gate.gate]
        yield "known", _KNOWN[gate.known]
        yield "known_time_s", gate.known_time_s
        yield "divert_by_time_s", gate.divert_by_time_s
    for number, feeder in enumerate(records.feeders):
        outcome = feeder.outcome[records.warm_up :]
        placed = outcome == Outcome.PLACED
        error = np.where(placed, feeder.placement_error_mm[records.warm_up :], np.nan)
        double = placed & (feeder.double[records.warm_up :] != 0)
        yield f"feeder_{number}_outcome", _CAUSES[outcome]
        yield f"feeder_{number}_placement_error_mm", error
        yield f"feeder_{number}_double", double.astype(np.int8)
    for pair in told_pairs(records, machine, criteria.recipe):
        overlap = overlaps_mm(records, machine, one=pair.below, other=pair.above)
        yield f"overlap_{pair.below}_{pair.above}_mm", overlap


def events_csv(trace: Trace) -> Content:
    """Return the writer of ``events.csv``: a :class:`~feedsim.records.trace.TraceEvent` a row."""
    events = trace.events

    def of(some: Places) -> Table:
        return {name: [getattr(events[i], name) for i in some] for name in TraceEvent._fields}

    return columns_csv(np.arange(len(events)), of)


def stops_csv(records: RunRecords) -> bytes:
    """Return ``stops.csv``: a row per stop (:mod:`feedsim.records.stop`), in order of time.

    ``lost_carriers``: ``feeder:carrier`` for each; ``recovery``: its steps with their times (s);
    ``within``: what would have stopped the line while it stood, as ``what:feeder=cause@time``; all
    separated by blanks. Empty cells: nothing.
    """
    return csv_table([_stop(number, stop) for number, stop in enumerate(records.stops)])


def _stop(number: int, stop: Stop) -> dict[str, object]:
    lost = [f"{n}:{carrier}" for n, some in enumerate(stop.lost) for carrier in some]
    restarted = not math.isnan(stop.restarted_s)
    return {
        "stop": number,
        "rule": stop.rule.value,
        "cause": stop.cause,
        "feeder": None if stop.feeder < 0 else stop.feeder,
        "carrier": None if stop.carrier < 0 else stop.carrier,
        "time_s": stop.time_s,
        "at_rest_s": stop.at_rest_s,
        "restarted_s": stop.restarted_s if restarted else None,
        "downtime_s": stop.restarted_s - stop.time_s if restarted else None,
        "lost": len(lost),
        "lost_carriers": " ".join(lost),
        "recovery": " ".join(_at(s.step, s, s.inserts) for s in stop.steps),
        "within": " ".join(
            _at(w.what, w, w.cause if w.cause != w.what else "") for w in stop.within
        ),
    }


def _at(what: str, happened: RecoveryStep | WhileStopped, more: object) -> str:
    where = "" if happened.feeder < 0 else f":{happened.feeder}"
    return f"{what}{where}{f'={more}' if more else ''}@{happened.time_s:.6f}"


def kept_of(asked: Kept | None, results: Results) -> Kept:
    """Return which carriers have a row: as requested, else all, or in a long run those missed."""
    return asked or ("all" if results.carriers <= _MOST_ROWS else "missed")


def kept_rows(kept: Kept, ran: ScenarioRun) -> Places:
    """Return the counted carriers that have a row, by number, the warm-up included.

    ``missed``: those that a feeder missed, or that had a hazard in a feed cycle.
    """
    records = ran.records
    criteria: Criteria = criteria_of(ran.scenario)
    matters = np.full(len(records.carriers.eye_time_s), kept == "all")
    for number, feeder in enumerate(records.feeders if kept == "missed" else ()):
        matters |= feeder.outcome != Outcome.PLACED
        matters |= with_hazard(Ran(records, ran.machine, criteria), number)
    return np.flatnonzero(matters[records.warm_up :]) + records.warm_up


def kept_words(kept: Kept, results: Results) -> str:
    """Return what a summary says about rows left out; empty if none were."""
    match kept:
        case "missed":
            return f"carriers.csv: carriers missed or at risk, of {results.carriers:,}"
        case "none":
            return "carriers.csv: not written"
        case _:
            return ""


@dataclass(frozen=True, slots=True)
class LogAsked:
    """The requested form of a log: a row for each sample, or for each change of a signal.

    ``rate_hz``: how often the recorder samples. ``dropped``: the share that it loses (0 to below
    1); in a log of events, of values only.
    """

    shape: Shape = "samples"
    rate_hz: float = 1000.0
    dropped: float = 0.0


def log_csv(run: LoggedRun, asked: LogAsked, *, seed: int) -> Content:
    """Return the writer of a run's log; FeedsimError if it would be too long."""
    recorder = Recorder(run, rate_hz=asked.rate_hz, seed=seed, dropped=asked.dropped)
    if asked.shape == "events":
        events = RecordedEvents(recorder)
        return columns_csv(events.rows.astype(np.intp), events.columns)
    return columns_csv(recorder.written(), partial(sample_columns, recorder))
