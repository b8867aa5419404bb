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
        "In closed form: the speed from which each mechanism alone is too much",
        *_closed(found, units),
        "",
        binding_words(found["closed_form"], units=units),
        *_notes(found, units),
        "",
        *_simulated(found, units),
        "",
        _comparison(found, units),
    ]
    return "\n".join(lines)


def _notes(found: Mapping[str, Any], units: System) -> Iterator[str]:
    window = found["closed_form_window_mm_s"]
    if window:
        low, high = (_speed(end, units) for end in window)
        yield (
            f"All together accept the line from {low} to {high} only: its settings are right at "
            f"one speed. The search looks no slower."
        )
    if left_out := _not_counted(found["scenario"]):
        yield left_out


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
        speed = _speed(row["speed_mm_s"], units) if row["speed_mm_s"] else "a crawl"
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
        return f"{_said(first)} alone is too much even at a crawl."
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
    slowest, fastest = (_speed(end, units) for end in (min(seen), max(seen)))
    if low is None and high is None:
        yield f"Simulated, {slowest} to {fastest}: no speed is accepted or refused for sure."
    elif high is None:
        yield (
            f"Simulated, up to {fastest}: accepted for sure at {_speed(low, units)}, refused for "
            f"sure nowhere."
        )
    elif low is None:
        yield (
            f"Simulated, down to {slowest}: refused for sure at {_speed(high, units)}, accepted "
            f"for sure at no slower speed."
        )
    else:
        yield (
            f"Simulated: the limit lies between {_speed(low, units)}, accepted, and "
            f"{_speed(high, units)}, refused (each at 95 %)."
        )
    if high is not None:
        yield from (f"  {line}" for line in _reasons(seen[high], units))
    if low is None:
        yield from (f"  {line}" for line in _open_figures(seen[min(seen)], units))
    carriers = f"{sim['carriers']:,} carriers at {len(seen)} speeds"
    yield f"  {carriers}{'; no more were allowed' if sim['ran_out'] else ''}"


def _open_figures(point: Mapping[str, Any], units: System) -> Iterator[str]:
    """Say what could not be shown at the slowest speed, and how many carriers it would take."""
    for feeder in point["feeders"]:
        for figure, words in FIGURES.items():
            share = feeder[figure]
            if share["share"] is None or share["decided"]:
                continue
            needed = share["trials_to_tell"]
            takes = (
                f"it would take about {needed:,.0f} carriers" if needed else "no number shows it"
            )
            yield (
                f"At {_speed(point['line_speed_mm_s'], units)} {feeder['name']}: "
                f"{percent(share['share'])} {words} is not told from "
                f"{percent(share['limit'])} by {feeder['carriers']:,} carriers; {takes}"
            )


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
    low, high = sim["accepted_speed_mm_s"], sim["refused_speed_mm_s"]
    if found["agree"] and low is None:
        return "The two agree: no speed that was tried is accepted."
    if found["agree"]:
        return "The two agree: all mechanisms together have their limit within that range."
    if found["agree"] is None:
        return "What is not known for sure cannot be held against the closed form."
    said = "no limit" if closed is None else _speed(closed, units)
    if high is not None and (closed is None or closed > high):
        return (
            f"THE TWO DISAGREE: in closed form {said}, but the simulation refuses "
            f"{_speed(high, units)}. Something stops this line that the closed forms do not count: "
            f"look at what is said of that speed above, and at feedsim check."
        )
    return (
        f"THE TWO DISAGREE: in closed form {said}, but the simulation accepts "
        f"{_speed(low, units)}. The closed forms count something here that does not come to that."
    )


def _not_counted(scenario: Mapping[str, Any]) -> str:
    """Say which keys of this scenario no closed form knows; empty where there is none."""
    feeders = scenario["feeder"]
    there = {
        "[guard]": scenario.get("guard") is not None,
        "[[fault]]": bool(scenario.get("fault")),
        "[[adjust]]": bool(scenario.get("adjust")),
        "limits.jam_probability": any(
            value != "0 %" for value in (scenario["limits"].get("jam_probability") or {}).values()
        ),
        "insert.magazine": any(f["insert"].get("magazine") for f in feeders),
        "double_check.action": any(f["double_check"].get("action") == "stop" for f in feeders),
    }
    named = [key for key, given in there.items() if given]
    return f"The closed forms know nothing of {', '.join(named)}." if named else ""


def _speed(value: float, units: System) -> str:
    return display(value, "speed", units=units)
