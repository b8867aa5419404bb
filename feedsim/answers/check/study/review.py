"""A look at a line before it runs: its geometry in words, its settings, its warnings."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import combinations

from feedsim.answers.check.study import placing, target, timing
from feedsim.answers.check.study.automatic import automatic_words, mean_words, not_on_steps
from feedsim.answers.check.study.checked_feeder import (
    CheckedFeeder,
    checked_feeders,
    feeder_words,
    line_words,
)
from feedsim.answers.check.study.counted import refused, refused_words
from feedsim.answers.check.study.levels import levels
from feedsim.answers.check.study.product import product_warnings, product_words
from feedsim.answers.limit.study.closed import not_counted
from feedsim.criteria import Figure
from feedsim.machine import SAME_TRAVEL_MM
from feedsim.metrics.intervals import trials_to_tell
from feedsim.metrics.machine_settings import MachineSettings, machine_settings
from feedsim.metrics.percent import percent
from feedsim.quantities import System, display, whole
from feedsim.scenario import Scenario
from feedsim.settings.overlap import overlap_mm

_ONE_PLACE_MM = 1.0
_OF_EYE = {"response": 0.02, "off_response": 0.02, "filter_time": 0.1}
_OF_CONTROLLER = {"scan": 0.1, "motion_cycle": 0.02}
_COMMAND_DELAY = 0.05
"""Times (s) that are rarely exceeded: common practice, no source."""
_Check = Callable[[CheckedFeeder], Iterator[str]]

_CHECKS: tuple[_Check, ...] = (
    timing.cycle,
    timing.late_marks,
    timing.late_openings,
    timing.leads,
    not_on_steps,
    target.off_target,
    placing.stage,
    placing.limits,
    placing.tail,
    placing.next_nose,
    placing.landing,
    timing.run_up,
    timing.no_cycle,
    timing.drive,
    timing.loop_gain,
    timing.feedforward,
    timing.memory,
    placing.gaps,
    levels,
    placing.merging,
    placing.on_carrier,
    placing.speed_match,
    target.scale,
    target.spread,
    timing.aliasing,
    timing.locked_counts,
    timing.search,
)


@dataclass(frozen=True, slots=True)
class FeederReview:
    """One feeder: its geometry, its settings, its warnings.

    ``refused``: the acceptance figures that the closed forms refuse at line speed; each has a
    warning.
    """

    name: str
    words: list[str]
    settings: MachineSettings
    warnings: list[str]
    refused: list[Figure]


@dataclass(frozen=True, slots=True)
class Review:
    """A line as a whole."""

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
        warnings=[*refused_words(s, figures), *(line for check in _CHECKS for line in check(s))],
        refused=[each.figure for each in figures],
    )


def _run_warnings(scenario: Scenario, units: System) -> list[str]:
    """Return the warnings about the run and the line as a whole."""
    warnings = [
        *_side_by_side(scenario, units=units),
        *_unusual(scenario),
        *_magazines(scenario),
        *_never_comes(scenario),
    ]
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
            "An acceptance figure of 0 % or 100 % can be met, but never shown to be met at 95 %."
        )
    strict = min((share for share in shares if share > 0.0), default=1.0)
    needed = math.ceil((trials_to_tell(0.0, strict) or 0.0) - 1e-9)
    if scenario.run.carriers < needed:
        warnings.append(
            f"A run of {whole(scenario.run.carriers)} carriers cannot show a share of at most "
            f"{percent(strict)} at 95 %: even with none seen it takes {whole(needed)}."
        )
    return warnings


def _magazines(scenario: Scenario) -> Iterator[str]:
    """Warn of a magazine that runs empty with nothing to refill it."""
    rules = scenario.supervision
    if rules is not None and (rules.no_insert or rules.misses_in_a_row):
        return  # the line stops for it
    carriers = scenario.run.warm_up + scenario.run.carriers
    for feeder in scenario.feeder:
        holds = feeder.insert.magazine
        if 0 < holds < carriers and not feeder.insert.magazine_warning:
            yield (
                f"The magazine of {feeder.name} holds {whole(holds)} inserts for "
                f"{whole(carriers)} carriers, and nothing refills it: no rule of [supervision] "
                f"stops the line for it (no_insert, misses_in_a_row), and with magazine_warning 0 "
                f"it is not filled while the line runs."
            )


def _never_comes(scenario: Scenario) -> Iterator[str]:
    """Warn of a planned fault or change at a carrier that the run does not have."""
    last = scenario.run.warm_up + scenario.run.carriers - 1
    for name, planned in (("fault", scenario.fault), ("adjust", scenario.adjust)):
        for number, each in enumerate(planned):
            if each.carrier is not None and each.carrier > last:
                yield (
                    f"{name}.{number} never happens: it waits for carrier {each.carrier}, and the "
                    f"last one of this run is {last}."
                )


def _side_by_side(scenario: Scenario, *, units: System = "metric") -> Iterator[str]:
    """Warn of feeders at one placement point, and of inserts that land on each other.

    An overlap that ``[product]`` lists is intended.
    """

    def say(value: float) -> str:
        return display(value, "length", units=units, digits=3)

    for pair in combinations(scenario.feeder, 2):
        first, later = sorted(pair, key=lambda feeder: feeder.eye_to_placement)
        names = f"{first.name} and {later.name}"
        if later.eye_to_placement - first.eye_to_placement < _ONE_PLACE_MM:
            yield (
                f"{names} have one placement point, {say(later.eye_to_placement)} from the carrier "
                f"eye: two feeders cannot stand there, and their inserts would meet in the air."
            )
        if "product" in scenario.model_fields_set:
            continue
        over = overlap_mm(
            [feeder.settings.target_offset for feeder in (first, later)],
            [feeder.insert.length for feeder in (first, later)],
        )
        if over > SAME_TRAVEL_MM:
            yield (
                f"On target the insert of {later.name} lands {say(over)} on that of {first.name}. "
                f"Where that is wanted, say so in [product]; else move a target_offset."
            )


def _unusual(scenario: Scenario) -> Iterator[str]:
    """Name each time so much longer than usual that its unit may be wrong."""
    control, feeders = scenario.controller, list(enumerate(scenario.feeder))
    eyes = {"carrier_eye": scenario.carrier_eye} | {f"feeder.{n}.eye": f.eye for n, f in feeders}
    times = [(f"controller.{key}", getattr(control, key), m) for key, m in _OF_CONTROLLER.items()]
    for place, eye in eyes.items():
        times += [(f"{place}.{key}", getattr(eye, key), most) for key, most in _OF_EYE.items()]
    times += [
        (f"feeder.{n}.servo.command_delay", f.servo.command_delay, _COMMAND_DELAY)
        for n, f in feeders
    ]
    for key, time_s, most in times:
        if time_s > most:
            yield (
                f"{key} is {display(time_s, 'time')}: more than {display(most, 'time')} is rare. "
                f"Is the unit right?"
            )
