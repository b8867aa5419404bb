"""The set-up sheet: what to type in, where it comes from, and what it achieves."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import fields, replace

from feedsim import __version__
from feedsim.answers.check.study.automatic import automatic_words
from feedsim.answers.check.study.checked_feeder import CheckedFeeder
from feedsim.answers.check.study.review import review
from feedsim.answers.limit.study.closed import (
    closed_forms,
    closed_window,
    limits_of_line,
    lowest_together,
    refused_speeds,
)
from feedsim.answers.setup.study.results import (
    Adjusting,
    FeederSheet,
    GoodFor,
    Reasons,
    Right,
    SetUp,
    corrected,
)
from feedsim.machine import Feeder, Machine
from feedsim.measures import canonical
from feedsim.metrics.machine_settings import TYPED, machine_settings, typed
from feedsim.quantities import System
from feedsim.running.run import machine_of
from feedsim.scenario import Scenario, override
from feedsim.settings.derivation import Term, derivation
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.mean import placement_mean
from feedsim.settings.predict import (
    cycle_time,
    expected_offsets,
    known_bias,
    largest_demand,
    scale_shift,
)
from feedsim.settings.right import Solution
from feedsim.settings.sources import placement_spread
from feedsim.settings.spreads import staged_nose, tail_at_opening

_BELOW = 1.0 - 1e-3  # the steps stay below the first refused speed by this factor
_DIFFERENCES_MM = (-2.0, -1.5, -1.0, -0.5, -0.2, 0.2, 0.5, 1.0, 1.5, 2.0)


def as_typed(scenario: Scenario) -> Scenario:
    """Return the scenario with every ``"auto"`` replaced by what it stands for at line speed."""
    changes = [
        f"feeder.{number}.settings.{key}="
        f"{canonical(value, 'time' if key.endswith('lead') else 'length')}"
        for number, feeder in enumerate(machine_of(scenario).feeders)
        for key, value in typed(feeder.settings).items()
    ]
    return override(scenario, changes)


def set_up_sheet(scenario: Scenario) -> SetUp:
    """Return everything the sheet says.

    Speeds are the slowest and the fastest of ``[sweep]`` and the line speed. Those to be run stay
    where the closed forms accept every speed with the settings typed in.
    """
    machine, as_given, seen = machine_of(scenario), as_typed(scenario), review(scenario)
    forms = closed_forms(as_given)
    limits = [form.limits for form in forms]
    highest = lowest_together(limits)
    allowed = _allowed(as_given, highest)
    speeds, rows = _speeds(scenario, allowed), limits_of_line(scenario, limits)
    feeders = []
    for number, feeder in enumerate(machine.feeders):
        keys, found = scenario.feeder[number], derivation(machine, feeder)
        line = FeederAtSpeed(machine, feeder)
        sheet = FeederSheet(
            name=keys.name,
            settings=machine_settings(feeder.settings, machine.encoder),
            typed=tuple(name for name in TYPED if name not in keys.settings.automatic),
            right=_right(machine, feeder, found.solution),
            derivation=Reasons(
                engage_distance_mm=found.engage_distance,
                engage_lead_ms=_in_ms(found.engage_lead),
                disengage_distance_mm=found.disengage_distance,
                disengage_lead_ms=_in_ms(found.disengage_lead),
            ),
            right_at_line_speed_only=found.solution.unsettled,
            good_for=tuple(
                good_for(line.on_line_at(speed), to_run=allowed[0] <= speed <= allowed[1])
                for speed in speeds
            ),
            adjusting=_adjusting(feeder, speeds, allowed),
            limits=tuple(row for row in rows if row.feeder == keys.name),
            notes=tuple(automatic_words(CheckedFeeder(scenario, machine, number, "metric"))),
            words=tuple(seen.feeders[number].words),
            warnings=tuple(seen.feeders[number].warnings),
        )
        feeders.append(sheet)
    return SetUp(
        feedsim=__version__,
        title=scenario.title,
        scenario=scenario,
        line_speed_mm_s=scenario.line.speed,
        count_mm=machine.encoder.count_mm or None,
        highest_speed_mm_s=highest,
        production=allowed[0] <= scenario.line.speed <= allowed[1],
        closed_form_refused=refused_speeds(forms),
        words=tuple(seen.words),
        warnings=tuple(seen.warnings),
        feeders=tuple(feeders),
    )


def told_in(units: System, sheet: SetUp) -> SetUp:
    """Return the sheet with its words in other units."""
    if units == "metric":
        return sheet
    scenario, machine = sheet.scenario, machine_of(sheet.scenario)
    seen = review(scenario, units=units)
    feeders = (
        replace(
            feeder,
            notes=tuple(automatic_words(CheckedFeeder(scenario, machine, number, units))),
            words=tuple(seen.feeders[number].words),
            warnings=tuple(seen.feeders[number].warnings),
        )
        for number, feeder in enumerate(sheet.feeders)
    )
    words, warnings = tuple(seen.words), tuple(seen.warnings)
    return replace(sheet, words=words, warnings=warnings, feeders=tuple(feeders))


def _allowed(as_given: Scenario, limit: float | None) -> tuple[float, float]:
    """Return the range of line speeds (mm/s) in which every speed is accepted.

    If the settings are right at one speed only, so that no slow speed is accepted: the range
    around that speed.
    """
    if limit is None:
        return 0.0, math.inf
    return (limit == 0.0 and closed_window(as_given)) or (0.0, _BELOW * limit)


def _speeds(scenario: Scenario, allowed: tuple[float, float]) -> list[float]:
    """Return the slowest, the chosen and the fastest speed (mm/s), each once, rising.

    If the chosen one is not accepted: two that are, if there are any, and the chosen one.
    """
    chosen, swept = scenario.line.speed, scenario.sweep.speeds_mm_s
    low, high = allowed
    if chosen <= high:
        fastest = max(min(max(swept), high), chosen)
        return sorted({max(low, min(*swept, chosen)), chosen, fastest})
    return sorted({min(*swept, 0.5 * high), high, chosen} - {0.0})


def _adjusting(
    feeder: Feeder, speeds: Sequence[float], allowed: tuple[float, float]
) -> Adjusting | None:
    """Return how to read off corrections; None without two speeds to measure at."""
    runs = [speed for speed in speeds if allowed[0] <= speed <= allowed[1]]
    if len(runs) < 2:
        return None
    slow, fast = runs[0], runs[-1]
    table = tuple(corrected(more, slow, fast) for more in _DIFFERENCES_MM)
    return Adjusting(slow, fast, feeder.settings.speed_ratio, table)


def _right(machine: Machine, feeder: Feeder, solution: Solution) -> Right:
    right = machine_settings(
        replace(
            feeder.settings,
            engage_distance_mm=solution.engage_distance_mm,
            engage_lead_s=solution.engage_lead_s,
            disengage_distance_mm=solution.disengage_distance_mm,
            disengage_lead_s=solution.disengage_lead_s,
        ),
        machine.encoder,
    )
    return Right(*(getattr(right, f.name) for f in fields(Right)))


def _in_ms(terms: Sequence[Term]) -> tuple[Term, ...]:
    return tuple(Term(term.name, term.value * 1000.0) for term in terms)


def good_for(at: FeederAtSpeed, *, to_run: bool) -> GoodFor:
    """Return what the settings in force do at one line speed."""
    feeder, speed = at.feeder, at.speed_mm_s
    tail, off, shift = tail_at_opening(at), expected_offsets(at), scale_shift(at)
    stage_mm = feeder.settings.stage_position_mm + off.stage_mm
    return GoodFor(
        line_speed_mm_s=speed,
        placement_mean_mm=placement_mean(at),
        known_terms_mm=known_bias(at),
        scale_shift_mm=shift,
        placement_sd_mm=placement_spread(at).sd,
        stage_mean_mm=stage_mm,
        stage_sd_mm=staged_nose(at).sd,
        nose_margin_mm=feeder.nose_limit_mm - stage_mm,
        tail_margin_mm=tail.average - feeder.grip_end_mm,
        tail_sd_mm=tail.sd,
        cycle_s=cycle_time(at),
        carrier_every_s=at.carriers.pitch_mm / speed,
        acceleration_mm_s2=largest_demand(at),
        max_acceleration_mm_s2=feeder.servo.max_acceleration_mm_s2,
        to_run=to_run,
    )
