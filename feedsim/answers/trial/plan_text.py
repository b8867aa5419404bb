"""The plan of a trial in words, and the blank file to fill in at the machine."""

from __future__ import annotations

from collections.abc import Iterator

from feedsim.answers.check.answer import settings_line
from feedsim.answers.trial.study.columns import blank_heads
from feedsim.answers.trial.study.plan import FeederPlan, Showing, TrialPlan
from feedsim.measures import canonical
from feedsim.metrics.intervals import Interval
from feedsim.metrics.percent import DASH, percent
from feedsim.quantities import System, display, display_unit, whole
from feedsim.render.csv_table import harmless
from feedsim.render.layout import table, wrapped
from feedsim.render.wording import counted, length_number, number, speed

CAUTION = (
    "Measure at rest, with the machine isolated and locked out; try every setting slowly first, "
    "with nobody in reach. feedsim is no safety function."
)
"""Printed with every trial."""

_FIGURES = {
    "missed": ("missed", "miss"),
    "jam_risk": ("jam risk", "hazard"),
    "within_tolerance": ("out of tolerance", "insert outside"),
}
"""Each acceptance figure, and one case that counts against it."""
_PLURALS = {"miss": "misses", "insert outside": "inserts outside"}


def blank_csv(plan: TrialPlan, *, units: System = "metric") -> bytes:
    """Return the file to fill in at the machine.

    For each speed and feeder a tally row with its number of carriers, whose ``missed`` is to be
    filled in; below it a row for each carrier to measure.
    """
    several = len(plan.feeders) > 1
    lines = [",".join(blank_heads(units, several=several))]
    for at in plan.speeds:
        shown = round(at.speed_mm_s * display_unit("speed", units).factor, 6)
        for feeder in plan.feeders:
            start = canonical(shown, "rate").partition(" ")[0]
            start += f",{_quoted(harmless(feeder.name))}" if several else ""
            lines.append(f"{start},{at.counted},,,")
            lines += [f"{start},,,,"] * at.measured
    return ("\n".join(lines) + "\n").encode()


def _quoted(name: str) -> str:
    if any(c in name for c in ',"\n\r') or name != name.strip():
        return '"' + name.replace('"', '""') + '"'
    return name


def plan_text(plan: TrialPlan, *, units: System = "metric") -> str:
    """Return what to type in, to run, to measure and to expect."""
    sure = percent(plan.confidence)
    lines = [plan.title, f"Plan of a trial on the line, at {sure}", ""]
    for feeder in plan.feeders:
        lines += [*_feeder(plan, feeder, units), ""]
    lines += [
        f"To show, with {sure} confidence, that line speed is accepted",
        *(line for row in plan.showing for line in _showing(row)),
        "",
        *wrapped(
            "Placement error: actual less target offset; above 0 the insert lies too far back. "
            "Stage position: insert eye to resting nose. In a row with a number of carriers fill "
            "in how many of them were missed; every other row is one carrier that was measured."
        ),
        *wrapped(CAUTION),
    ]
    return "\n".join(lines)


def _feeder(plan: TrialPlan, feeder: FeederPlan, units: System) -> Iterator[str]:
    unit = display_unit("length", units).label
    yield f"{feeder.name}: type in"
    yield from (f"  {line}" for line in settings_line(feeder.settings, units=units))
    sure = percent(plan.confidence)
    yield from wrapped(
        f"and run these; if the scenario is right, all bands hold together at {sure} ({unit})"
    )
    rows = [("speed", "to count", "to measure", "mean error", "its sd", "mean stage")]
    rows += [
        (
            speed(there.speed_mm_s, units),
            whole(there.counted),
            whole(there.measured),
            band_text(placed.mean_band_mm, units, sign=True),
            band_text(placed.sd_band_mm, units),
            band_text(staged.mean_band_mm, units),
        )
        for there, placed, staged in zip(plan.speeds, feeder.placement, feeder.stage, strict=True)
    ]
    yield from table(rows, "r")
    near = display(feeder.distance_mm, "length", units=units, digits=2)
    known = f"the engage distance to ±{near}"
    if feeder.lead_s is not None:
        known += f", the engage lead to ±{display(feeder.lead_s, 'time', digits=2)}"
    within = percent(plan.spread_within)
    yield from wrapped(f"Then each spread is known to ±{within} or better, {known}.")


def band_text(band: Interval | None, units: System, *, sign: bool = False) -> str:
    """Write a band, without its unit, with a digit less than a single figure has."""
    if band is None:
        return DASH
    places = 2 if units == "metric" else 3
    ends = (float(length_number(end, units)) for end in band)
    return " to ".join(number(end, places, sign=sign) for end in ends)


def _showing(row: Showing) -> Iterator[str]:
    name, one = _FIGURES[row.figure]
    limit, expected = percent(row.limit), percent(row.expected, digits=2)
    start = f"{name}, at most {limit} (expected {expected}): "
    if row.without_any is None or row.chance_without_any is None:
        yield from wrapped(f"{start}no number of carriers shows that", "  ", "    ")
        return
    shown = f"{start}{whole(row.without_any)} carriers without one {one} (probability "
    shown += f"{_chance(row.chance_without_any)})"
    if row.plan is None:
        beyond = row.expected > row.limit
        shown += f"; what is expected is {'above' if beyond else 'too near to'} the limit"
    elif row.plan.most:
        most = counted(row.plan.most, one, _PLURALS.get(one, ""))
        shown += f", or {whole(row.plan.n)} with {most} at most ({_chance(row.chance)})"
    if row.figure == "within_tolerance" and row.measuring is not None:
        shown += f", or {whole(row.measuring)} measured, if errors are normal and as expected"
    yield from wrapped(shown, "  ", "    ")


def _chance(chance: float | None) -> str:
    if chance is None:
        return DASH
    return (
        "under 1 %"
        if chance < 0.01
        else "over 99 %"
        if chance > 0.99
        else percent(chance, digits=2)
    )
