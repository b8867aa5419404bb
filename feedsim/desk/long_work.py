"""Answers that take a while: a sweep, the limit by simulation."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from feedsim.answers.amounts import share_of
from feedsim.answers.limit.answer import MOST_CARRIERS, NARROWEST, WIDEST, enough, searched
from feedsim.answers.limit.study.closed import in_closed_form
from feedsim.answers.limit.text import binding_words
from feedsim.answers.line import Line
from feedsim.answers.sweep.answer import planned, swept
from feedsim.answers.sweep.study import SweepPlan
from feedsim.desk import told
from feedsim.desk.lanes import Job, TooLong
from feedsim.errors import Fault, FeedsimError, argument
from feedsim.measures import QuantityError, only_taken, parse
from feedsim.metrics.feeder_results import FeederResults
from feedsim.quantities import System
from feedsim.render.canvas import pictures
from feedsim.running.axes import VALUE_FORMS, parse_axis
from feedsim.running.executor import Local
from feedsim.running.point import Point

_MOST_OF_A_SWEEP = 5_000_000
_HERE = Local(1)
_FORMS = 'values as from:to:step with a unit, such as "40:90:10 mm", or a list such as "40, 60 mm"'


def sweep(line: Line, axes: Sequence[str], units: System, job: Job) -> dict[str, object]:
    """Return the results of a line at all values of one key, or of two crossed."""
    plan = _planned(line, axes)
    if plan.carriers > _MOST_OF_A_SWEEP:
        raise TooLong(
            f"{plan.carriers:,} carriers in all; a sweep of the desk runs {_MOST_OF_A_SWEEP:,} at "
            "most: take fewer values, or fewer carriers"
        )
    total, done = len(plan.points), 0

    def on_point(_: int, __: Point) -> None:
        nonlocal done
        done += 1
        job.reached(done, total, "points")

    job.reached(0, total, "points")
    found = swept(plan, where=_HERE, on_point=on_point)
    job.look()
    drawn = pictures(found.figures(units=units))
    return {
        "text": found.text(units=units),
        "axes": [
            {"key": axis.key, "values": list(axis.values), "numbers": list(axis.numbers)}
            for axis in found.axes
        ],
        "points": [
            {"at": [value for _, value in changes], **_point(point)}
            for changes, point in zip(plan.points, found.points, strict=True)
        ],
        "figures": {
            name.removesuffix(".svg"): picture.decode()
            for name, picture in drawn.items()
            if name.endswith(".svg") and isinstance(picture, bytes)
        },
    }


def _planned(line: Line, axes: Sequence[str]) -> SweepPlan:
    """Plan a sweep; errors name the knob and its values, not an option."""
    faults = []
    for axis in axes:
        key, _, values = axis.partition("=")
        try:
            parse_axis(axis)
        except FeedsimError as error:
            (fault,) = error.faults
            allowed = _FORMS if fault.allowed in VALUE_FORMS else fault.allowed
            faults.append(Fault(key.strip(), repr(values[:60]), allowed))
    if faults:
        raise FeedsimError(*faults)
    try:
        return planned(line, vary=axes)
    except FeedsimError as error:
        faults = [
            replace(f, key=f.key.removeprefix(argument("vary")).strip()) for f in error.faults
        ]
    raise FeedsimError(*faults)


def _point(point: Point) -> dict[str, object]:
    results = point.results
    return {
        "accepted": results.accepted,
        "decided": results.decided,
        "refused": results.refused,
        "feeders": [_feeder(feeder) for feeder in results.feeders],
    }


def _feeder(feeder: FeederResults) -> dict[str, object]:
    error = feeder.placement_error
    return {
        "name": feeder.name,
        "mean_mm": error.mean_mm,
        "sd_mm": error.sd_mm,
        "within_tolerance": error.within_tolerance,
        "missed": feeder.missed.share,
        "jam_risk": feeder.jam_risk.share,
    }


def _is_width(proposed: str) -> bool:
    try:
        return NARROWEST <= parse(proposed, "share") <= WIDEST
    except QuantityError:
        return False


def limit(line: Line, within: str, units: System, job: Job) -> dict[str, object]:
    """Return the highest accepted speed, found by simulation."""
    try:
        narrow = share_of("within", parse(within, "share"), NARROWEST, WIDEST)
    except QuantityError as error:
        needed = only_taken(str(error), _is_width, 'a share from "0.01 %" to "50 %"')
        raise FeedsimError(Fault("within", message=f"needs {needed}")) from None
    enough(line, MOST_CARRIERS)
    job.reached(0, MOST_CARRIERS, "carriers at most")
    closed = in_closed_form(line.scenario, look=job.look)
    found = searched(
        line,
        closed,
        within=narrow,
        at_most=MOST_CARRIERS,
        where=_HERE,
        progress=lambda done: job.reached(done, MOST_CARRIERS, "carriers at most"),
    )
    seen = found.simulated
    ends = {"low": seen.accepted_speed_mm_s, "high": seen.refused_speed_mm_s}
    return {
        "text": found.text(units=units),
        "closed_form": binding_words(found.closed_form, units=units),
        **{name: None if v is None else told.speed(v, units) for name, v in ends.items()},
    }
