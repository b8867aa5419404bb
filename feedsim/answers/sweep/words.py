"""Sentences about a sweep: its question, why it ends where it does, how sure that is."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from itertools import groupby

from feedsim.answers.limit.study.closed import FeederLimit
from feedsim.answers.run.deciding import enough
from feedsim.answers.sweep.study import Swept
from feedsim.criteria import Failing
from feedsim.metrics.tally import Sureness
from feedsim.quantities import System, whole
from feedsim.render.wording import agrees, counted, speed
from feedsim.running.point import Point
from feedsim.settings.limits import TOGETHER

FIGURES = {
    "missed": "missed carriers",
    "jam_risk": "jam risk",
    "within_tolerance": "placement within tolerance",
}
"""Names of the acceptance figures."""

_FAILING: dict[Failing, str] = {
    "within_tolerance": "too many inserts out of tolerance",
    "missed": "too many carriers missed",
    "jam_risk": "too many jam hazards",
    "placed": "nothing placed",
}

_MOST_LINES = 12


def question(swept: Swept, units: System) -> str:
    """Return the question behind a sweep."""
    keys = [axis.key for axis in swept.axes]
    if swept.by_speed_alone:
        return "How fast can this line run, and what stops it?"
    if swept.by_speed:
        return f"How fast can this line run with each value of {keys[0]}, and what stops it?"
    at = speed(swept.points[0].results.line_speed_mm_s, units)
    return f"With which values of {' and '.join(keys)} is this line accepted at {at}?"


def name_of(point: Point, units: System) -> str:
    """Name a point by its line speed and the values of varied keys."""
    varied = ", ".join(f"{key} = {value}" for key, value in point.varied.items())
    at = speed(point.results.line_speed_mm_s, units)
    return f"{at}, {varied}" if varied else at


def first_refused(points: Sequence[Point]) -> Point | None:
    """Return the first point that is not accepted; the slowest if speeds are swept."""
    return next((point for point in points if not point.results.accepted), None)


def worth(swept: Swept) -> str:
    """Say what the highest accepted speed gives, and whether it is sure; empty if there is none."""
    for results in (point.results for point in swept.points):
        if results.line_speed_mm_s == swept.highest_accepted_speed_mm_s:
            per_hour = results.complete.per_hour
            text = (
                "" if per_hour is None else f"That is {whole(per_hour)} complete products per hour."
            )
            if results.sureness is not Sureness.OPEN:
                return text
            more = enough(results.to_decide, accepted=True, replications=results.replications)
            return f"{text} More carriers are needed to be sure{f': {more}' if more else ''}."
    return ""


def refusals(points: Sequence[Point]) -> str:
    """Say how many points fail, and by which figures; empty if none does."""
    refused = [point.results for point in points if not point.results.accepted]
    if not refused:
        return ""
    count = Counter(what for results in refused for what in results.failing)
    parts = [f"{words} at {count[what]}" for what, words in _FAILING.items() if count[what]]
    several = sum(count.values()) > len(refused)
    return (
        f"Not accepted at {len(refused)} of {counted(len(points), 'point')}: {', '.join(parts)}"
        f"{' (a point may fail by several)' if several else ''}."
    )


def failing_values(swept: Swept) -> list[str]:
    """Say which values of a single key fail by which figures, consecutive values together."""
    if len(swept.axes) > 1 or swept.by_speed:
        return []
    key, lines = swept.axes[0].key, []
    for failing, group in groupby(swept.points, key=lambda point: point.results.failing):
        values = [point.varied[key] for point in group]
        ends = f"{values[0]} to {values[-1]}" if len(values) > 1 else values[0]
        if failing:
            lines.append(f"{ends}: {', '.join(_FAILING[what] for what in failing)}")
    return lines if len(lines) <= _MOST_LINES else []


def sureness(swept: Swept, units: System) -> Iterator[str]:
    """Say how sure the verdicts are, those next to the end first."""
    if swept.by_speed_alone:
        yield from _sure_at_the_end(swept, units)
    open_ones = sum(1 for point in swept.points if point.results.sureness is Sureness.OPEN)
    if not open_ones:
        yield "Every verdict is decided at 95 %: more carriers would not change it."
    elif len(swept.points) > 1:
        yield (
            f"{open_ones} of {len(swept.points)} verdicts are not decided at 95 %: their intervals "
            "include an acceptance figure, and it would take more carriers to decide them."
        )


def _sure_at_the_end(swept: Swept, units: System) -> Iterator[str]:
    highest, stopper = swept.highest_accepted_speed_mm_s, first_refused(swept.points)
    ends = [point for point in swept.points if point.results.line_speed_mm_s == highest]
    for results in (point.results for point in [*ends, *([stopper] if stopper else [])]):
        accepted = "accepted" if results.accepted else "not accepted"
        at = speed(results.line_speed_mm_s, units)
        carriers = counted(results.carriers, "carrier")
        if results.sureness is Sureness.OPEN:
            yield f"At {at} it is {accepted}, but {carriers} do not decide it."
        else:
            yield f"At {at} it is {accepted}, and {carriers} decide it at 95 %."


def binding(limits: Sequence[FeederLimit], units: System) -> str:
    """Say of one feeder which mechanism binds first."""
    alone = [x for x in limits if x.mechanism != TOGETHER]
    if not alone:
        return "no mechanism limits the speed in the range searched."
    first = alone[0]
    figure, end = FIGURES[first.figure], first.speed_mm_s
    if end == 0.0:
        verb = agrees(first.mechanism, "is", "are")
        return f"{first.mechanism} alone {verb} too much for {figure}, however slow the line."
    verb = agrees(first.mechanism, "binds", "bind")
    text = (
        f"{first.mechanism} {verb} first; at {speed_words(end, units)} that alone brings "
        f"{figure} to its limit"
    )
    together = [x for x in limits if x.mechanism == TOGETHER]
    if together and together[0].speed_mm_s < 0.999 * end:
        what, at = FIGURES[together[0].figure], speed_words(together[0].speed_mm_s, units)
        text += (
            f", and together with the others at {at}"
            if what == figure
            else (f", and all together bring {what} to its limit at {at}")
        )
    return f"{text}."


def speed_words(speed_mm_s: float, units: System) -> str:
    """Write up to which speed a limit allows."""
    if speed_mm_s == 0.0:
        return "not even at a crawl"
    return speed(speed_mm_s, units, digits=3)


def agreement(swept: Swept, units: System) -> str:
    """Compare the end of the accepted range in runs and closed form; empty if there is none.

    Only for a sweep over line speeds alone.
    """
    ends = [x.speed_mm_s for x in swept.closed_form if x.mechanism == TOGETHER]
    if not ends or not swept.by_speed_alone:
        return ""
    end = min(ends)
    text = "A closed form, worked out apart from the runs, allows no speed at all"
    if end > 0.0:
        text = (
            "A closed form, worked out apart from the runs, puts the end of what is accepted at "
            f"{speed_words(end, units)}"
        )
    points = [point.results for point in swept.points]
    refused = [p.line_speed_mm_s for p in points if not p.accepted]
    highest = swept.highest_accepted_speed_mm_s or 0.0
    if highest <= end <= min(refused, default=math.inf):
        return f"{text}; the runs agree."
    accepted_for_sure = [p.line_speed_mm_s for p in points if p.accepted and p.decided]
    refused_for_sure = [p.line_speed_mm_s for p in points if p.refused]
    if max(accepted_for_sure, default=0.0) <= end <= min(refused_for_sure, default=math.inf):
        return f"{text}; the runs do not decide that close to it, and do not contradict it."
    nearer = "below" if end < highest else "above"
    return (
        f"{text}, {nearer} what the runs say. Where the closed form leaves something out the two "
        "differ; plan with the lower."
    )
