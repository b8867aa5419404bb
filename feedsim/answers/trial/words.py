"""Figures of a trial and what they mean, in sentences."""

from __future__ import annotations

from collections.abc import Iterator

from feedsim.answers.trial.study.causes import Cause
from feedsim.answers.trial.study.correction import Corrections
from feedsim.answers.trial.study.fit import FeederFit, Spread, TrialFit
from feedsim.answers.trial.study.line import Estimate, Line
from feedsim.answers.trial.study.missed import Missed
from feedsim.answers.trial.study.outliers import Outlier
from feedsim.metrics.intervals import Interval
from feedsim.quantities import System, display, display_unit
from feedsim.render.wording import NO_INTERVAL, length, length_number, percent, percent_range

__all__ = [
    "cause_words",
    "change",
    "line_words",
    "milliseconds",
    "missed_words",
    "outlier_words",
    "spread_words",
]

_SHOWN_OUTLIERS = 8


def milliseconds(value: float, *, sign: bool = True) -> str:
    """Write a time (s) in ms, to a hundredth."""
    text = f"{1e3 * value:{'+' if sign else ''}.2f}"
    return text if float(text) else text.lstrip("+-")


def change(estimate: Estimate, kind: str, units: System) -> str:
    """Write an estimate with its interval: a length (mm) or a time (s)."""
    if kind == "time":
        value, low, high = (milliseconds(x) for x in (estimate.value, estimate.low, estimate.high))
        return f"{value} ms ({low} to {high})"
    low, high = (length_number(x, units, sign=True) for x in (estimate.low, estimate.high))
    return f"{length(estimate.value, units, sign=True)} ({low} to {high})"


def line_words(name: str, line: Line, units: System) -> Iterator[str]:
    """Say by how much something is off, at standstill and with speed."""
    if line.per_speed_s is None:
        yield f"{name}: {change(line.at_standstill_mm, 'length', units)} at the one speed"
        return
    yield f"{name}: {change(line.at_standstill_mm, 'length', units)} at standstill,"
    yield f"  and {change(line.per_speed_s, 'time', units)} of travel at line speed"


def spread_words(feeder: FeederFit, fit: TrialFit, units: System) -> Iterator[str]:
    """Say how the spreads split, and what the scenario does not explain."""
    for name, spread, step in (
        ("Spread of the placement", feeder.placement_spread, fit.error_step_mm),
        ("Spread of the stage", feeder.stage_spread, fit.stage_step_mm),
    ):
        if spread is not None:
            yield from _split(name, spread, units)
            if feeder.kept_outliers and feeder.outliers:
                yield "  What sticks out is in it, so whether the rest is as expected is not told."
            else:
                yield from _unexplained(spread, units)
            if step > 2.0 * spread.expected.fixed_mm:
                yield (
                    f"  It was read off in steps of {display(step, 'length', units=units)}: too "
                    f"coarse to tell small parts."
                )
    placed, staged = feeder.placement_spread, feeder.stage_spread
    if feeder.kept_outliers and feeder.outliers:
        return
    if placed is not None and placed.more_time_s is not None and staged is not None:
        if staged.more_time_s is None:
            yield "  The stage has no more jitter than expected: look at the carrier side."
        elif _about(placed.more_time_s, staged.more_time_s):
            yield "  The stage has as much of it: look at the insert side."


def _about(one: Estimate, other: Estimate) -> bool:
    return max(one.low, other.low) <= min(one.high, other.high)


def _split(name: str, spread: Spread, units: System) -> Iterator[str]:
    found, wanted = spread.found, spread.expected
    fixed = (
        f"{length(found.fixed_mm, units)} ({_range(found.fixed_ci_mm, units)}, "
        f"expected {length_number(wanted.fixed_mm, units)})"
    )
    if found.time_s is None or found.time_ci_s is None:
        yield f"{name}: {fixed};"
        yield "  how much of it is a time cannot be told at one speed"
    else:
        low, high = (milliseconds(x, sign=False) for x in found.time_ci_s)
        yield f"{name}: fixed {fixed},"
        yield (
            f"  time {milliseconds(found.time_s, sign=False)} ms ({low} to {high}, expected "
            f"{milliseconds(wanted.time_s, sign=False)})"
        )


def _unexplained(spread: Spread, units: System) -> Iterator[str]:
    """Say what of a spread the scenario does not explain, or expects in vain."""
    if (more := spread.more_time_s) is not None:
        low, high = (milliseconds(x, sign=False) for x in (more.low, more.high))
        yield (
            f"  There is {milliseconds(more.value, sign=False)} ms ({low} to {high}) of jitter "
            f"that the scenario does not explain;"
        )
        yield "  look at capture mode, scan and eye."
    if (extra := spread.more_fixed_mm) is not None:
        ends = _range(Interval(extra.low, extra.high), units)
        yield (
            f"  There is {length(extra.value, units)} ({ends}) at every speed that the scenario "
            f"does not explain;"
        )
        yield "  look at edges, slip, counts, and at how it was measured."
    if spread.less_time or spread.less_fixed:
        part = "time" if spread.less_time else "fixed part"
        yield f"  The scenario expects more of the {part} than there is."
    elif spread.unlike and more is None and extra is None:
        yield "  That is not what the scenario expects; which part it is cannot be told."


def _range(interval: Interval, units: System) -> str:
    low, high = (length_number(x, units) for x in interval)
    return f"{low} to {high}"


def missed_words(feeder: FeederFit, fit: TrialFit) -> Iterator[str]:
    """Hold the missed carriers against what the scenario expects."""
    missed = feeder.missed
    if missed is None:
        return
    within = percent_range(missed.share_ci) if missed.share_ci else NO_INTERVAL
    yield (
        f"Missed: {missed.count} of {missed.carriers:,} carriers, {percent(missed.share)} "
        f"({within}); {_count(missed.expected_count)} expected"
    )
    if missed.probability is None:
        if missed.count:
            yield "  The scenario has nothing that would miss a carrier: something else does."
        else:
            yield "  The scenario has nothing that would miss one, either."
    elif missed.probability < 1.0 - fit.confidence:
        side = "more" if missed.count > missed.expected_count else "fewer"
        yield f"  {side} than the scenario explains ({_exact(missed)})"
    else:
        yield f"  as the scenario has it ({_exact(missed)})"


def _count(count: float) -> str:
    return f"{count:,.0f}" if count >= 10.0 else f"{count:.2g}"


def _exact(missed: Missed) -> str:
    probability, effect = missed.probability or 0.0, missed.design_effect
    chance = "under 1e-9" if probability < 1e-9 else f"= {probability:.2g}"
    if effect is None:
        taken = "misses taken as independent, since a tally has no order"
    elif effect > 1.0:
        worth = max(1.0, missed.carriers / effect)
        taken = f"misses cluster: {missed.carriers:,} carriers are worth {worth:,.0f}"
    else:
        taken = "misses as independent as the rows have them"
    return f"exact test, {taken}, p {chance}"


def outlier_words(feeder: FeederFit, units: System) -> Iterator[str]:
    """Name what sticks out, and say what would come out with it, or without."""
    if not feeder.outliers or feeder.otherwise is None:
        return
    count, kept = len(feeder.outliers), feeder.kept_outliers
    them = "them" if count > 1 else "it"
    done = "kept in all figures" if kept else "left out of lines, spreads and corrections"
    yield f"{count} value{'s stick' if count > 1 else ' sticks'} out; {done}:"
    for outlier in feeder.outliers[:_SHOWN_OUTLIERS]:
        yield f"  {_outlier(outlier, units)}"
    if count > _SHOWN_OUTLIERS:
        yield f"  and {count - _SHOWN_OUTLIERS} more"
    yield f"  {'Without' if kept else 'With'} {them}, to be added:"
    yield f"  {_added(feeder.otherwise, units)}."
    if _another(*((feeder.found, feeder.otherwise) if kept else (feeder.otherwise, feeder.found))):
        yield "  THAT IS ANOTHER CORRECTION: look at these rows before anything is typed in."
    if not kept:
        yield "  Find out what they were: a slip of the pen may be forgotten, a machine that does"
        yield "  it now and then will go on doing it. --keep-outliers leaves them in."


def _another(found: Corrections, without: Corrections) -> bool:
    """Tell whether what would come out without outliers is beyond half of its own interval."""
    for side in ("engage", "disengage"):
        one, other = getattr(found, side), getattr(without, side)
        if one is None or other is None:
            continue
        for name in ("distance_mm", "lead_s"):
            a, b = getattr(one, name), getattr(other, name)
            if a is not None and b is not None and abs(a.value - b.value) > (b.high - b.low) / 4.0:
                return True
    return False


def _outlier(outlier: Outlier, units: System) -> str:
    speed = display(outlier.speed_mm_s, "speed", units=units)
    name = outlier.column.replace("_", " ")
    signed = outlier.column == "placement_error"
    return (
        f"row {outlier.row} ({speed}): {name} {length(outlier.value_mm, units, sign=signed)}, "
        f"{abs(outlier.off_by):.1f} standard deviations off"
    )


def _added(found: Corrections, units: System) -> str:
    parts = []
    for side, correction in (("engage", found.engage), ("disengage", found.disengage)):
        if correction is not None:
            parts.append(
                f"{side} distance {length(correction.distance_mm.value, units, sign=True)}"
            )
            if correction.lead_s is not None:
                parts.append(f"lead {milliseconds(correction.lead_s.value)} ms")
    return ", ".join(parts) if parts else "too little is left for a fit"


_ABOUT = {
    ("engage slope", True): "Later with speed: the carrier eye, its scan or the ramp-in slower "
    "than believed",
    ("engage slope", False): "Earlier with speed: the carrier eye, its scan or the ramp-in faster "
    "than believed",
    ("engage offset", True): "Late at every speed: a scale error, a place measured wrong, slip",
    ("engage offset", False): "Early at every speed: a scale error, a place measured wrong, slip",
    ("disengage slope", True): "Staged further with speed: the insert eye, its scan or the "
    "ramp-out slower than believed",
    ("disengage slope", False): "Staged less far with speed: the insert eye, its scan or the "
    "ramp-out faster than believed",
}


def cause_words(causes: tuple[Cause, ...], units: System) -> Iterator[str]:
    """Say what it can come from, with the value that each key would need."""
    if not causes:
        return
    yield "What it can come from; each of these alone would explain its part:"
    for (part, above_0), about in _ABOUT.items():
        those = (cause for cause in causes if cause.explains == part)
        rows = [cause for cause in those if cause.above_0 is above_0]
        if rows:
            yield f"  {about}"
        for cause in rows:
            now, instead = (_value(cause, value, units) for value in (cause.now, cause.instead))
            yield f"    {cause.key:<36} {now} -> {instead}"
    yield "feedsim cannot tell which. Until it stands in the scenario, run and check"
    yield "call the corrected settings off by as much as they were corrected."


def _value(cause: Cause, value: float, units: System) -> str:
    if cause.kind == "time":
        return f"{1e3 * value:.4g} ms"
    if cause.kind == "share":
        return f"{100.0 * value:.3g} %"
    shown = display_unit("length", units)
    return f"{value * shown.factor:.{2 if units == 'metric' else 3}f} {shown.label}"
