"""What ``budget.json`` holds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields

from feedsim import __version__
from feedsim.answers.budget.study.budget import Compared, Point
from feedsim.answers.budget.study.run import is_steady
from feedsim.answers.budget.study.what_if import Outcome
from feedsim.metrics.plain import Plain, plain
from feedsim.scenario import Scenario, scenario_to_dict
from feedsim.settings.sources import Source

__all__ = ["budget_plain", "share_of"]


def budget_plain(
    scenario: Scenario,
    points: Sequence[Point],
    *,
    what_if: tuple[Outcome, Sequence[Outcome]] | None,
    what_if_speed_mm_s: float,
) -> dict[str, Plain]:
    """Return the object of ``budget.json``.

    ``steady``: false where the scenario has a speed profile, faults or adjustments, which budgets
    leave out.
    ``what_if``: None where it was not asked for.
    """
    turned: dict[str, Plain] | None = None
    if what_if is not None:
        as_it_is, others = what_if
        turned = {
            "line_speed_mm_s": what_if_speed_mm_s,
            "as_it_is": _outcome(as_it_is, as_it_is, scenario),
            "changes": [_outcome(outcome, as_it_is, scenario) for outcome in others],
        }
    return {
        "feedsim": __version__,
        "title": scenario.title,
        "scenario": scenario_to_dict(scenario),
        "steady": is_steady(scenario),
        "carriers": scenario.run.carriers,
        "points": [
            {
                "line_speed_mm_s": point.line_speed_mm_s,
                "feeders": [_feeder(feeder) for feeder in point.feeders],
            }
            for point in points
        ],
        "what_if": turned,
    }


def share_of(source: Source, combined_sd_mm: float) -> float:
    """Return a source's share of the variance, 0…1."""
    return (source.contribution_mm / combined_sd_mm) ** 2 if combined_sd_mm > 0.0 else 0.0


def _feeder(feeder: Compared) -> dict[str, Plain]:
    budget = feeder.budget
    sources: list[Plain] = [
        {
            **{f.name: plain(getattr(source, f.name)) for f in fields(source)},
            "contribution_mm": source.contribution_mm,
            "share": share_of(source, budget.combined_sd_mm),
        }
        for source in budget.sources
    ]
    return {
        "name": budget.name,
        "sources": sources,
        "combined_sd_mm": budget.combined_sd_mm,
        "shifts": plain(budget.shifts),
        "mean_mm": budget.mean_mm,
        "within_tolerance": budget.within_tolerance,
        "simulated": plain(feeder.simulated),
        "ratio": plain(feeder.ratio),
        "ratio_ci95": plain(feeder.ratio_ci95),
        "agreement": feeder.agreement,
        "doubts": [doubt.kind for doubt in feeder.doubts],
    }


def _outcome(outcome: Outcome, as_it_is: Outcome, scenario: Scenario) -> dict[str, Plain]:
    names = [feeder.name for feeder in scenario.feeder]
    limit, before = outcome.limit_speed_mm_s, as_it_is.limit_speed_mm_s
    binding: dict[str, Plain] | None = None
    if outcome.binding is not None:
        binding = {"feeder": names[outcome.binding[0]], "mechanism": outcome.binding[1]}
    found: dict[str, Plain] = {
        "combined_sd_mm": dict(zip(names, outcome.combined_sd_mm, strict=True)),
        "limit_speed_mm_s": limit,
        "gain_mm_s": None if limit is None or before is None else limit - before,
        "binding": binding,
    }
    if outcome.change is None:
        return found
    change = outcome.change
    what = {"key": change.key, "knob": change.knob, "before": change.before, "after": change.after}
    return {**what, **found}
