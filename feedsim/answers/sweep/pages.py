"""Pages that play the line at the points of a sweep, to which its report leads."""

from __future__ import annotations

from typing import Any

from feedsim.answers.line import Line
from feedsim.answers.sweep.study import Point, SweepPlan, Swept
from feedsim.errors import Fault, FeedsimError
from feedsim.files.new_files import Content
from feedsim.quantities import System
from feedsim.running.axes import changed

MOST_WATCHED = 40
"""Of more points nobody would watch each."""

_WORTH = {
    "first_miss": "the first carrier that is missed",
    "first_hazard": "the first cycle with a hazard",
    "": "the first carriers: none missed, no hazard",
}


def worth_watching(point: Point) -> tuple[str, str]:
    """Return what there is to see at a point: an argument of ``rehearse``, or none, and words."""
    feeders = point.results.feeders
    missed = any(feeder.missed.count for feeder in feeders)
    at_risk = any(feeder.jam_risk.count for feeder in feeders)
    what = "first_miss" if missed else "first_hazard" if at_risk else ""
    return what, _WORTH[what]


def has_pages(points: int) -> None:
    """Refuse pages of very many points.

    Raises
    ------
    FeedsimError
        If there are more than :data:`MOST_WATCHED`.
    """
    if points > MOST_WATCHED:
        allowed = f"a sweep of at most {MOST_WATCHED} points"
        raise FeedsimError(Fault("--pages", found=f"{points} points", allowed=allowed))


def page_of(place: int) -> str:
    """Return the name of the file that plays a point."""
    return f"point-{place}.html"


def point_pages(swept: Swept, *, units: System) -> dict[str, Content]:
    """Return a page for each point, by its file's name: around what there is to see there.

    With replications it is the first of them that is played, which may have nothing to see.
    """
    from feedsim.answers.rehearse.answer import rehearse

    pages: dict[str, Content] = {}
    for place, changes in enumerate(SweepPlan(swept.scenario, swept.axes, 1).points):
        line = Line(changed(swept.scenario, changes), swept.title, swept.units)
        what, _ = worth_watching(swept.points[place])
        wanted: dict[str, Any] = {what: True} if what else {}
        try:
            page = rehearse(line, **wanted)
        except FeedsimError:
            page = rehearse(line)
        pages[page_of(place)] = page.html(units=units).encode()
    return pages
