"""A distance learned at one speed is that of the log that showed it."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

from feedsim.answers.learn.study.feeder_rows import travels_asked
from feedsim.answers.learn.study.figures import Finding, Subject
from feedsim.answers.learn.writing import _side

LEAD_S = 0.012
SEEN = ((600.0, None), (1000.0, 348.0), (1010.0, 351.0))
"""Belt speed (mm/s) and travel (mm) of each log; of the first there are too few acts."""


def log(speed: float, travel: float | None) -> Any:
    asked = None if travel is None else Finding(travel, travel - 0.1, travel + 0.1, 50)
    part = SimpleNamespace(closings=SimpleNamespace(asked=asked), openings=None)
    belt = SimpleNamespace(speed=SimpleNamespace(value=speed))
    return SimpleNamespace(belt=belt, feeders=[part], file="a.csv")


def test_the_distance_is_of_the_log_whose_travel_differs() -> None:
    """Of 360 mm less 12 ms of lead 348 mm are left at 1 m/s, and 347.88 mm at 1.01 m/s.

    The third log's travel is 3.12 mm longer: so is its distance, the lead as it was.
    """
    logs = [log(*each) for each in SEEN]
    path = "feeder.0.settings.engage"
    rows = [
        Subject(f"{path}_{name}", name, "length").untold(0.0, "") for name in ("distance", "lead")
    ]
    for speed, asked, _ in travels_asked(logs, 0, "engage"):
        row = Subject("", f"travel from edge to closing, {speed}", "length")
        rows.append(row.told(asked, 360.0 - LEAD_S * speed))
    assert [row.verdict for row in rows] == ["untold", "untold", "agrees", "differs"]
    settings = SimpleNamespace(engage_lead_s=LEAD_S)
    found: Any = SimpleNamespace(
        learned=[replace(row, part="feeder.0") for row in rows],
        machine=SimpleNamespace(feeders=[SimpleNamespace(settings=settings)]),
        seen=logs,
        logs=logs,
        placements=None,
    )
    by_key: Any = {row.key: row for row in rows if row.key}
    written = _side(found, by_key, 0, "engage", None, "metric")
    assert written[f"{path}_distance"].text == "363.12 mm"
    assert "at 60.6 m/min alone" in written[f"{path}_distance"].note
