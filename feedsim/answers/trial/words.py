"""Figures of a trial and what they mean, in sentences."""

from __future__ import annotations

from collections.abc import Iterator

from feedsim.answers.trial.study.causes import Cause
from feedsim.answers.trial.study.correction import Corrections
from feedsim.answers.trial.study.dependence import Dependence
from feedsim.answers.trial.study.fit import FeederFit, SpreadFit, TrialFit
from feedsim.answers.trial.study.line import Estimate, SpeedLine
from feedsim.answers.trial.study.missed import MissedInTrial
from feedsim.metrics.percent import percent, percent_range
from feedsim.quantities import System, display, display_unit, whole
from feedsim.render.layout import wrapped
from feedsim.render.wording import NO_INTERVAL, counted, length, length_number, number, speed

_SHOWN_OUTLIERS = 8


def _ms(value: float, *, sign: bool = True) -> str:
    """Write a time (s) in ms, to a hundredth."""
    return number(1e3 * value, 2, sign=sign)


def change(estimate: Estimate, kind: str, units: System) -> str:
    """Write an estimate with its interval: a length (mm) or a time (s)."""
    figures = (estimate.value, estimate.low, estimate.high)
    if kind == "time":
        value, low, high = (_ms(figure) for figure in figures)
        return f"{value} ms ({low} to {high})"
    _, low, high = (length_number(figure, units, sign=True) for figure in figures)
    return f"{length(estimate.value, units, sign=True)} ({low} to {high})"


def line_words(name: str, line: SpeedLine, units: System) -> Iterator[str]:
    """Say how far something is off, at standstill and with speed."""
    if line.per_speed_s is None:
        yield f"{name}: {change(line.at_standstill_mm, 'length', units)} at the one speed"
        return
    yield from wrapped(
        f"{name}: {change(line.at_standstill_mm, 'length', units)} extrapolated to zero speed, and "
        f"the belt travel of {change(line.per_speed_s, 'time', units)}",
        rest="  ",
    )


def dependence_words(feeder: FeederFit) -> Iterator[str]:
    """Say how intervals allow for dependence, and what the tests in row order found."""
    for name, fitted in (
        ("Placement errors", feeder.found.placement_fit),
        ("Stage positions", feeder.found.stage_fit),
    ):
        if fitted is None or fitted.spread is None:
            continue
        dependence = fitted.dependence
        if dependence is None:
            yield from wrapped(
                f"{name} are taken as independent of the card before; there are too few cards in "
                "a row at each speed to test it."
            )
        else:
            yield from wrapped(_sentence(name, dependence))


def _sentence(name: str, dependence: Dependence) -> str:
    lag, runs = dependence.lag_one, dependence.runs
    told = f"lag 1 {lag.correlation:+.2f}, p {_p(lag.chance)}"
    if runs is not None:
        told += f"; {runs.seen} runs, {runs.expected:.0f} expected, p {_p(runs.chance)}"
    process = dependence.process
    if process == 0.0:
        return f"{name} are taken as independent of the card before: the rows agree ({told})."
    word = "ARE NOT" if dependence.sure else "may not be"
    return (
        f"{name} {word} independent of the card before ({told}, in the order of the rows). "
        f"Intervals are those of a first-order autoregression by {process:+.2f}"
        + (
            ", so wider; look for what lasts from card to card."
            if process > 0.0
            else "; those of means are no narrower for it."
        )
    )


def _p(chance: float, least: str = "0.001") -> str:
    return f"under {least}" if chance < float(least) else f"= {chance:.2g}"


def spread_words(feeder: FeederFit, fit: TrialFit, units: System) -> Iterator[str]:
    """Say how the spreads split, and what the scenario does not explain."""
    placed, staged = feeder.placement_spread, feeder.stage_spread
    muddled = feeder.kept_outliers and feeder.outliers
    for name, spread, step in (
        ("Spread of the placement", placed, fit.error_step_mm),
        ("Spread of the stage", staged, fit.stage_step_mm),
    ):
        if spread is not None:
            yield from _split(name, spread, units)
            if muddled:
                yield "  Outliers are in it, so it is not compared with what is expected."
            else:
                yield from _unexplained(spread, units)
            if step > 2.0 * spread.expected.fixed_mm:
                yield (
                    f"  It was read off in steps of {display(step, 'length', units=units)}: too "
                    f"coarse to show small parts."
                )
    more = placed and placed.more_time_s
    if muddled or not more or staged is None:
        return
    if staged.more_time_s is None:
        yield "  The stage has no more jitter than expected: look at the carrier side."
    elif max(more.low, staged.more_time_s.low) <= min(more.high, staged.more_time_s.high):
        yield "  The stage has as much of it: look at the insert side."


def _split(name: str, spread: SpreadFit, units: System) -> Iterator[str]:
    found, wanted = spread.found, spread.expected
    fixed = (
        f"{length(found.fixed_mm, units)} ({_between(found.fixed_ci_mm, units)}, "
        f"expected {length_number(wanted.fixed_mm, units)})"
    )
    if found.time_s is None or found.time_ci_s is None:
        yield from wrapped(
            f"{name}: {fixed}; one speed does not show how much of it is a time", rest="  "
        )
    else:
        time, expected = (_ms(part, sign=False) for part in (found.time_s, wanted.time_s))
        yield from wrapped(
            f"{name}: fixed {fixed}, time {time} ms ({_between(found.time_ci_s)}, expected "
            f"{expected})",
            rest="  ",
        )


def _unexplained(spread: SpreadFit, units: System) -> Iterator[str]:
    """Say which part of a spread the scenario does not explain, or overestimates."""
    if (more := spread.more_time_s) is not None:
        yield from wrapped(
            f"There is {_ms(more.value, sign=False)} ms ({_between((more.low, more.high))}) of "
            f"jitter that the scenario does not explain; look at capture mode, scan and eye.",
            "  ",
        )
    if (extra := spread.more_fixed_mm) is not None:
        yield from wrapped(
            f"There is {length(extra.value, units)} ({_between((extra.low, extra.high), units)}) "
            f"at every speed that the scenario does not explain; look at edges, slip, counts, and "
            f"at how it was measured.",
            "  ",
        )
    if spread.less_time or spread.less_fixed:
        part = "time" if spread.less_time else "fixed part"
        yield f"  The scenario expects more of the {part} than there is."
    elif spread.unlike and more is None and extra is None:
        yield "  That is not what the scenario expects; which part differs is not clear."


def _between(ends: tuple[float, float], units: System | None = None) -> str:
    """Write the ends of an interval of a spread: lengths (mm) in units, or times (s) in ms."""
    shown = (length_number(x, units) if units else _ms(x, sign=False) for x in ends)
    return " to ".join(shown)


def missed_words(feeder: FeederFit, fit: TrialFit) -> Iterator[str]:
    """Compare the missed carriers with what the scenario expects."""
    missed = feeder.missed
    if missed is None:
        return
    within = percent_range(missed.share_ci) if missed.share_ci else NO_INTERVAL
    count = missed.expected_count
    expected = f"{count:,.0f}" if count >= 10.0 else f"{count:.2g}"
    yield (
        f"Missed: {missed.count} of {counted(missed.carriers, 'carrier')}, {percent(missed.share)} "
        f"({within}); {expected} expected"
    )
    if missed.probability is None:
        if missed.count:
            yield "  The scenario has nothing that would miss a carrier: something else does."
        else:
            yield "  The scenario has nothing that would miss one, either."
    elif missed.probability < 1.0 - fit.confidence:
        side = "more" if missed.count > missed.expected_count else "fewer"
        yield from wrapped(f"{side} than the scenario explains ({_exact(missed)})", "  ")
    else:
        yield from wrapped(f"as the scenario expects ({_exact(missed)})", "  ")


def _exact(missed: MissedInTrial) -> str:
    effect = missed.design_effect
    if effect is None:
        taken = "misses taken as independent, since a tally has no order"
    elif effect > 1.0:
        worth = max(1.0, missed.carriers / effect)
        taken = f"misses cluster: {whole(missed.carriers)} carriers are worth {whole(worth)}"
    else:
        taken = "misses show no clusters in row order"
    return f"exact test, {taken}, p {_p(missed.probability or 0.0, '1e-9')}"


def outlier_words(feeder: FeederFit, units: System) -> Iterator[str]:
    """Name the outliers, and say what the correction is with them, or without."""
    if not feeder.outliers or feeder.otherwise is None:
        return
    count, kept = len(feeder.outliers), feeder.kept_outliers
    them = "them" if count > 1 else "it"
    done = "kept in all figures" if kept else "left out of lines, spreads and corrections"
    yield f"{count} value{'s stick' if count > 1 else ' sticks'} out; {done}:"
    for outlier in feeder.outliers[:_SHOWN_OUTLIERS]:
        at = speed(outlier.speed_mm_s, units)
        signed = outlier.column == "placement_error"
        yield (
            f"  row {outlier.row} ({at}): {outlier.column.replace('_', ' ')} "
            f"{length(outlier.value_mm, units, sign=signed)}, {abs(outlier.off_by):.1f} standard "
            f"deviations off"
        )
    if count > _SHOWN_OUTLIERS:
        yield f"  and {count - _SHOWN_OUTLIERS} more"
    with_them = f"{'Without' if kept else 'With'} {them}"
    yield from wrapped(f"{with_them}, to be added: {_added(feeder.otherwise, units)}.", "  ")
    if _another(*((feeder.found, feeder.otherwise) if kept else (feeder.otherwise, feeder.found))):
        yield "  THAT IS ANOTHER CORRECTION: look at these rows before you type anything in."
    if not kept:
        yield from wrapped(
            "Find out what they were: a slip of the pen may be forgotten, a machine that does it "
            "now and then will go on doing it. --keep-outliers leaves them in.",
            "  ",
        )


def _another(found: Corrections, without: Corrections) -> bool:
    """Return whether outliers move a correction by more than half its interval without them."""
    sides = ((found.engage, without.engage), (found.disengage, without.disengage))
    both = [(one, other) for one, other in sides if one is not None and other is not None]
    pairs = [(one.distance_mm, other.distance_mm) for one, other in both]
    leads = [(one.lead_s, other.lead_s) for one, other in both]
    pairs += [(one, other) for one, other in leads if one is not None and other is not None]
    return any(abs(a.value - b.value) > (b.high - b.low) / 4.0 for a, b in pairs)


def _added(found: Corrections, units: System) -> str:
    parts = []
    for side, correction in (("engage", found.engage), ("disengage", found.disengage)):
        if correction is not None:
            parts.append(
                f"{side} distance {length(correction.distance_mm.value, units, sign=True)}"
            )
            if correction.lead_s is not None:
                parts.append(f"lead {_ms(correction.lead_s.value)} ms")
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
    """Name possible causes, with the value that each key would need."""
    if not causes:
        return
    yield "What it can come from; each alone would explain its part:"
    for of, about in _ABOUT.items():
        if rows := [cause for cause in causes if (cause.explains, cause.above_0) == of]:
            yield from wrapped(about, "  ")
        for cause in rows:
            now, instead = (_value(cause, value, units) for value in (cause.now, cause.instead))
            yield f"    {cause.key:<36} {now} -> {instead}"
    yield from wrapped(
        "feedsim cannot tell which. Until it stands in the scenario, run and check call the "
        "corrected settings off by as much as they were corrected."
    )


def _value(cause: Cause, value: float, units: System) -> str:
    if cause.kind == "time":
        return f"{1e3 * value:.4g} ms"
    if cause.kind == "share":
        return percent(value)
    shown = display_unit("length", units)
    return f"{value * shown.factor:.{2 if units == 'metric' else 3}f} {shown.label}"
