"""A tune in words: values, verdicts, worths."""

from __future__ import annotations

from collections.abc import Mapping

from feedsim.answers.tune.study.after import Tuning
from feedsim.answers.tune.study.results import LESS_IS_BETTER, Aim, Judged, Tuned
from feedsim.measures import QuantityError, measure
from feedsim.metrics.intervals import Interval
from feedsim.metrics.percent import DASH, percent, percent_range
from feedsim.quantities import KINDS, System, display, display_unit
from feedsim.render.wording import counted, length, length_number, length_range, number, speed

FIGURES: Mapping[str, str] = {
    "within_tolerance": "out of tolerance",
    "missed": "missed",
    "jam_risk": "jam risk",
}


def shown(text: str, units: System) -> str:
    """Write a knob's value as people read it; words as they are.

    >>> shown("0.02 s", "metric"), shown("latched", "metric")
    ('20 ms', 'latched')
    """
    try:
        size, kind = measure(text, *KINDS)
    except QuantityError:
        return {"false": "off", "true": "on"}.get(text, text)
    return display(size, kind, units=units, digits=4)


def number_of(text: str) -> float | None:
    """Return a knob's value as a number, quantities in the internal unit; None for a word."""
    try:
        return measure(text, *KINDS).value
    except QuantityError:
        pass
    try:
        return float(text)
    except ValueError:
        return None


def same(one: str, other: str) -> bool:
    """Return whether two texts of a knob say the same.

    >>> same("0.02 s", "20 ms"), same("latched", "polled")
    (True, False)
    """
    first = number_of(one)
    return one == other if first is None else first == number_of(other)


def unit_of(aim: Aim, units: System) -> str:
    """Return the unit of a worth."""
    if aim == "speed":
        return display_unit("speed", units).label
    return display_unit("length", units).label if aim == "spread" else "%"


def told_value(value: float | None, aim: Aim, units: System) -> str:
    """Write the aim's value, with its unit."""
    if value is None:
        return DASH
    if aim == "speed":
        return speed(value, units)
    return length(value, units) if aim == "spread" else percent(value)


def told_range(interval: Interval, aim: Aim, units: System) -> str:
    """Write an interval of the aim's value."""
    if aim == "speed":
        factor, unit = display_unit("speed", units).factor, display_unit("speed", units).label
        return f"{interval.low * factor:.4g} to {interval.high * factor:.4g} {unit}"
    if aim == "spread":
        return length_range(*interval, units)
    return percent_range(interval)


def gain(value: float | None, aim: Aim, units: System) -> str:
    """Write by how much it is better, without its unit, with a sign."""
    if value is None:
        return DASH
    if aim == "speed":
        return number(value * display_unit("speed", units).factor, 1, sign=True)
    if aim == "spread":
        return length_number(value, units, sign=True)
    return f"{100.0 * value:+.3g}" if value else "0"


def gained(value: float, interval: Interval | None, aim: Aim, units: System) -> str:
    """Write a gain as people say it: "less" for an aim that should be small.

    >>> gained(0.1591, Interval(-0.002, 0.32), "spread", "metric")
    '0.159 mm less (95 %: 0.002 mm more to 0.320 mm less)'
    """
    if aim not in LESS_IS_BETTER:
        ends = [gain(end, aim, units) for end in interval or ()]
        return f"{gain(value, aim, units)}{_ends(ends)} {unit_of(aim, units)}"
    unit = unit_of(aim, units) if aim == "spread" else "percentage points"

    def less(size: float) -> str:
        text = gain(abs(size), aim, units).lstrip("+")
        return f"{text} {unit} {'less' if size >= 0.0 else 'more'}"

    return less(value) + _ends([less(end) for end in interval or ()])


def _ends(ends: list[str]) -> str:
    return f" (95 %: {' to '.join(ends)})" if ends else ""


def aim_words(found: Tuned, units: System) -> str:
    """Say what was sought, and among what."""
    knobs, at = counted(len(found.knobs), "knob"), speed(found.speed_mm_s or 0.0, units)
    aims = {
        "speed": "the highest speed at which the line is accepted",
        "jam_risk": f"the lowest jam risk at {at}",
        "spread": f"the smallest spread at {at}",
        "window": f"the widest window at {at}",
    }
    text = f"Looked for {aims[found.aim]}, with {knobs} to choose"
    tune = found.scenario.tune
    if tune is not None and tune.unsure:
        unsure = counted(len(tune.unsure), "value is known", "values are known")
        text += (
            f"; {unsure} only roughly, and {percent(found.assurance)} of the machines that this "
            "leaves possible have to be accepted"
        )
    return text + "."


def judged_words(judged: Judged, found: Tuned, units: System) -> str:
    """Write a setup's value in fresh runs, with its interval."""
    if judged.value is None:
        return "not accepted"
    text = told_value(judged.value, found.aim, units)
    if judged.interval is not None:
        text += f" (95 %: {told_range(judged.interval, found.aim, units)})"
    return text


def against(found: Tuned) -> str:
    """Say what fresh runs have against the best setup; "" for nothing.

    The winner of a search is flattered by the random numbers that it won with, so they may call it
    worse.
    """
    if found.best.verdict == "refused":
        return "fresh runs refuse the best setup"
    changed = any(not same(knob.now, knob.best) for knob in found.knobs)
    if changed and found.gain is not None and found.gain < 0.0:
        return "fresh runs call the best setup worse than what is now"
    return ""


def at_words(found: Tuning, units: System) -> str:
    """Say at which speed windows are given, and for what share of what is unsure."""
    at = speed(found.windows[0].line_speed_mm_s, units)
    return f"{at} for {percent(found.assurance)} of what is unsure" if found.unsure else at


def best_words(judged: Judged, found: Tuned, units: System) -> str:
    """Say in a line whether a setup is accepted, and its value."""
    names = {"speed": "highest speed", "jam_risk": "jam risk", "spread": "spread (sd)"}
    name = names.get(found.aim, "narrowest window")
    return f"{verdict_words(judged, units)} \u00b7 {name} {judged_words(judged, found, units)}"


def verdict_words(judged: Judged, units: System) -> str:
    """Say whether a setup is accepted, and at which speed."""
    at = speed(judged.verdict_speed_mm_s, units) if judged.verdict_speed_mm_s else "any speed"
    said = {"accepted": "ACCEPTED", "refused": "NOT ACCEPTED", "open": "NOT DECIDED"}
    return f"{said[judged.verdict]} at {at}"
