"""What the closed forms say of a line, before anything runs."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

from feedsim.answers.budget.study.budget import FeederBudget, budgets_at
from feedsim.answers.check.study.checked_feeder import CheckedFeeder
from feedsim.answers.check.study.counted import counted
from feedsim.answers.check.study.review import FeederReview, review
from feedsim.answers.limit.islands import FAILING
from feedsim.answers.limit.study.closed import not_counted
from feedsim.answers.line import Line
from feedsim.answers.setup.study.sheet import good_for
from feedsim.desk.autos import autos_of
from feedsim.desk.runs import rounds
from feedsim.desk.told import length, speed, time
from feedsim.machine import Machine
from feedsim.quantities import System
from feedsim.render.wording import acceleration, percent
from feedsim.running.run import machine_of
from feedsim.scenario import Scenario
from feedsim.settings.shares_by_speed import NOTHING

__all__ = ["forms"]


def forms(line: Line, units: System) -> dict[str, Any]:
    """Return verdict, settings, margins and error budget of a line in closed form."""
    scenario = line.scenario
    machine, seen = machine_of(scenario), review(scenario, units=units)
    budgets = budgets_at(scenario, scenario.line.speed, units=units)
    checked = [CheckedFeeder(scenario, machine, number, units) for number in range(len(budgets))]
    feeders = [_feeder(*parts) for parts in zip(checked, seen.feeders, budgets, strict=True)]
    refused = any(figure["refused"] for feeder in feeders for figure in feeder["figures"])
    said = "Refused" if refused else "Accepted"
    highest = speed(checked[0].speed, units)["text"]
    return {
        "title": scenario.title,
        "units": units,
        "line_speed": speed(scenario.line.speed, units),
        "steady": not scenario.line.profile,
        "rounds": list(rounds(machine)),
        "verdict": {
            "state": "refused" if refused else "accepted",
            "words": f"{said} in closed form at {highest}.",
        },
        "words": seen.words,
        "warnings": seen.warnings,
        "not_counted": list(not_counted(scenario)),
        "autos": autos_of(scenario, units=units),
        "feeders": feeders,
    }


def _feeder(checked: CheckedFeeder, seen: FeederReview, budget: FeederBudget) -> dict[str, Any]:
    units, scenario = checked.units, checked.scenario
    return {
        "name": seen.name,
        "words": seen.words,
        "warnings": seen.warnings,
        "figures": _figures(checked),
        "margins": list(_margins(checked.machine, checked.number, scenario, units)),
        "budget": _budget(budget, scenario.acceptance.placement_tolerance, units),
    }


def _figures(checked: CheckedFeeder) -> list[dict[str, Any]]:
    """Return each acceptance figure: what there is too much of, how much, and by what."""
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


def _margins(
    machine: Machine, number: int, scenario: Scenario, units: System
) -> Iterator[dict[str, Any]]:
    """Yield how far each limit is, the spread of what comes near it, or what it is out of."""
    does = good_for(machine, machine.feeders[number], scenario.line.speed, to_run=True)
    yield {
        "name": "staged nose short of its limit",
        **length(does.nose_margin_mm, units),
        "sd_mm": does.stage_sd_mm,
        "sd_text": length(does.stage_sd_mm, units)["text"],
        "past": does.nose_margin_mm < 0.0,
    }
    yield {
        "name": "placed tail past the grip end as the clutch opens",
        **length(does.tail_margin_mm, units),
        "sd_mm": does.tail_sd_mm,
        "sd_text": length(does.tail_sd_mm, units)["text"],
        "past": does.tail_margin_mm < 0.0,
    }
    cycle, every = time(does.cycle_s), time(does.carrier_every_s)
    yield {
        "name": "feed cycle within the time between carriers",
        "s": every["s"] - cycle["s"],
        "of_s": every["s"],
        "text": f"{cycle['text']} of {every['text']}",
        "past": cycle["s"] > every["s"],
    }
    asked, most = does.acceleration_mm_s2, does.max_acceleration_mm_s2
    yield {
        "name": "acceleration asked of the drive",
        "mm_s2": asked if math.isfinite(asked) else None,
        "of_mm_s2": most if math.isfinite(most) else None,
        "text": f"{acceleration(asked, units)} of {acceleration(most, units)}",
        "past": asked > most,
    }


def _budget(budget: FeederBudget, tolerance_mm: float, units: System) -> dict[str, Any]:
    mean, sd = length(budget.mean_mm, units, sign=True), length(budget.combined_sd_mm, units)
    return {
        "mean_mm": mean["mm"],
        "mean_text": mean["text"],
        "sd_mm": sd["mm"],
        "sd_text": sd["text"],
        "tolerance_mm": tolerance_mm,
        "tolerance_text": length(tolerance_mm, units)["text"],
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
