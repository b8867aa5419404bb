"""The summary of a run that a person reads at a glance, for a terminal."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, astuple, fields
from typing import Any

from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from feedsim.answers.run.deciding import enough
from feedsim.answers.run.product.text import products_text
from feedsim.answers.run.stops.text import adjustments_text, stops_text
from feedsim.metrics.acceptance import AgainstLimit
from feedsim.metrics.criteria import Criteria
from feedsim.metrics.feeder_results import FeederResults
from feedsim.metrics.hazards import Hazard
from feedsim.metrics.intervals import Interval
from feedsim.metrics.plain import plain
from feedsim.metrics.results import AdjustedResults, Results
from feedsim.metrics.share import Share
from feedsim.metrics.stops import LineStops
from feedsim.quantities import System, display, display_unit
from feedsim.render.canvas import one_line
from feedsim.render.wording import DASH, length, length_number, percent, percent_range, tail

__all__ = ["carriers_run", "summary", "verdict"]

_GOOD, _UNSURE, _BAD = "green", "yellow", "bold red"
_NEAR_USE = 0.9


def summary(results: Results, *, criteria: Criteria, units: System = "metric") -> RenderableType:
    """Return the summary of a run, to be printed by a rich console.

    Everything is said in words; colour only repeats it. 80 columns are enough.

    Parameters
    ----------
    results : Results
        Figures of the run.
    criteria : Criteria
        What it was judged by.
    units : {"metric", "inch"}
        Units of everything that is written.
    """
    parts: list[RenderableType] = [_head(results, units), verdict(results)]
    for feeder in results.feeders:
        parts += [
            Text(f"\n{one_line(feeder.name, 76)}", style="bold"),
            Padding(_figures(feeder, criteria, units), (0, 0, 0, 2)),
            Padding(_hazards(feeder, criteria, units), (1, 0, 0, 2)),
        ]
    if len(results.feeders) > 1 or results.products.diverted is not None:
        parts += products_text(results.products, units)
    if isinstance(results.stops, LineStops):
        parts += stops_text(results.stops)
    if isinstance(results, AdjustedResults):
        parts += adjustments_text(results.adjustments, units)
    return Group(*parts)


def _head(results: Results, units: System) -> Text:
    speed = display(results.line_speed_mm_s, "speed", units=units)
    complete, stops = results.complete, results.stops
    lines = [f"{speed}, {carriers_run(results)}, seed {results.seed}"]
    products = f"{_counted(complete.count, 'complete product')} ({percent(complete.share)})"
    if complete.per_hour is not None:
        products += f", {complete.per_hour:.0f} per hour"
    lines.append(products)
    if stops.count:
        down, runs = display(stops.downtime_s, "time"), percent(stops.availability)
        lines.append(f"{stops.count} stops, {down} down, running {runs} of the time")
    text = Text(one_line(results.title, 200), style="bold")
    return Text("\n").join([text, *map(Text, lines)])


def carriers_run(results: Results) -> str:
    """Say how many carriers the figures are of, and how many of them never came."""
    stops = results.stops
    if isinstance(stops, LineStops) and stops.never_came:
        return (
            f"given up after {results.carriers - stops.never_came} of {results.carriers} carriers"
        )
    return _counted(results.carriers, "carrier")


def _counted(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"


def verdict(results: Results) -> RenderableType:
    """Say whether the run is accepted, why not, and whether it was long enough to tell."""
    reasons = [Padding(Text(reason), (0, 0, 0, 2)) for reason in results.not_accepted_because]
    if results.refused:
        said = Text.assemble(("NOT ACCEPTED", _BAD), ", for sure at 95 %")
    elif results.accepted and results.decided:
        said = Text.assemble(("ACCEPTED", "bold green"), ", for sure at 95 %")
    else:
        so_far = "accepted" if results.accepted else "not accepted"
        said = Text.assemble(("NOT DECIDED", f"bold {_UNSURE}"), f": {so_far} so far. ")
        said.append(_needed(results))
    return Group(said, *reasons)


def _needed(results: Results) -> str:
    """Say that the carriers do not decide, and how many would."""
    rows: list[Any] = [plain(row) for row in results.to_decide]
    many = f"{results.carriers} carriers do" if results.carriers != 1 else "One carrier does"
    more = enough(rows, accepted=results.accepted)
    return f"{many} not show it at 95 %{f'; {more}' if more else ''}"


# -- the figures ---------------------------------------------------------------------


def _figures(feeder: FeederResults, criteria: Criteria, units: System) -> Table:
    table = Table(box=None, show_header=False, padding=(0, 2, 0, 0))
    table.add_column(width=15, no_wrap=True)
    table.add_column(width=9)
    table.add_column()
    for name, state, lines in _rows(feeder, criteria, units):
        table.add_row(Text(name), state, Text("\n".join(lines)))
    return table


_Row = tuple[str, Text, list[str]]
_NO_STATE = Text("")


def _rows(feeder: FeederResults, criteria: Criteria, units: System) -> Iterator[_Row]:
    yield "Placement error", _NO_STATE, list(_placement(feeder, units))
    yield from _judged_rows(feeder, criteria, units)
    yield _cycle(feeder)
    stage = feeder.stage_position
    if stage.mean_mm is not None:
        sd = [] if stage.sd_mm is None else [f"sd {length(stage.sd_mm, units)}"]
        mean = f"mean {length(stage.mean_mm, units)}"
        yield "Stage position", _NO_STATE, [", ".join([mean, *sd])]
    late = f"{feeder.late_engages} engages, {feeder.late_openings} openings"
    yield "Late", _NO_STATE, [late]
    found, missed, wrong = astuple(feeder.doubles)
    if found or missed or wrong:
        text = f"{found} doubles found, {missed} not found, {wrong} false alarms"
        yield "Double check", _NO_STATE, [text]


def _placement(feeder: FeederResults, units: System) -> Iterator[str]:
    error = feeder.placement_error
    if error.mean_mm is None or error.min_mm is None or error.max_mm is None:
        yield "no insert placed"
        return
    mean = f"mean {length(error.mean_mm, units, sign=True)}"
    if error.mean_ci95_mm is not None:
        mean += f" (95 %: {_lengths(error.mean_ci95_mm, units)})"
    yield mean
    reach = f"from {_lengths(Interval(error.min_mm, error.max_mm), units)}"
    if error.sd_mm is not None:
        sd = f"sd {length(error.sd_mm, units)}"
        if error.sd_ci95_mm is None:
            reach = f"{sd}, {reach}"
        else:
            yield f"{sd} (95 %: {_lengths(error.sd_ci95_mm, units, sign=False)})"
    yield reach
    if error.cp is not None and error.cpk is not None:
        cp, cpk = _ends(error.cp_ci95), _ends(error.cpk_ci95)
        yield f"Cp {error.cp:.2f}{cp}, Cpk {error.cpk:.2f}{cpk}"


def _ends(interval: Interval | None) -> str:
    return "" if interval is None else f" ({interval.low:.2f} to {interval.high:.2f})"


def _lengths(interval: Interval, units: System, *, sign: bool = True) -> str:
    low, high = (length_number(value, units, sign=sign) for value in interval)
    return f"{low} to {high} {display_unit('length', units).label}"


def _judged_rows(feeder: FeederResults, criteria: Criteria, units: System) -> Iterator[_Row]:
    error, missed, risk = feeder.placement_error, feeder.missed, feeder.jam_risk
    least, tolerance = criteria.within_tolerance, criteria.placement_tolerance_mm
    yield (
        "In tolerance",
        _state(error.within_tolerance, error.within_tolerance_ci95, limit=least, at_least=True),
        [
            f"{_share(error.within_tolerance, error.within_tolerance_ci95)}, "
            f"at least {percent(least)}",
            f"of {error.n} placed, {display(tolerance, 'length', units=units)} either side",
        ],
    )
    causes = [f"{n} {cause.replace('_', ' ')}" for cause, n in asdict(missed.by_cause).items() if n]
    of = f"{missed.count} of {missed.count + feeder.placed} carriers"
    more = f"{of}: {', '.join(causes)}" if causes else of
    yield _at_most("Missed", missed, criteria.missed, more=more)
    noun = "cycle" if risk.count == 1 else "cycles"
    cycles = f"{risk.count} feed {noun} with a hazard" if risk.count else ""
    yield _at_most("Jam risk", risk, criteria.jam_risk, more=cycles)


def _at_most(name: str, share: Share, limit: float, *, more: str) -> _Row:
    figure = _share(share.share, share.ci95)
    if share.upper95 is not None:
        figure = f"none seen (95 %: below {percent(share.upper95, digits=2)})"
    lines = [f"{figure}, at most {percent(limit)}", *([more] if more else [])]
    return name, _state(share.share, share.ci95, limit=limit, at_least=False), lines


def _share(share: float | None, interval: Interval | None) -> str:
    return f"{percent(share)} (95 %: {percent_range(interval)})" if interval else percent(share)


def _state(share: float | None, interval: Interval | None, *, limit: float, at_least: bool) -> Text:
    """Say whether a share meets its limit, and whether its whole interval agrees."""
    if share is None or interval is None:
        return Text("no figure", style=_UNSURE)
    figure = AgainstLimit(share, interval, limit, at_least, effective_n=None)
    failed, decided = figure.failed(), figure.decided()
    style = (_BAD if failed else _GOOD) if decided else _UNSURE
    text = Text("NOT MET" if failed else "met", style=style)
    return text if decided else text.append("\nundecided")


def _cycle(feeder: FeederResults) -> _Row:
    name, cycle, state = "Feed cycle", feeder.cycle, _NO_STATE
    if cycle.mean_s is None or cycle.max_s is None:
        return name, state, [DASH]
    lines = [f"mean {display(cycle.mean_s, 'time')}, longest {display(cycle.max_s, 'time')}"]
    if cycle.use is not None:
        lines.append(f"{100.0 * cycle.use:.3g} % of the time between carriers")
        if cycle.use >= 1.0:
            state = Text("TOO LONG", style=_BAD)
        elif cycle.use >= _NEAR_USE:
            state = Text("near its\nlimit", style=_UNSURE)
    return name, state, lines


# -- the hazards ---------------------------------------------------------------------


def _hazards(feeder: FeederResults, criteria: Criteria, units: System) -> Table:
    table = Table(box=None, padding=(0, 2, 0, 0), header_style="")
    table.add_column("Hazard", width=15, no_wrap=True)
    for head in ("seen", "mean margin", "sd", "normal tail"):
        table.add_column(head, justify="right", no_wrap=True, min_width=len(head))
    table.add_column("")
    for field in fields(feeder.hazards):
        hazard: Hazard = getattr(feeder.hazards, field.name)
        table.add_row(
            field.name.replace("_", " "),
            str(hazard.count),
            _margin(hazard.margin_mean, hazard.margin_unit, units),
            _margin(hazard.margin_sd, hazard.margin_unit, units),
            tail(hazard.tail_probability),
            _hazard_state(hazard, criteria),
        )
    return table


def _hazard_state(hazard: Hazard, criteria: Criteria) -> Text:
    """Name a hazard that was seen, or whose tail alone is a tenth of the allowed jam risk."""
    if hazard.count:
        return Text("PAST ITS LIMIT" if hazard.margin_unit else "SEEN", style=_BAD)
    if (hazard.tail_probability or 0.0) > max(0.1 * criteria.jam_risk, 1e-6):
        return Text("near its limit", style=_UNSURE)
    return Text("")


def _margin(value: float | None, unit: str | None, units: System) -> str:
    if value is None:
        return DASH
    if unit == "mm":
        return length(value, units)
    if unit == "mm/s^2":
        return display(value, "acceleration", units=units, digits=3)
    return f"{value:.2f} {unit}"
