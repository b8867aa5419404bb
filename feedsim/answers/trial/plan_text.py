"""The plan of a trial in words."""

from __future__ import annotations

from collections.abc import Iterator

from feedsim.answers.check.text import settings_line
from feedsim.answers.trial.study.plan import FeederPlan, Showing, TrialPlan
from feedsim.metrics.intervals import Interval
from feedsim.quantities import System, display, display_unit
from feedsim.render.layout import table, wrapped
from feedsim.render.wording import DASH, length_number, percent, speed, whole

__all__ = ["CAUTION", "band_text", "plan_text"]

CAUTION = (
    "Measure at rest, with the machine isolated and locked out; try every setting slowly first, "
    "with nobody in reach. feedsim is no safety function."
)
"""Printed with every trial."""

_FIGURES = {"missed": "missed", "jam_risk": "jam risk", "within_tolerance": "out of tolerance"}
_ONE = {"missed": "miss", "jam_risk": "hazard", "within_tolerance": "insert outside"}


def plan_text(plan: TrialPlan, *, units: System = "metric") -> str:
    """Return what to type in, to run, to measure and to expect.

    Parameters
    ----------
    plan : TrialPlan
    units : {"metric", "inch"}
        Units of everything that is written.
    """
    sure = percent(plan.confidence)
    lines = [plan.title, f"Plan of a trial on the line, at {sure}", ""]
    for feeder in plan.feeders:
        lines += [*_feeder(plan, feeder, units), ""]
    lines += [
        f"To show, at {sure} and line speed, that it is accepted",
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
    yield f"and run; if the scenario is right, all of these hold at {sure} ({unit})"
    rows = [("speed", "count", "measure", "mean error", "its sd", "mean stage")]
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
    known = (
        f"the engage distance to ±{display(feeder.distance_mm, 'length', units=units, digits=2)}"
    )
    if feeder.lead_s is not None:
        known += f", the engage lead to ±{display(feeder.lead_s, 'time', digits=2)}"
    yield f"Then each spread is known to ±{percent(plan.spread_within)} or better,"
    yield f"{known}."


def band_text(band: Interval | None, units: System, *, sign: bool = False) -> str:
    """Write a band, without its unit, with a digit less than a single figure has."""
    if band is None:
        return DASH
    low, high = (_short(value, units, sign=sign) for value in band)
    return f"{low} to {high}"


def _short(value: float, units: System, *, sign: bool) -> str:
    text = length_number(value, units, sign=sign)
    places = 2 if units == "metric" else 3
    text = f"{float(text):{'+' if sign else ''}.{places}f}"
    return text if float(text) else text.lstrip("+-")


def _showing(row: Showing) -> Iterator[str]:
    name, one = _FIGURES[row.figure], _ONE[row.figure]
    limit, expected = percent(row.limit), percent(row.expected, digits=2)
    start = f"  {name}, at most {limit} (expected {expected}): "
    if row.without_any is None or row.chance_without_any is None:
        yield f"{start}no number of carriers shows that"
        return
    yield f"{start}{row.without_any:,} without one {one},"
    chance = _chance(row.chance_without_any)
    if row.plan is None:
        yield f"    which has a chance of {chance}; what is expected is too near to the limit"
    elif row.plan.most == 0:
        yield f"    with a chance of {chance}"
    else:
        yield (
            f"    with a chance of {chance}; or {row.plan.n:,} with {row.plan.most} at most, "
            f"with one of {_chance(row.chance)}"
        )
    if row.figure == "within_tolerance" and row.measuring is not None:
        yield f"    or by measuring {row.measuring:,}, if errors are normal and as expected"


def _chance(chance: float | None) -> str:
    return DASH if chance is None else f"{100.0 * chance:.0f} %"
