"""``report.html`` of a sweep: one file, no outside address, readable on paper."""

from __future__ import annotations

import base64
from collections.abc import Iterator, Sequence

from feedsim.answers.check.answer import settings_line
from feedsim.answers.limit.study.closed import FeederLimit
from feedsim.answers.sweep import words
from feedsim.answers.sweep.curves import what_fails
from feedsim.answers.sweep.links import MOST_WATCHED, Picture, page_of, worth_watching
from feedsim.answers.sweep.study import Swept
from feedsim.answers.sweep.text import heads, rows_of, verdict_of
from feedsim.metrics.machine_settings import MachineSettings
from feedsim.metrics.percent import DASH
from feedsim.quantities import System, display, display_unit, whole
from feedsim.render.html_page import html_page
from feedsim.render.wording import speed
from feedsim.scenario import scenario_to_toml
from feedsim.settings.limits import TOGETHER

_MOST_ROWS = 40  # of the table of highest speeds
_SAME_MM, _SAME_MS = 1e-6, 1e-6


def sweep_report(
    swept: Swept,
    *,
    figures: Sequence[Picture],
    settings: Sequence[MachineSettings],
    units: System = "metric",
    pages: bool = False,
) -> str:
    """Return the report as HTML; every text from the scenario is escaped.

    ``settings``: of each feeder of the scenario as given. ``pages``: whether those of
    :func:`feedsim.answers.sweep.links.point_pages` lie beside it.
    """
    return html_page(
        "feedsim.answers.sweep",
        "report.html",
        **_answer(swept, units),
        figures=[
            {"seen": f.seen, "png": base64.b64encode(f.png).decode(), "areas": f.areas}
            for f in figures
        ],
        names=[words.name_of(point, units) for point in swept.points],
        watch=_watch(swept, units),
        pages=[page_of(place) for place in range(len(swept.points))] if pages else [],
        is_map=len(swept.axes) == 2,
        by_speed=swept.by_speed_alone,
        heads=_heads(swept, units),
        keys=len(swept.axes),
        feeders=[
            {
                "name": feeder.name,
                "rows": rows_of(swept, number, units=units),
                "settings": settings_line(settings[number], units=units),
                "others": list(_other_settings(swept, number, units)),
                "limits": _limit_rows(swept.limits_of(feeder.name), units),
                "binding": words.binding(swept.limits_of(feeder.name), units),
            }
            for number, feeder in enumerate(swept.points[0].results.feeders)
        ],
        accepted=[point.results.accepted for point in swept.points],
        varied=[axis.key for axis in swept.axes if not axis.is_speed],
        scenario=scenario_to_toml(
            swept.scenario, written=swept.written, units=swept.units, every_key=False
        ),
    )


def _answer(swept: Swept, units: System) -> dict[str, object]:
    points, first = swept.points, swept.points[0].results
    stopper = words.first_refused(points)
    shows_reasons = stopper and (swept.by_speed_alone or len(points) == 1)
    return {
        "title": swept.title,
        "feedsim": swept.feedsim,
        "question": words.question(swept, units),
        "answer": verdict_of(swept, units=units),
        "worth": words.worth(swept),
        "stopped_at": words.name_of(stopper, units) if stopper else "",
        "goes_slower": swept.highest_accepted_speed_mm_s is not None,
        "reasons": stopper.results.not_accepted_because if stopper and shows_reasons else [],
        "refusals": "" if swept.by_speed_alone else words.refusals(points),
        "failing": words.failing_values(swept),
        "highest": _highest(swept, units),
        "sureness": list(words.sureness(swept, units)),
        "agreement": words.agreement(swept, units),
        "carriers": first.carriers // first.replications,
        "replications": first.replications,
        "seed": first.seed,
    }


def _watch(swept: Swept, units: System) -> list[tuple[str, str]]:
    """Return for each point with something to watch the command of its page, and what is there.

    Around the first miss, else the first hazard; none for very many points.
    """
    found = []
    for point in swept.points if len(swept.points) <= MOST_WATCHED else ():
        what, said = worth_watching(point)
        at = speed(point.results.line_speed_mm_s, units, digits=10)
        words = ["feedsim rehearse swept.toml", f'--speed "{at}"']
        words += [f"--set {key}='{value}'" for key, value in point.varied.items()]
        words += [f"--{what.replace('_', '-')}"] if what else []
        found.append((" ".join(words), said))
    return found


def _heads(swept: Swept, units: System) -> list[str]:
    mean, unit = len(swept.axes), display_unit("length", units).label
    names = list(heads(swept))
    names[mean : mean + 2] = [f"error, mean ({unit})", f"sd ({unit})"]
    names[-1] = "whole line"
    return names


def _highest(swept: Swept, units: System) -> list[tuple[str, str, str, str]]:
    """Return a row for each value of a key that is crossed with the line speed.

    The value, its highest accepted speed, the products an hour there, and what fails beyond.
    Empty for other sweeps, and if there are too many rows.
    """
    rows = swept.highest_accepted
    if len(rows) > _MOST_ROWS:
        return []
    columns = len(swept.axes[-1].values)
    shown = []
    for place, row in enumerate(rows):
        points = swept.points[place * columns : (place + 1) * columns]
        (value,) = row.varied.values()
        best = [p.results for p in points if p.results.line_speed_mm_s == row.line_speed_mm_s]
        stopper = words.first_refused(points)
        per_hour = best[0].complete.per_hour if best else None
        fails = ", ".join(what_fails(stopper.results)) if stopper else ""
        shown.append(
            (
                value,
                speed(best[0].line_speed_mm_s, units) if best else "none",
                DASH if per_hour is None else whole(per_hour),
                fails if stopper else "nothing, within the sweep",
            )
        )
    return shown


def _limit_rows(limits: Sequence[FeederLimit], units: System) -> list[tuple[str, str, str]]:
    """Return mechanism, acceptance figure and speed, the binding one first, then all together."""
    return [
        (x.mechanism, words.FIGURES[x.figure], words.speed_words(x.speed_mm_s, units))
        for x in sorted(limits, key=lambda limit: limit.mechanism == TOGETHER)
    ]


def _other_settings(swept: Swept, number: int, units: System) -> Iterator[str]:
    """Say which settings differ between the points, with their range."""
    found = [point.results.feeders[number].settings for point in swept.points]
    for side, distances, leads in (
        (
            "engage",
            [one.engage_distance_mm for one in found],
            [one.engage_lead_ms for one in found],
        ),
        (
            "disengage",
            [one.disengage_distance_mm for one in found],
            [one.disengage_lead_ms for one in found],
        ),
    ):
        ends = min(distances), max(distances)
        if ends[1] - ends[0] > _SAME_MM:
            shown = (display(end, "length", units=units, digits=6) for end in ends)
            yield f"{side} distance {' to '.join(shown)}"
        if max(leads) - min(leads) > _SAME_MS:
            yield f"{side} lead {min(leads):.4g} to {max(leads):.4g} ms"
