"""Sentences about a sweep: its question, why it ends where it does, how sure that is."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from itertools import groupby
from typing import Any

from feedsim.answers.run.deciding import enough
from feedsim.answers.sweep.curves import is_undecided, what_fails
from feedsim.quantities import System, display
from feedsim.running.axes import LINE_SPEED
from feedsim.settings.limits import TOGETHER, SpeedLimit

__all__ = [
    "FIGURES",
    "agreement",
    "binding",
    "failing_values",
    "first_refused",
    "name_of",
    "question",
    "refusals",
    "speed_words",
    "sureness",
    "worth",
]

FIGURES = {
    "missed": "missed carriers",
    "jam_risk": "jam risk",
    "within_tolerance": "placement within tolerance",
}
"""What the acceptance figures are called."""

_FAILING = {
    "tolerance": "too many inserts out of tolerance",
    "missed": "too many carriers missed",
    "jam risk": "too many jam hazards",
    "nothing placed": "nothing placed",
}

_MOST_LINES = 12

Point = Mapping[str, Any]


def question(sweep: Mapping[str, Any], units: System) -> str:
    """Say what the sweep was run for."""
    keys = [axis["key"] for axis in sweep["axes"]]
    if keys == [LINE_SPEED]:
        return "How fast can this line run, and what stops it?"
    if keys[-1] == LINE_SPEED:
        return f"How fast can this line run with each value of {keys[0]}, and what stops it?"
    speed = display(sweep["points"][0]["line_speed_mm_s"], "speed", units=units)
    return f"With which values of {' and '.join(keys)} is this line accepted at {speed}?"


def name_of(point: Point, units: System) -> str:
    """Name a point by what sets it apart: its line speed, and the values of varied keys."""
    varied = ", ".join(f"{key} = {value}" for key, value in point.get("varied", {}).items())
    speed = display(point["line_speed_mm_s"], "speed", units=units)
    return f"{speed}, {varied}" if varied else speed


def first_refused(points: Sequence[Point]) -> Point | None:
    """Return the first point that is not accepted; the slowest where speeds are swept."""
    return next((point for point in points if not point["accepted"]), None)


def worth(sweep: Mapping[str, Any]) -> str:
    """Say what the highest accepted speed gives, and whether it is sure; empty if there is none."""
    highest = sweep["highest_accepted_speed_mm_s"]
    for point in sweep["points"]:
        if highest is not None and point["line_speed_mm_s"] == highest:
            per_hour = point["complete"]["per_hour"]
            text = "" if per_hour is None else f"That is {per_hour:,.0f} complete products an hour."
            if not is_undecided(point):
                return text
            more = enough(point["to_decide"], accepted=True)
            return f"{text} More carriers are needed to be sure{f': {more}' if more else ''}."
    return ""


def refusals(points: Sequence[Point]) -> str:
    """Say how many points fail, and by which figures; empty where all are accepted."""
    refused = [point for point in points if not point["accepted"]]
    if not refused:
        return ""
    count = Counter(name for point in refused for name in what_fails(point))
    parts = [f"{words} at {count[name]}" for name, words in _FAILING.items() if count[name]]
    several = sum(count.values()) > len(refused)
    return (
        f"Not accepted at {len(refused)} of {len(points)} points: {', '.join(parts)}"
        f"{' (a point may fail by several)' if several else ''}."
    )


def failing_values(sweep: Mapping[str, Any]) -> list[str]:
    """Say which values of a single key fail by which figures, values in a row together."""
    key = sweep["axes"][0]["key"]
    if len(sweep["axes"]) > 1 or key == LINE_SPEED:
        return []
    lines = []
    for names, group in groupby(sweep["points"], key=what_fails):
        values = [str(point["varied"][key]) for point in group]
        ends = f"{values[0]} to {values[-1]}" if len(values) > 1 else values[0]
        if names:
            lines.append(f"{ends}: {', '.join(_FAILING[name] for name in names)}")
    return lines if len(lines) <= _MOST_LINES else []


def sureness(sweep: Mapping[str, Any], units: System) -> Iterator[str]:
    """Say how sure the verdicts are, those next to the end first."""
    points: Sequence[Point] = sweep["points"]
    if [axis["key"] for axis in sweep["axes"]] == [LINE_SPEED]:
        yield from _sure_at_the_end(sweep, units)
    open_ones = sum(1 for point in points if is_undecided(point))
    if not open_ones:
        yield "Every verdict is decided at 95 %: more carriers would not turn it."
    elif len(points) > 1:
        yield (
            f"{open_ones} of {len(points)} verdicts are not decided at 95 %: their intervals reach "
            "over an acceptance figure, and it would take more carriers to be sure of them."
        )


def _sure_at_the_end(sweep: Mapping[str, Any], units: System) -> Iterator[str]:
    highest, stopper = sweep["highest_accepted_speed_mm_s"], first_refused(sweep["points"])
    ends = [point for point in sweep["points"] if point["line_speed_mm_s"] == highest]
    for point in [*ends, *([stopper] if stopper else [])]:
        accepted = "accepted" if point["accepted"] else "not accepted"
        at = display(point["line_speed_mm_s"], "speed", units=units)
        if is_undecided(point):
            yield f"At {at} it is {accepted}, but {point['carriers']} carriers do not decide it."
        else:
            yield f"At {at} it is {accepted}, and {point['carriers']} carriers decide it at 95 %."


def binding(limits: Sequence[SpeedLimit], units: System) -> str:
    """Say of one feeder which mechanism binds first."""
    alone = [x for x in limits if x.mechanism != TOGETHER and x.speed_mm_s is not None]
    if not alone:
        return "no mechanism limits the speed, as far as was looked."
    first = alone[0]
    figure, speed = FIGURES[first.figure], first.speed_mm_s or 0.0
    if speed == 0.0:
        return f"{first.mechanism} alone is too much for {figure}, however slow the line."
    text = (
        f"{first.mechanism} binds first; at {speed_words(speed, units)} it alone brings "
        f"{figure} to its limit"
    )
    together = [x for x in limits if x.mechanism == TOGETHER and x.speed_mm_s is not None]
    if together and (together[0].speed_mm_s or 0.0) < 0.999 * speed:
        what, at = FIGURES[together[0].figure], speed_words(together[0].speed_mm_s, units)
        text += (
            f", and together with the others at {at}"
            if what == figure
            else (f", and all together bring {what} to its limit at {at}")
        )
    return f"{text}."


def speed_words(speed_mm_s: float | None, units: System) -> str:
    """Write up to which speed a limit allows."""
    if speed_mm_s is None:
        return "every speed looked at"
    if speed_mm_s == 0.0:
        return "not even at a crawl"
    return display(speed_mm_s, "speed", units=units, digits=3)


def agreement(
    sweep: Mapping[str, Any], limits: Sequence[Sequence[SpeedLimit]], units: System
) -> str:
    """Set where the runs end against the closed form; empty where there is nothing to set.

    Only for a sweep over line speeds alone.
    """
    together = [x.speed_mm_s for feeder in limits for x in feeder if x.mechanism == TOGETHER]
    ends = [speed for speed in together if speed is not None]
    if not ends or [axis["key"] for axis in sweep["axes"]] != [LINE_SPEED]:
        return ""
    end = min(ends)
    text = "A closed form, worked out apart from the runs, allows no speed at all"
    if end > 0.0:
        text = (
            "A closed form, worked out apart from the runs, puts the end of what is accepted at "
            f"{speed_words(end, units)}"
        )
    points: Sequence[Point] = sweep["points"]
    refused = [p["line_speed_mm_s"] for p in points if not p["accepted"]]
    highest = sweep["highest_accepted_speed_mm_s"] or 0.0
    if highest <= end <= min(refused, default=math.inf):
        return f"{text}; the runs agree."
    accepted_for_sure = [p["line_speed_mm_s"] for p in points if p["accepted"] and p["decided"]]
    refused_for_sure = [p["line_speed_mm_s"] for p in points if p["refused"]]
    if max(accepted_for_sure, default=0.0) <= end <= min(refused_for_sure, default=math.inf):
        return f"{text}; the runs do not decide that near to it, and do not contradict it."
    nearer = "below" if end < highest else "above"
    return (
        f"{text}, {nearer} what the runs say. Where the closed form leaves something out the two "
        "differ; plan with the lower."
    )
