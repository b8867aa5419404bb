"""A distance learned at one speed is that of the log that showed it."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

from feedsim.answers.learn.study.feeder_rows import travels_asked
from feedsim.answers.learn.study.figures import Finding, Subject, Travel
from feedsim.answers.learn.study.learned import Learning
from feedsim.answers.learn.writing import _side
from tests.machines import typed

LEAD_S = 0.012
SEEN = ((600.0, None), (1000.0, 348.0), (1010.0, 351.0))
"""Belt speed (mm/s) and travel (mm) of each log; of the first there are too few acts."""


def log(number: int, speed: float, travel: float | None) -> Any:
    asked = None if travel is None else Finding(travel, travel - 0.1, travel + 0.1, 50)
    part = SimpleNamespace(closings=SimpleNamespace(asked=asked), openings=None)
    belt = SimpleNamespace(speed=SimpleNamespace(value=speed))
    return SimpleNamespace(number=number, belt=belt, feeders=[part], file="a.csv")


def test_the_distance_is_of_the_log_whose_travel_differs() -> None:
    """Of 360 mm less 12 ms of lead 348 mm are left at 1 m/s, and 347.88 mm at 1.01 m/s.

    The third log's travel is 3.12 mm longer: so is its distance, the lead as it was.
    """
    logs = [log(number, *each) for number, each in enumerate(SEEN, 1)]
    path = "feeder.0.settings.engage"
    rows = [
        Subject(f"{path}_{name}", name, "length").untold(0.0, "") for name in ("distance", "lead")
    ]
    for speed, asked, of in travels_asked(logs, 0, "engage"):
        row = Subject("", "travel", "length").told(asked, 360.0 - LEAD_S * speed)
        rows.append(replace(row, travel=Travel("engage", speed, of.number)))
    assert [row.verdict for row in rows] == ["untold", "untold", "agrees", "differs"]
    settings = typed(engage_lead_s=LEAD_S)
    learned = [replace(row, part="feeder.0") for row in rows]
    machine: Any = SimpleNamespace(feeders=[SimpleNamespace(settings=settings)])
    nothing: Any = None
    found = Learning("", "", (*logs,), (*learned,), None, None, (), nothing, (), machine, (*logs,))
    written = _side(found, 0, "engage", None, "metric")
    assert written[f"{path}_distance"].text == "363.12 mm"
    assert "at 60.6 m/min alone" in written[f"{path}_distance"].note
