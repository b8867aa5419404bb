"""A trial for a terminal: what to type in, how sure it is, and what stays open."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from feedsim.answers.trial.plan_text import CAUTION, band_text
from feedsim.answers.trial.study.correction import Correction
from feedsim.answers.trial.study.fit import FeederFit, TrialFit
from feedsim.answers.trial.words import (
    cause_words,
    change,
    dependence_words,
    line_words,
    missed_words,
    outlier_words,
    spread_words,
)
from feedsim.machine import SIDES, SideName
from feedsim.metrics.machine_settings import OneSide
from feedsim.metrics.percent import DASH, percent
from feedsim.quantities import System, display, display_unit, first_of, noun_for, whole
from feedsim.render.layout import table, wrapped
from feedsim.render.wording import counted, length, length_number, speed
from feedsim.settings.acts import locked_step

_MOST_ROWS = 24
_NOT_STRAIGHT = 0.05
_FAR = 3.0


def fit_text(fit: TrialFit, *, units: System = "metric") -> str:
    """Return what the trial says."""
    lines = [fit.title, *_head(fit), ""]
    for feeder in fit.feeders:
        lines += [*_feeder(fit, feeder, units), ""]
    return "\n".join([*lines, *wrapped(CAUTION)])


def _head(fit: TrialFit) -> Iterator[str]:
    blank = f", {fit.blank_rows} blank" if fit.blank_rows else ""
    rows = f"{counted(fit.rows, 'row')}{blank}"
    yield f"Trial {fit.data}: {rows}; intervals at {percent(fit.confidence)}"
    if out := fit.rows_left_out:
        rows = first_of(out, _MOST_ROWS)
        yield f"Left out as asked: {noun_for(len(out), 'row')} {rows}"
    if fit.columns_not_read:
        yield f"Columns not read: {', '.join(fit.columns_not_read[:8])}"


def _feeder(fit: TrialFit, feeder: FeederFit, units: System) -> Iterator[str]:
    yield feeder.name
    for staged in (False, True):
        yield from _table(feeder, units, staged=staged)
    found = feeder.found
    for name, line in (
        ("Placement error", found.placement),
        ("Stage, off its position", found.stage),
        ("Placement error, once the stage is right", found.remaining),
    ):
        if line is not None:
            yield from line_words(name, line, units)
    yield from dependence_words(feeder)
    for part in (
        _type_in(fit, feeder, units),
        (line for text in _untold(fit, feeder, units) for line in wrapped(text)),
        spread_words(feeder, fit, units),
        missed_words(feeder, fit),
        outlier_words(feeder, units),
        cause_words(feeder.would_explain, units),
    ):
        lines = list(part)
        if lines:
            yield ""
            yield from lines


def _table(feeder: FeederFit, units: System, *, staged: bool) -> Iterator[str]:
    unit = display_unit("length", units).label
    moved = not staged and feeder.new != feeder.old
    there = [(at, at.stage if staged else at.placement) for at in feeder.speeds]
    shown = [(at, seen) for at, seen in there if seen.n]
    if not shown:
        return
    name = "mean stage" if staged else "mean error"
    heads = ("speed", "n", f"{name} ", "expected", "sd ", "expected", "corrected" if moved else "")
    rows = [(*heads, f"({unit})")]
    for at, seen in shown[:_MOST_ROWS]:
        after = at.after_mm if moved else None
        mean = _marked(seen.mean_mm, seen.mean_as_expected, units, sign=not staged)
        band = band_text(seen.band.mean_band_mm, units, sign=not staged)
        sd = _marked(seen.sd_mm, seen.sd_as_expected, units)
        sd_band = band_text(seen.band.sd_band_mm, units)
        corrected = "" if after is None else length_number(after, units, sign=True)
        row = (speed(at.speed_mm_s, units), whole(seen.n), mean, band, sd, sd_band, corrected, "")
        rows.append(row)
    yield from table(rows, "r")
    if len(shown) > _MOST_ROWS:
        yield f"  and {counted(len(shown) - _MOST_ROWS, 'speed')} more, in trial_fit.json"
    if any(False in (seen.mean_as_expected, seen.sd_as_expected) for _, seen in shown):
        yield "  * outside of what the scenario expects"


def _marked(value: float | None, good: bool | None, units: System, *, sign: bool = False) -> str:
    if value is None:
        return DASH
    return length_number(value, units, sign=sign) + ("*" if good is False else " ")


def _type_in(fit: TrialFit, feeder: FeederFit, units: System) -> Iterator[str]:
    """Say what to type in, old and new, with the change and how sure it is."""
    found = feeder.found
    if found.engage is None and found.disengage is None:
        if any(there.placement.n or there.stage.n for there in feeder.speeds):
            yield "Too little was measured for a correction: at least 3 carriers at 2 speeds."
        return
    yield f"Type in (change, {percent(fit.confidence)})"
    for side, correction in zip(SIDES, (found.engage, found.disengage), strict=True):
        if correction is not None:
            yield from _side(feeder, side, correction, units)
    pace = fit.machine.line.speed_mm_s
    exact, typed = (
        float(found.moved(fit.machine, feeder.number, np.array([pace]), exact=exact)[0])
        for exact in (True, False)
    )
    if typed != exact:
        off = length(typed - exact, units, sign=True)
        yield f"  On the controller's steps, which puts inserts {off} off at {speed(pace, units)}."


def _side(
    feeder: FeederFit, side: SideName, correction: Correction, units: System
) -> Iterator[str]:
    shown, lead = change(correction.distance_mm, "length", units), correction.lead_s
    old, new = feeder.settings_old.side(side), feeder.settings_new.side(side)
    if not correction.applied:
        why = (
            "off by no more than chance explains: leave it"
            if feeder.found.engage is not None
            else "left alone: moving the stage would move a placement that was not measured"
        )
        more = "" if lead is None else f" and {change(lead, 'time', units)}"
        yield f"  {side.capitalize()} side {why}"
        yield f"    (it would be {shown}{more})"
        return
    yield f"  {side.capitalize()} distance  {_distance(old, units)} -> {_distance(new, units)}"
    yield f"    {shown}"
    if lead is not None:
        yield f"  {side.capitalize()} lead  {old.lead_ms:.2f} ms -> {new.lead_ms:.2f} ms"
        yield f"    {change(lead, 'time', units)}"


def _distance(side: OneSide, units: System) -> str:
    counts = side.distance_counts
    shown = display(side.distance_mm, "length", units=units, digits=5)
    return shown if counts is None else f"{shown} ({counted(counts, 'count')})"


def _untold(fit: TrialFit, feeder: FeederFit, units: System) -> Iterator[str]:
    """Say what the trial cannot separate, and which assumptions may not hold."""
    found, line = feeder.found, feeder.found.placement
    if line is not None and line.per_speed_s is None:
        at = speed(feeder.speeds[0].speed_mm_s, units)
        yield (
            "One speed does not separate distance from lead. All of it is put on the distance, "
            f"which is then right at {at} only. Measure at others."
        )
    elif line is not None and line.speeds == 2:
        yield "Two speeds do not show whether the line between them is straight."
    if found.stage is None and line is not None:
        yield _stage_unknown(feeder)
    yield from _not_straight(fit, feeder, units)
    yield from _speeds(fit, feeder, units)


def _stage_unknown(feeder: FeederFit) -> str:
    if feeder.old.stage_correction:
        return (
            "The stage was not measured, so nothing is known of the disengage side: with "
            "stage_correction the placement does not show it."
        )
    return (
        "The stage was not measured. A late carrier side and an early insert side then look "
        "alike: all of it is put on the engage side. A delay that both share does not "
        "show in the placement at all; the stage may still walk with speed, until a nose "
        "strikes or a tail is held. Measure stage_position as well."
    )


def _not_straight(fit: TrialFit, feeder: FeederFit, units: System) -> Iterator[str]:
    found = feeder.found
    bent = [
        name
        for name, line in (("placement error", found.placement), ("stage", found.stage))
        if line is not None and line.straight is not None and line.straight < _NOT_STRAIGHT
    ]
    if not bent:
        return
    verb = "does" if len(bent) == 1 else "do"
    yield (
        f"The {' and the '.join(bent)} {verb} not lie on a straight line over the speed; the "
        "intervals are widened for it. Another run at each speed shows whether it was chance."
    )
    step = locked_step(fit.machine.controller)
    eyes = (fit.machine.carrier_eye.scanned, fit.machine.feeders[feeder.number].eye.scanned)
    if step and any(eyes):
        travel = display(step * feeder.speeds[-1].speed_mm_s, "length", units=units, digits=2)
        yield (
            f"Scan and motion ticks are locked: points act in steps of up to {travel}, which no "
            "distance takes out. Latch the eyes, or shorten the motion cycle."
        )


def _speeds(fit: TrialFit, feeder: FeederFit, units: System) -> Iterator[str]:
    line_speed = fit.scenario.line.speed
    slowest, fastest = (feeder.speeds[place].speed_mm_s for place in (0, -1))
    shown = speed(line_speed, units)
    if fastest * _FAR < line_speed or slowest > line_speed * _FAR:
        yield (
            f"The fastest speed tried is {speed(fastest, units)}, the line's is {shown}: is the "
            "unit of the column right?"
        )
    elif fastest > slowest and not 0.99 * slowest <= line_speed <= 1.01 * fastest:
        yield (
            f"Line speed, {shown}, lies outside the speeds that were tried: there the "
            "corrections are extrapolated."
        )
    target = feeder.old.stage_position_mm
    reach = fit.machine.feeders[feeder.number].inserts.length_mm / 2.0
    means = (there.stage.mean_mm for there in feeder.speeds)
    if any(mean is not None and abs(mean - target) > reach for mean in means):
        yield (
            "The stage positions are far from the one that is set: measure them from the insert "
            "eye to the resting nose."
        )
