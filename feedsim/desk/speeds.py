"""The highest accepted line speed of each mechanism, in closed form."""

from __future__ import annotations

from collections.abc import Callable

from feedsim.answers.check.study.checked_feeder import checked_feeders
from feedsim.answers.limit.islands import stretch_words
from feedsim.answers.limit.study.closed import (
    FeederLimit,
    InClosedForm,
    in_closed_form,
    limits_of_line,
    not_counted,
    refused_speeds,
)
from feedsim.answers.limit.text import binding_words, refused_words
from feedsim.answers.line import Line
from feedsim.desk import told
from feedsim.desk.forms import closed_at
from feedsim.quantities import System
from feedsim.render.wording import speed
from feedsim.settings.cells import FASTEST_MM_S
from feedsim.settings.limits import TOGETHER
from feedsim.settings.mechanisms import MECHANISMS


def speeds(line: Line, units: System, look: Callable[[], None]) -> dict[str, object]:
    """Return each mechanism's highest speed, the lowest first, beside the line speed."""
    scenario = line.scenario
    found = in_closed_form(scenario, look=look)
    rows = limits_of_line(scenario, [feeder.limits for feeder in found.feeders])
    here, highest = checked_feeders(scenario, units)[0].speed, found.limit_mm_s
    limited = {row.mechanism for row in rows}
    return {
        "line_speed": told.speed(here, units),
        "of": closed_at(scenario, here, units),
        "not_counted": list(not_counted(scenario)),
        "highest": None if highest is None else told.speed(highest, units),
        "furthest": told.speed(FASTEST_MM_S, units),
        "bars": [_bar(row, here, units) for row in rows],
        "free": [m.name for m in MECHANISMS if m.name not in limited],
        "refused": [
            {
                "from": told.speed(row.from_mm_s, units),
                "to": None if row.to_mm_s is None else told.speed(row.to_mm_s, units),
                "words": stretch_words([row], units=units) if row.to_mm_s else "",
            }
            for row in refused_speeds(found.feeders)
        ],
        "words": _words(found, rows, units),
    }


def _bar(row: FeederLimit, here: float, units: System) -> dict[str, object]:
    return {
        "feeder": row.feeder,
        "mechanism": row.mechanism,
        "together": row.mechanism == TOGETHER,
        "figure": row.figure,
        "below_line_speed": row.speed_mm_s < here,
        **told.speed(row.speed_mm_s, units),
    }


def _words(found: InClosedForm, rows: tuple[FeederLimit, ...], units: System) -> list[str]:
    said = [binding_words(rows, units=units)]
    if found.window:
        low, high = (speed(end, units) for end in found.window)
        said.append(f"All together accept the line from {low} to {high} only.")
    else:
        refused = refused_speeds(found.feeders)
        said.append(refused_words(refused, looked_to=found.complete_to_mm_s, units=units))
    return [words for words in said if words]
