"""The set-up sheet: what to type in, where it comes from, and what it is good for."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from feedsim import __version__
from feedsim.answers.check.study.automatic import automatic_words
from feedsim.answers.check.study.review import review
from feedsim.answers.check.study.setup import Setup
from feedsim.answers.limit.study.closed import (
    closed_forms,
    closed_window,
    limits_of_line,
    lowest_together,
    refused_speeds,
)
from feedsim.machine import Feeder, Machine
from feedsim.metrics.machine_settings import MachineSettings, machine_settings
from feedsim.metrics.plain import Plain, plain
from feedsim.quantities import canonical
from feedsim.running.run import machine_of
from feedsim.scenario import Scenario, override, scenario_to_dict
from feedsim.settings.derivation import Term, derivation
from feedsim.settings.predict import cycle_time, expected_offsets, known_bias, largest_demand
from feedsim.settings.spreads import (
    placement_spread,
    scale_shift,
    stage_spread,
    tail_at_opening,
)

__all__ = ["as_typed", "set_up_sheet"]

_BELOW = 1.0 - 1e-3  # so far below where speeds begin to be refused the steps stay
_DIFFERENCES_MM = (-2.0, -1.5, -1.0, -0.5, -0.2, 0.2, 0.5, 1.0, 1.5, 2.0)
_SETTINGS = ("engage_distance", "engage_lead", "disengage_distance", "disengage_lead")


def as_typed(scenario: Scenario) -> Scenario:
    """Return the scenario with every ``"auto"`` replaced by what it stands for at line speed."""
    machine = machine_of(scenario)
    changes = []
    for number, feeder in enumerate(machine.feeders):
        s = feeder.settings
        values = (
            canonical(s.engage_distance_mm, "length"),
            canonical(s.engage_lead_s, "time"),
            canonical(s.disengage_distance_mm, "length"),
            canonical(s.disengage_lead_s, "time"),
        )
        pairs = zip(_SETTINGS, values, strict=True)
        changes += [f"feeder.{number}.settings.{name}={value}" for name, value in pairs]
    return override(scenario, changes)


def set_up_sheet(scenario: Scenario) -> dict[str, Plain]:
    """Return everything the sheet says, as plain data.

    Speeds are the slowest and the fastest of ``[sweep]`` and the line speed; those to be run are
    no faster than every speed up to there is accepted in closed form with the settings typed in.
    """
    machine, typed = machine_of(scenario), as_typed(scenario)
    forms = closed_forms(typed)
    limits = [form.limits for form in forms]
    allowed = _allowed(typed, lowest_together(limits))
    seen = review(scenario)
    speeds = _speeds(scenario, allowed)
    rows = limits_of_line(scenario, limits)
    feeders: list[Plain] = []
    for number, feeder in enumerate(machine.feeders):
        name = scenario.feeder[number].name
        feeders.append(
            {
                "name": name,
                "settings": plain(machine_settings(feeder.settings, machine.encoder)),
                **_derived(machine, feeder, scenario, number),
                "good_for": [
                    {**_at(machine, feeder, speed), "to_run": allowed[0] <= speed <= allowed[1]}
                    for speed in speeds
                ],
                "adjusting": plain(_adjusting(feeder, speeds, allowed)),
                "limits": [plain(row) for row in rows if row.feeder == name],
                "notes": list(automatic_words(Setup(scenario, machine, number, "metric"))),
                "words": list(seen.feeders[number].words),
                "warnings": list(seen.feeders[number].warnings),
            }
        )
    return {
        "feedsim": __version__,
        "title": scenario.title,
        "scenario": scenario_to_dict(scenario),
        "line_speed_mm_s": scenario.line.speed,
        "count_mm": machine.encoder.count_mm or None,
        "highest_speed_mm_s": lowest_together(limits),
        "production": allowed[0] <= scenario.line.speed <= allowed[1],
        "closed_form_refused": plain(refused_speeds(forms)),
        "words": list(seen.words),
        "warnings": list(seen.warnings),
        "feeders": feeders,
    }


def _allowed(typed: Scenario, limit: float | None) -> tuple[float, float]:
    """Return between which line speeds (mm/s) every speed is accepted, the line's own among them.

    Where no slow speed is, since the settings are right at one speed only: between those about it.
    """
    if limit is None:
        return 0.0, math.inf
    return (limit == 0.0 and closed_window(typed)) or (0.0, _BELOW * limit)


def _speeds(scenario: Scenario, allowed: tuple[float, float]) -> list[float]:
    """Return the slowest, the chosen and the fastest speed (mm/s), each once, rising.

    Where the chosen one is not accepted, two that are, if there are any, and that one.
    """
    chosen, swept = scenario.line.speed, scenario.sweep.speeds_mm_s
    low, high = allowed
    if chosen <= high:
        fastest = max(min(max(swept), high), chosen)
        return sorted({max(low, min(*swept, chosen)), chosen, fastest})
    return sorted({min(*swept, 0.5 * high), high, chosen} - {0.0})


def _adjusting(
    feeder: Feeder, speeds: Sequence[float], allowed: tuple[float, float]
) -> dict[str, Any] | None:
    """Return how means that are measured slow (A) and fast (B) are read off as corrections.

    Straight against speed, the mean at standstill is A - (B - A)·slow/(fast - slow), and it grows
    by (B - A)/(fast - slow). None where there are no two speeds to measure at.
    """
    runs = [speed for speed in speeds if allowed[0] <= speed <= allowed[1]]
    if len(runs) < 2:
        return None
    slow, fast = runs[0], runs[-1]
    return {
        "slow_mm_s": slow,
        "fast_mm_s": fast,
        "speed_ratio": feeder.settings.speed_ratio,
        "table": [
            {
                "b_less_a_mm": more,
                "lead_ms": 1e3 * more / (fast - slow),
                "standstill_less_a_mm": -more * slow / (fast - slow),
            }
            for more in _DIFFERENCES_MM
        ],
    }


def _derived(machine: Machine, feeder: Feeder, scenario: Scenario, number: int) -> dict[str, Plain]:
    found = derivation(machine, feeder)
    right = machine_settings(
        replace(
            feeder.settings,
            engage_distance_mm=found.solution.engage_distance_mm,
            engage_lead_s=found.solution.engage_lead_s,
            disengage_distance_mm=found.solution.disengage_distance_mm,
            disengage_lead_s=found.solution.disengage_lead_s,
        ),
        machine.encoder,
    )
    given = scenario.feeder[number].settings
    return {
        "typed": [name for name in _SETTINGS if getattr(given, name) != "auto"],
        "right": {name: plain(getattr(right, name)) for name in _right_names()},
        "derivation": {
            "engage_distance_mm": _terms(found.engage_distance, 1.0),
            "engage_lead_ms": _terms(found.engage_lead, 1000.0),
            "disengage_distance_mm": _terms(found.disengage_distance, 1.0),
            "disengage_lead_ms": _terms(found.disengage_lead, 1000.0),
        },
        "right_at_line_speed_only": found.solution.unsettled,
    }


def _right_names() -> list[str]:
    wanted = ("engage_", "disengage_")
    return [name for name in MachineSettings.__slots__ if name.startswith(wanted)]


def _terms(terms: Sequence[Term], factor: float) -> list[Plain]:
    return [{"name": term.name, "value": term.value * factor} for term in terms]


def _at(machine: Machine, feeder: Feeder, speed: float) -> dict[str, Plain]:
    """Return what the settings in force do at one line speed."""
    there = replace(machine, line=replace(machine.line, speed_mm_s=speed, profile=()))
    error = placement_spread(there, feeder, speed=speed, late=False)
    staged = stage_spread(there, feeder, speed=speed)
    tail = tail_at_opening(there, feeder, speed=speed)
    off = expected_offsets(there, feeder, speed=speed)
    stage_mm = feeder.settings.stage_position_mm + off.stage_mm
    cycle = cycle_time(there, feeder, speed=speed)
    limit = feeder.servo.max_acceleration_mm_s2
    values: dict[str, Any] = {
        "line_speed_mm_s": speed,
        "placement_mean_mm": off.error_mm + scale_shift(there, feeder),
        "known_terms_mm": known_bias(there, feeder, speed=speed),
        "scale_shift_mm": scale_shift(there, feeder),
        "placement_sd_mm": error.sd,
        "stage_mean_mm": stage_mm,
        "stage_sd_mm": staged.sd,
        "nose_margin_mm": feeder.nose_limit_mm - stage_mm,
        "tail_margin_mm": tail.average - feeder.grip_end_mm,
        "tail_sd_mm": tail.sd,
        "cycle_s": cycle,
        "carrier_every_s": machine.carriers.pitch_mm / speed,
        "acceleration_mm_s2": largest_demand(there, feeder, speed=speed),
        "max_acceleration_mm_s2": limit,
    }
    return {name: plain(value) for name, value in values.items()}
