"""The closed forms of a line, before anything runs."""

from __future__ import annotations

import math
from collections.abc import Iterator

from feedsim.answers.budget.study.budget import FeederBudget, budget_of
from feedsim.answers.check.study.checked_feeder import CheckedFeeder, checked_feeders
from feedsim.answers.check.study.counted import counted
from feedsim.answers.check.study.review import FeederReview, reviewed
from feedsim.answers.limit.islands import FAILING
from feedsim.answers.limit.study.closed import not_counted
from feedsim.answers.line import Line
from feedsim.answers.setup.study.results import GoodFor
from feedsim.answers.setup.study.sheet import good_for
from feedsim.desk.autos import autos_of
from feedsim.desk.runs import rounds
from feedsim.desk.told import length, speed
from feedsim.metrics.percent import percent
from feedsim.quantities import System
from feedsim.render import wording
from feedsim.render.wording import acceleration, time
from feedsim.scenario import Scenario
from feedsim.settings.shares_by_speed import NOTHING


def forms(line: Line, units: System) -> dict[str, object]:
    """Return verdict, settings, margins and error budget of a line in closed form."""
    scenario = line.scenario
    checked = checked_feeders(scenario, units)
    seen = reviewed(scenario, checked)
    feeders = [_feeder(*parts) for parts in zip(checked, seen.feeders, strict=True)]
    refused = any(figure.refused for one in checked for figure in counted(one))
    said = "Refused" if refused else "Accepted"
    at = closed_at(scenario, checked[0].speed, units)
    return {
        "title": scenario.title,
        "units": units,
        "line_speed": speed(scenario.line.speed, units),
        "speed": speed(checked[0].speed, units),
        "of": at,
        "rounds": list(rounds(checked[0].machine)),
        "verdict": {
            "state": "refused" if refused else "accepted",
            "words": f"{said} in {at}.",
        },
        "words": seen.words,
        "warnings": seen.warnings,
        "not_counted": list(not_counted(scenario)),
        "autos": autos_of(scenario, units=units),
        "feeders": feeders,
    }


def closed_at(scenario: Scenario, highest_mm_s: float, units: System) -> str:
    """Name the speed of the closed forms: the highest that the line reaches."""
    of_profile = ", the highest of line.profile" if scenario.line.profile else ""
    return f"closed form at {wording.speed(highest_mm_s, units)}{of_profile}"


def _feeder(checked: CheckedFeeder, seen: FeederReview) -> dict[str, object]:
    units, tolerance = checked.units, checked.scenario.acceptance.placement_tolerance
    return {
        "name": seen.name,
        "words": seen.words,
        "warnings": seen.warnings,
        "figures": _figures(checked),
        "margins": list(_margins(good_for(checked.steadily, to_run=True), units)),
        "budget": _budget(budget_of(checked), tolerance, units),
    }


def _figures(checked: CheckedFeeder) -> list[dict[str, object]]:
    """Return each acceptance figure: its share, its limit and its causes."""
    return [
        {
            "figure": found.figure,
            "name": FAILING[found.figure].capitalize(),
            "share": found.share,
            "text": percent(found.share, unlike=found.most),
            "most": found.most,
            "most_text": percent(found.most),
            "refused": found.refused,
            "parts": [
                {
                    "mechanism": part.mechanism.name,
                    "share": part.share,
                    "text": percent(part.share),
                }
                for part in found.parts
                if part.share > NOTHING
            ],
        }
        for found in counted(checked)
    ]


def _margins(does: GoodFor, units: System) -> Iterator[dict[str, object]]:
    """Yield the margin to each limit, with its spread or the limit itself."""
    for name, margin_mm, sd_mm in (
        ("staged nose short of its limit", does.nose_margin_mm, does.stage_sd_mm),
        ("placed tail past the grip end as the clutch opens", does.tail_margin_mm, does.tail_sd_mm),
    ):
        spread = length(sd_mm, units, of="sd_")
        yield {"name": name, **length(margin_mm, units), **spread, "past": margin_mm < 0.0}
    cycle_s, every_s = does.cycle_s, does.carrier_every_s
    yield {
        "name": "feed cycle within the time between carriers",
        "s": every_s - cycle_s,
        "of_s": every_s,
        "text": f"{time(cycle_s)} of {time(every_s)}",
        "past": cycle_s > every_s,
    }
    asked, most = does.acceleration_mm_s2, does.max_acceleration_mm_s2
    yield {
        "name": "acceleration asked of the drive",
        "mm_s2": asked if math.isfinite(asked) else None,
        "of_mm_s2": most if math.isfinite(most) else None,
        "text": f"{acceleration(asked, units)} of {acceleration(most, units)}",
        "past": asked > most,
    }


def _budget(budget: FeederBudget, tolerance_mm: float, units: System) -> dict[str, object]:
    return {
        **length(budget.mean_mm, units, of="mean_", sign=True),
        **length(budget.combined_sd_mm, units, of="sd_"),
        **length(tolerance_mm, units, of="tolerance_"),
        "within_tolerance": budget.within_tolerance,
        "within_text": percent(budget.within_tolerance),
        "sources": [
            {
                "name": source.name,
                "side": source.side,
                "cause": source.cause,
                "share": source.share,
                "share_text": percent(source.share, digits=2),
                **length(source.contribution_mm, units),
            }
            for source in sorted(budget.sources, key=lambda s: -s.share)
        ],
        "shifts": [
            {"name": shift.name, **length(shift.mean_mm, units, sign=True)}
            for shift in budget.shifts
        ],
        "doubts": [doubt.words for doubt in budget.doubts],
    }
