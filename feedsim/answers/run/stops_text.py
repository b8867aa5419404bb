"""The stops of a run, for a terminal."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from feedsim.metrics.percent import DASH, percent
from feedsim.metrics.response import Response
from feedsim.metrics.results import Results
from feedsim.metrics.stops import LineStops
from feedsim.quantities import System, whole
from feedsim.records.stop import Rule
from feedsim.render.layout import table, wrapped
from feedsim.render.wording import counted, length, time

STOP_HEADS = ("stops", "downtime", "availability", "lost", "complete per hour")
"""Heads of the cells of :func:`stop_cells`."""


def stop_cells(results: Results) -> tuple[str, ...]:
    """Return the cost of stops at one point of a sweep or a comparison."""
    stops, per_hour = results.stops, results.complete.per_hour
    return (
        whole(stops.count),
        time(stops.downtime_s),
        percent(stops.availability),
        whole(stops.lost),
        DASH if per_hour is None else whole(per_hour),
    )


def stops_text(stops: LineStops) -> Iterator[str]:
    """Yield a table of the stops by rule, and why the run was given up, if it was."""
    if stops.gave_up:
        yield ""
        yield from wrapped(f"THE RUN WAS GIVEN UP: {stops.gave_up}")
    if not stops.count:
        return
    yield ""
    yield "Stops"
    yield from table(_rows(stops))
    running = f"availability {percent(stops.availability)}: {time(stops.uptime_s)} running"
    down = f"{time(stops.downtime_s)} stopped, {time(stops.mean_downtime_s or 0.0)} per stop"
    yield from wrapped(f"{running}, {down}", "  ")
    for rule, causes in stops.by_cause.items():
        if rule != Rule.DOUBLE_FOUND:
            yield from wrapped(f"{rule.replace('_', ' ')}, caused by: {_counts(causes)}", "  ")
    if stops.within:
        yield from wrapped(f"while the line was stopped already: {_counts(stops.within)}", "  ")
    if stops.doubles_found or stops.false_alarms:
        doubles = counted(stops.doubles_found, "double")
        alarms = counted(stops.false_alarms, "false alarm")
        yield f"  {doubles} found and taken out, {alarms}"


def _rows(stops: LineStops) -> Iterator[tuple[str, ...]]:
    yield "Rule", "stops", "downtime", "carriers lost"
    for rule, count in stops.by_rule.items():
        down, lost = time(stops.downtime_by_rule_s[rule]), whole(stops.lost_by_rule[rule])
        yield rule.replace("_", " "), whole(count), down, lost
    yield "all", whole(stops.count), time(stops.downtime_s), whole(stops.lost_carriers)


def _counts(counts: dict[str, int]) -> str:
    return ", ".join(f"{whole(count)} × {name.replace('_', ' ')}" for name, count in counts.items())


def adjustments_text(
    adjustments: tuple[Response, ...], names: Sequence[str], units: System
) -> Iterator[str]:
    """Yield the effect of each change on the placement at each feeder, by name."""
    yield ""
    yield "Changes while running"
    for change in adjustments:
        for name, feeder in zip(names, change.feeders, strict=True):
            said = f"at {change.time_s:.1f} s, {name}: "
            if feeder.after_mm is None:
                said += "too few inserts before the next change to judge it"
            else:
                if feeder.before_mm is not None:
                    said += f"mean {length(feeder.before_mm, units, sign=True)} before, "
                said += f"{length(feeder.after_mm, units, sign=True)} after"
                if feeder.carriers is not None:
                    nth = feeder.carriers + 1
                    which = "the first insert" if nth == 1 else f"insert {whole(nth)}"
                    said += f"; settled from {which} after the change"
            yield from wrapped(said, "  ")
