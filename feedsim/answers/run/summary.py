"""The summary of a run that a person reads at a glance, for a terminal."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, astuple, fields

from feedsim.answers.run.deciding import enough
from feedsim.answers.run.product.text import products_text
from feedsim.answers.run.stops_text import adjustments_text, stops_text
from feedsim.criteria import Criteria
from feedsim.machine import Machine
from feedsim.metrics.acceptance import AgainstLimit
from feedsim.metrics.feeder_results import FeederResults
from feedsim.metrics.hazards import HazardShare
from feedsim.metrics.intervals import Interval, upper95
from feedsim.metrics.percent import DASH, percent
from feedsim.metrics.results import Complete, Results
from feedsim.metrics.share import Share
from feedsim.metrics.stops import LineStops
from feedsim.metrics.tally import Sureness
from feedsim.quantities import System, display, whole
from feedsim.render.layout import one_line, table, wrapped
from feedsim.render.wording import (
    NO_INTERVAL,
    acceleration,
    counted,
    hazard_name,
    length,
    length_range,
    number,
    speed,
    tail,
    time,
    within,
)

_NEAR_USE = 0.9


def summary(
    results: Results, *, machine: Machine, criteria: Criteria, units: System = "metric"
) -> str:
    """Return the summary of a run, at most 80 columns wide."""
    lines = [*_head(results, units), *verdict(results)]
    for sentence in unseen(results, machine):
        lines += wrapped(sentence)
    for feeder in results.feeders:
        lines += [
            "",
            one_line(feeder.name, 76),
            *table(figure_rows(feeder, criteria, units), "l"),
            "",
            *table(hazard_rows(feeder, criteria, units), "lrrrrl"),
        ]
    if len(results.feeders) > 1 or results.products.diverted is not None:
        lines += products_text(results.products, units)
    if isinstance(results.stops, LineStops):
        lines += stops_text(results.stops)
    if results.adjustments:
        names = [feeder.name for feeder in results.feeders]
        lines += adjustments_text(results.adjustments, names, units)
    return "\n".join(lines)


def _head(results: Results, units: System) -> Iterator[str]:
    stops = results.stops
    yield one_line(results.title, 200)
    yield f"{speed(results.line_speed_mm_s, units)}, {carriers_run(results)}, seed {results.seed}"
    yield complete_words(results.complete)
    if stops.count:
        down, runs = time(stops.downtime_s), percent(stops.availability)
        yield f"{counted(stops.count, 'stop')}, {down} down, running {runs} of the time"


def complete_words(complete: Complete) -> str:
    """Say how many products are complete, of all and in an hour."""
    products = f"{counted(complete.count, 'complete product')} "
    products += f"({percent(complete.share, complete.ci95)})"
    if complete.per_hour is not None:
        products += f", {whole(complete.per_hour)} per hour"
    return products


def carriers_run(results: Results) -> str:
    """Say how many carriers were run, and how many came if the run was given up."""
    stops = results.stops
    if isinstance(stops, LineStops) and stops.never_came:
        came = whole(results.carriers - stops.never_came)
        return f"given up after {came} of {counted(results.carriers, 'carrier')}"
    return counted(results.carriers, "carrier")


def verdict(results: Results) -> Iterator[str]:
    """Say whether the run is accepted, why not, and whether it was long enough to decide."""
    head, reasons = decision(results)
    open_for = reasons[: len(reasons) - len(results.not_accepted_because)]
    yield from wrapped(". ".join([head, *open_for]))
    for reason in results.not_accepted_because:
        yield from wrapped(reason, "  ")


def decision(results: Results) -> tuple[str, list[str]]:
    """Return the verdict in a few words, and its reasons: first why it is not decided."""
    reasons = list(results.not_accepted_because)
    if results.sureness is not Sureness.OPEN:
        return f"{'NOT ' if results.refused else ''}ACCEPTED, for sure at 95 %", reasons
    so_far = "accepted" if results.accepted else "not accepted"
    return f"NOT DECIDED: {so_far} so far", [_needed(results), *reasons]


def _needed(results: Results) -> str:
    """Say that these carriers do not decide, and how many would."""
    many = f"{whole(results.carriers)} carriers do"
    if results.carriers == 1:
        many = "One carrier does"
    more = enough(results.to_decide, accepted=results.accepted, replications=results.replications)
    return f"{many} not show it at 95 %{f'; {more}' if more else ''}"


# -- the figures ---------------------------------------------------------------------


_Row = tuple[str, str, str]


def figure_rows(feeder: FeederResults, criteria: Criteria, units: System) -> Iterator[_Row]:
    """Yield the figures of one feeder: name, state, words."""
    yield "Placement error", "", "\n".join(_placement(feeder, units))
    yield from _judged_rows(feeder, criteria, units)
    yield _cycle(feeder)
    stage = feeder.stage_position
    if stage.mean_mm is not None:
        sd = "" if stage.sd_mm is None else f", sd {length(stage.sd_mm, units)}"
        yield "Stage position", "", f"mean {length(stage.mean_mm, units)}{sd}"
    engages, openings = counted(feeder.late_engages, "engage"), feeder.late_openings
    yield "Late", "", f"{engages}, {counted(openings, 'opening')}"
    found, missed, wrong = astuple(feeder.doubles)
    if found or missed or wrong:
        doubles, alarms = counted(found, "double"), counted(wrong, "false alarm")
        yield "Double check", "", f"{doubles} found, {whole(missed)} overlooked, {alarms}"


def _placement(feeder: FeederResults, units: System) -> Iterator[str]:
    error = feeder.placement_error
    if error.mean_mm is None or error.min_mm is None or error.max_mm is None:
        yield "no insert placed"
        return
    mean = f"mean {length(error.mean_mm, units, sign=True)}"
    if error.mean_ci95_mm is not None:
        mean += f" (95 %: {length_range(*error.mean_ci95_mm, units, sign=True)})"
    elif error.ci95_note is not None:
        mean += f" ({NO_INTERVAL})"
    yield mean
    reach = f"from {length_range(error.min_mm, error.max_mm, units, sign=True)}"
    if error.sd_mm is not None:
        sd = f"sd {length(error.sd_mm, units)}"
        if error.sd_ci95_mm is None:
            reach = f"{sd}, {reach}"
        else:
            yield f"{sd} (95 %: {length_range(*error.sd_ci95_mm, units)})"
    yield reach
    if error.cp is not None and error.cpk is not None:
        cp, cpk = _ends(error.cp_ci95), _ends(error.cpk_ci95)
        yield f"Cp {error.cp:.2f}{cp}, Cpk {error.cpk:.2f}{cpk}"


def _ends(interval: Interval | None) -> str:
    return "" if interval is None else f" ({number(interval.low, 2)} to {number(interval.high, 2)})"


def _judged_rows(feeder: FeederResults, criteria: Criteria, units: System) -> Iterator[_Row]:
    error, missed, risk = feeder.placement_error, feeder.missed, feeder.jam_risk
    least, tolerance = criteria.within_tolerance, criteria.placement_tolerance_mm
    share, ci95 = error.within_tolerance, error.within_tolerance_ci95
    yield (
        "In tolerance",
        _state(share, ci95, limit=least, at_least=True),
        f"{within(share, ci95, unlike=least)}\n"
        f"at least {percent(least)} must; {whole(error.n)} placed, "
        f"{display(tolerance, 'length', units=units)} either side",
    )
    causes = [
        f"{n} × {cause.replace('_', ' ')}" for cause, n in asdict(missed.by_cause).items() if n
    ]
    of = f"{whole(missed.count)} of {counted(missed.count + feeder.placed, 'carrier')}"
    more = f"{of}: {', '.join(causes)}" if causes else of
    yield _at_most("Missed", missed, criteria.missed, more=more)
    cycles = f"{counted(risk.count, 'feed cycle')} with a hazard" if risk.count else ""
    yield _at_most("Jam risk", risk, criteria.jam_risk, more=cycles)


def _at_most(name: str, share: Share, limit: float, *, more: str) -> _Row:
    figure = within(share.share, share.ci95, share.upper95, unlike=limit)
    state = _state(share.share, share.ci95, limit=limit, at_least=False)
    return name, state, f"{figure}\nat most {percent(limit)} may" + (f"; {more}" if more else "")


def _state(share: float | None, interval: Interval | None, *, limit: float, at_least: bool) -> str:
    """Say whether a share meets its limit, and whether its whole interval does."""
    if share is None:
        return "no figure"
    figure = AgainstLimit(share, interval, limit, at_least, effective_n=None)
    if figure.decided():
        return "NOT MET" if figure.failed() else "met"
    return "not met so far" if figure.failed() else "met so far"


def _cycle(feeder: FeederResults) -> _Row:
    cycle, state = feeder.cycle, ""
    if cycle.mean_s is None or cycle.max_s is None:
        return "Feed cycle", state, DASH
    said = f"mean {time(cycle.mean_s)}, longest {time(cycle.max_s)}"
    if cycle.use is not None:
        said += f"\n{percent(cycle.use)} of the time between carriers"
        if cycle.use >= _NEAR_USE:
            state = "TOO LONG" if cycle.use >= 1.0 else "near its limit"
    return "Feed cycle", state, said


# -- the hazards ---------------------------------------------------------------------


def hazard_rows(
    feeder: FeederResults, criteria: Criteria, units: System
) -> Iterator[tuple[str, ...]]:
    """Yield the heads of the table of hazards, then a row each."""
    yield "Hazard", "seen", "mean margin", "sd", "normal tail", ""
    for field in fields(feeder.hazards):
        hazard: HazardShare = getattr(feeder.hazards, field.name)
        yield (
            hazard_name(field.name),
            whole(hazard.count),
            _margin(hazard.margin_mean, hazard.margin_unit, units),
            _margin(hazard.margin_sd, hazard.margin_unit, units),
            tail(hazard.tail_probability),
            _hazard_state(hazard, criteria),
        )


def _hazard_state(hazard: HazardShare, criteria: Criteria) -> str:
    """Name a hazard that was seen, or whose tail alone reaches a tenth of the allowed jam risk."""
    if hazard.count:
        return "SEEN"
    likely = (hazard.tail_probability or 0.0) > max(0.1 * criteria.jam_risk, 1e-9)
    return "near its limit" if likely else ""


def _margin(value: float | None, unit: str | None, units: System) -> str:
    if value is None or unit == "mm":
        return length(value, units)
    return acceleration(value, units) if unit == "mm/s^2" else f"{value:.2f} {unit}"


def unseen(results: Results, machine: Machine) -> Iterator[str]:
    """Say what an accepted run saw none of, and so cannot rule out.

    One-sided at 95 %, 1 − 0.05^(1/n), near 3/n (:func:`feedsim.metrics.intervals.upper95`), for
    single events. For a stop also its duration T and the largest share of time that it may take: if
    a share u of carriers causes one, a pitch apart at the speed v, u·T/(pitch/v + u·T).
    """
    if not results.accepted:
        return
    known = {"missed": "carrier missed", "jam_risk": "jam hazard"}
    none = [
        words
        for figure, words in known.items()
        if all(getattr(feeder, figure).count == 0 for feeder in results.feeders)
    ]
    most = upper95(results.carriers)
    if none and most is not None:
        yield (
            f"No {' and no '.join(none)} in {counted(results.carriers, 'carrier')}: up to "
            f"{percent(most, digits=2)} cannot be ruled out (95 %), more if they come in runs."
        )
    stops = results.stops
    if not isinstance(stops, LineStops) or stops.count or most is None:
        return
    takes, each = _stop_s(machine), machine.carriers.pitch_mm / machine.line.speed_mm_s
    share = percent(most * takes / (each + most * takes), digits=2)
    yield (
        f"No stop either: one in {whole(round(1.0 / most))} carriers cannot be ruled out. Each "
        f"takes about {time(takes)}, the time of {counted(round(takes / each), 'carrier')}: at "
        f"that rate stops would take {share} of the time."
    )


def _stop_s(machine: Machine) -> float:
    """Return the mean duration of a stop (s): to stand, be cleared, and run again."""
    line, supervision = machine.line, machine.supervision
    if supervision is None:
        return 0.0
    stop = supervision.rules
    standing = line.speed_mm_s / stop.stop_deceleration_mm_s2 + stop.clearing.mean_s
    return standing + line.speed_mm_s / line.acceleration_mm_s2
