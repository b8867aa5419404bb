"""The highest accepted speed in words: in closed form, simulated, and whether they agree."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from feedsim.metrics.intervals import Interval
from feedsim.output.wording import percent, percent_range
from feedsim.quantities import System, display
from feedsim.settings.limits import FASTEST_MM_S, TOGETHER

__all__ = ["FIGURES", "binding_words", "limit_text"]

FIGURES = {
    "within_tolerance": "in tolerance",
    "missed": "missed",
    "jam_risk": "jam risk",
}
"""The acceptance figures in words."""


def limit_text(found: Mapping[str, Any], *, units: System = "metric") -> str:
    """Return the two answers and their comparison.

    Parameters
    ----------
    found : mapping
        As ``limit.json`` holds it.
    units : {"metric", "inch"}
        Units of everything that is written.
    """
    lines = [
        str(found["title"]),
        "",
        "In closed form: the highest speed that each mechanism alone leaves acceptable",
        *_closed(found, units),
        "",
        binding_words(found["closed_form"], units=units),
        "",
        *_simulated(found, units),
        "",
        _comparison(found, units),
    ]
    return "\n".join(lines)


def _closed(found: Mapping[str, Any], units: System) -> Iterator[str]:
    rows = found["closed_form"]
    accept = found["scenario"]["acceptance"]
    several = len({row["feeder"] for row in rows}) > 1
    limits = {
        "within_tolerance": f"at least {accept['within_tolerance']}",
        "missed": f"at most {accept['missed']}",
        "jam_risk": f"at most {accept['jam_risk']}",
    }
    for row in rows:
        speed = _speed(row["speed_mm_s"], units) if row["speed_mm_s"] else "no speed"
        name = f"{row['feeder']}: {row['mechanism']}" if several else row["mechanism"]
        if row["mechanism"] == TOGETHER:
            name = name.upper() if not several else name.replace(TOGETHER, TOGETHER.upper())
        figure = row["figure"]
        width = 24 if not several else 24 + max(len(r["feeder"]) + 2 for r in rows)
        yield f"  {speed:>12}  {name:<{width}}  {FIGURES[figure]} {limits[figure]}"
    if not rows:
        yield f"  none, up to {_speed(FASTEST_MM_S, units)}"


def binding_words(rows: Sequence[Mapping[str, Any]], *, units: System = "metric") -> str:
    """Say which mechanism binds first, and what comes next."""
    alone = [row for row in rows if row["mechanism"] != TOGETHER]
    if not alone:
        return f"Nothing limits it up to {_speed(FASTEST_MM_S, units)}."
    first, *others = alone
    if not first["speed_mm_s"]:
        return f"{_said(first)} allows no speed at all, however slow."
    text = f"{_said(first)} binds first, at {_speed(first['speed_mm_s'], units)}"
    if others:
        text += (
            f"; {others[0]['mechanism']} would be next, at {_speed(others[0]['speed_mm_s'], units)}"
        )
    return text + "."


def _said(row: Mapping[str, Any]) -> str:
    name = str(row["mechanism"])
    return name[0].upper() + name[1:]


def _simulated(found: Mapping[str, Any], units: System) -> Iterator[str]:
    sim = found["simulated"]
    low, high = sim["accepted_speed_mm_s"], sim["refused_speed_mm_s"]
    seen = {point["line_speed_mm_s"]: point for point in sim["seen"]}
    if low is None and high is None:
        yield "Simulated: no speed that was tried is accepted or refused for sure."
    elif high is None:
        yield (
            f"Simulated: accepted for sure up to {_speed(low, units)}, refused for sure at no "
            f"speed tried."
        )
    elif low is None:
        yield (
            f"Simulated: refused for sure at {_speed(high, units)}, accepted for sure at no "
            f"slower speed tried."
        )
    else:
        yield (
            f"Simulated: the limit lies between {_speed(low, units)}, accepted, and "
            f"{_speed(high, units)}, refused (at 95 %)."
        )
    if high is not None:
        yield from (f"  {line}" for line in _reasons(seen[high], units))
    carriers = f"{sim['carriers']:,} carriers at {len(seen)} speeds"
    yield f"  {carriers}{'; no more were allowed' if sim['ran_out'] else ''}"


def _reasons(point: Mapping[str, Any], units: System) -> Iterator[str]:
    """Say which figures are not met for sure at a speed, and what made them so."""
    for feeder in point["feeders"]:
        prefix = f"{feeder['name']}: " if len(point["feeders"]) > 1 else ""
        at = f"At {_speed(point['line_speed_mm_s'], units)} {prefix}"
        if not feeder["placed"]:
            yield f"{at}no insert was placed"
        for figure, words in FIGURES.items():
            share = feeder[figure]
            if share["share"] is None or share["met"] or not share["decided"]:
                continue
            side = "at least" if figure == "within_tolerance" else "at most"
            bounds = Interval(*share["interval"])
            yield (
                f"{at}{percent(share['share'])} {words} ({percent_range(bounds)}), "
                f"{side} {percent(share['limit'])}{_most_often(feeder, figure)}"
            )


def _most_often(feeder: Mapping[str, Any], figure: str) -> str:
    counts = {"missed": "missed_by_cause", "jam_risk": "hazards"}.get(figure)
    if counts is None:
        return ""
    ranked = sorted(feeder[counts].items(), key=lambda item: -item[1])
    shown = [f"{name.replace('_', ' ')} {count}" for name, count in ranked[:2] if count]
    return f": {', '.join(shown)}" if shown else ""


def _comparison(found: Mapping[str, Any], units: System) -> str:
    closed, sim = found["closed_form_speed_mm_s"], found["simulated"]
    if found["agree"] is None:
        return "Neither finds a limit."
    if found["agree"]:
        return "The two agree: all mechanisms together have their limit within that range."
    said = "no limit" if closed is None else _speed(closed, units)
    low, high = sim["accepted_speed_mm_s"], sim["refused_speed_mm_s"]
    if high is not None and (closed is None or closed > high):
        return (
            f"THE TWO DISAGREE: in closed form {said}, but the simulation refuses "
            f"{_speed(high, units)}. Something stops this line that the closed forms do not know: "
            f"look at what is said of that speed above, and run it with feedsim run --speed."
        )
    return (
        f"THE TWO DISAGREE: in closed form {said}, but the simulation accepts "
        f"{_speed(low, units)}. The closed forms count something here that does not come to that."
    )


def _speed(value: float, units: System) -> str:
    return display(value, "speed", units=units)
