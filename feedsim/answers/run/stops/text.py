"""The stops of a run, for a terminal."""

from __future__ import annotations

from collections.abc import Iterator

from rich.console import RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from feedsim.metrics.response import Response
from feedsim.metrics.stops import LineStops
from feedsim.quantities import System, display
from feedsim.records.stop import Rule
from feedsim.render.wording import length, percent

__all__ = ["adjustments_text", "stops_text"]


def stops_text(stops: LineStops) -> Iterator[RenderableType]:
    """Yield a table of the stops by rule, and why the run was given up, if it was."""
    if stops.gave_up:
        yield Text(f"\nTHE RUN WAS GIVEN UP: {stops.gave_up}", style="bold red")
    if not stops.count:
        return
    yield Text("\nStops", style="bold")
    table = Table(box=None, padding=(0, 2, 0, 0), header_style="")
    table.add_column("Rule", width=19, no_wrap=True)
    for name in ("stops", "downtime", "carriers lost"):
        table.add_column(name, justify="right")
    for rule, count in stops.by_rule.items():
        down = display(stops.downtime_by_rule_s[rule], "time")
        table.add_row(rule.replace("_", " "), str(count), down, str(stops.lost_by_rule[rule]))
    down = display(stops.downtime_s, "time")
    table.add_row("all", str(stops.count), down, str(stops.lost_carriers))
    yield Padding(table, (0, 0, 0, 2))
    up, mean = display(stops.uptime_s, "time"), display(stops.mean_downtime_s or 0.0, "time")
    said = f"availability {percent(stops.availability)}: {up} running; {mean} down a stop"
    yield Padding(Text(said), (0, 0, 0, 2))
    for rule, causes in stops.by_cause.items():
        if rule != Rule.DOUBLE_FOUND:
            said = f"{rule.replace('_', ' ')}, caused by: {_counts(causes)}"
            yield Padding(Text(said), (0, 0, 0, 2))
    if stops.within:
        said = f"while the line was stopped already: {_counts(stops.within)}"
        yield Padding(Text(said), (0, 0, 0, 2))
    if stops.doubles_found or stops.false_alarms:
        alarms = f"false alarm{'' if stops.false_alarms == 1 else 's'}"
        doubles = f"double{'' if stops.doubles_found == 1 else 's'}"
        said = f"{stops.doubles_found} {doubles} found, {stops.false_alarms} {alarms}, taken out"
        yield Padding(Text(said), (0, 0, 0, 2))


def _counts(counts: dict[str, int]) -> str:
    return ", ".join(f"{name.replace('_', ' ')} {count}" for name, count in counts.items())


def adjustments_text(adjustments: tuple[Response, ...], units: System) -> Iterator[RenderableType]:
    """Yield what placement made of each change."""
    yield Text("\nChanges while running", style="bold")
    for change in adjustments:
        for number, feeder in enumerate(change.feeders):
            said = f"at {change.time_s:.3f} s, feeder {number}: "
            if feeder.after_mm is None:
                said += "too few inserts until the next change to tell"
            else:
                if feeder.before_mm is not None:
                    said += f"mean {length(feeder.before_mm, units, sign=True)} before, "
                said += f"{length(feeder.after_mm, units, sign=True)} after"
                if feeder.carriers is not None:
                    said += f", held from insert {feeder.carriers + 1} on"
            yield Padding(Text(said), (0, 0, 0, 2))
