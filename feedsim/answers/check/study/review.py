"""A look at a line before it runs: its geometry in words, its settings, its warnings."""

from __future__ import annotations

import math
from dataclasses import dataclass

from feedsim.answers.check.study.advice import warnings_of
from feedsim.answers.check.study.automatic import automatic_words, mean_words
from feedsim.answers.check.study.checked_feeder import CheckedFeeder, checked_feeders
from feedsim.answers.check.study.counted import refused, refused_words
from feedsim.answers.check.study.facts import feeder_words, line_words
from feedsim.answers.check.study.neighbours import side_by_side
from feedsim.answers.check.study.product import product_warnings, product_words
from feedsim.answers.check.study.unusual import unusual
from feedsim.answers.limit.study.closed import not_counted
from feedsim.criteria import Figure
from feedsim.metrics.machine_settings import MachineSettings, machine_settings
from feedsim.quantities import System, display, whole
from feedsim.scenario import Scenario

_Z_SQUARED = 1.959964**2


@dataclass(frozen=True, slots=True)
class FeederReview:
    """One feeder: what it is, what would be typed in, what to mind.

    ``refused``: the acceptance figures that the closed forms refuse at line speed; each is the
    subject of a warning.
    """

    name: str
    words: list[str]
    settings: MachineSettings
    warnings: list[str]
    refused: list[Figure]


@dataclass(frozen=True, slots=True)
class Review:
    """A line looked at as a whole."""

    title: str
    words: list[str]
    warnings: list[str]
    feeders: list[FeederReview]


def review(scenario: Scenario, *, units: System = "metric") -> Review:
    """Check a scenario without running it."""
    return reviewed(scenario, checked_feeders(scenario, units))


def reviewed(scenario: Scenario, checked: list[CheckedFeeder]) -> Review:
    """Check a scenario by its feeders."""
    machine, units = checked[0].machine, checked[0].units
    feeders = [_feeder_review(s, [*feeder_words(machine, s.feeder, units=units)]) for s in checked]
    return Review(
        title=scenario.title,
        words=[
            *line_words(machine, units=units),
            *product_words(scenario, checked),
            *not_counted(scenario),
        ],
        warnings=[*_run_warnings(scenario, units), *product_warnings(scenario, checked)],
        feeders=feeders,
    )


def _feeder_review(s: CheckedFeeder, words: list[str]) -> FeederReview:
    figures = refused(s)
    return FeederReview(
        name=s.scenario.feeder[s.number].name,
        words=[*words, *automatic_words(s), *mean_words(s)],
        settings=machine_settings(s.feeder.settings, s.machine.encoder),
        warnings=[*refused_words(s, figures), *warnings_of(s)],
        refused=[each.figure for each in figures],
    )


def _run_warnings(scenario: Scenario, units: System) -> list[str]:
    """Return what is to be said about the run and the line as a whole."""
    warnings = [*side_by_side(scenario, units=units), *unusual(scenario)]
    profile = scenario.line.profile
    if profile and max(v for _, v in profile) != scenario.line.speed:
        warnings.append(
            "line.speed is not the highest speed of line.profile: settings that are solved for a "
            "speed take line.speed."
        )
    supervision = scenario.supervision
    if supervision is not None and supervision.emergency_deceleration != "auto":
        hard, normal = supervision.emergency_deceleration, supervision.stop_deceleration
        if hard < normal:
            slow, other = (display(a, "acceleration", units=units) for a in (hard, normal))
            warnings.append(
                f"In an emergency stop the belt slows down at {slow}, in any other stop at {other}"
                ": in an emergency it runs on for longer."
            )
    accept = scenario.acceptance
    shares = (accept.missed, accept.jam_risk, 1.0 - accept.within_tolerance)
    if min(shares) <= 0.0:
        warnings.append(
            "An acceptance figure of 0 % or 100 % can be met, but never shown at 95 % to be met."
        )
    # with none seen, the upper end of the Wilson interval is z²/(n + z²)
    strict = min((share for share in shares if share > 0.0), default=1.0)
    needed = math.ceil(_Z_SQUARED * (1.0 / strict - 1.0) - 1e-9)
    if scenario.run.carriers < needed:
        warnings.append(
            f"A run of {whole(scenario.run.carriers)} carriers cannot show a share of at most "
            f"{100.0 * strict:.3g} % at 95 %: even with none seen it takes {whole(needed)}."
        )
    return warnings
