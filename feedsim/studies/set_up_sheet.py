"""The set-up sheet: what to type in, where it comes from, and what it is good for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from feedsim import __version__
from feedsim.machine import Feeder, Machine
from feedsim.metrics.machine_settings import MachineSettings, machine_settings
from feedsim.metrics.plain import Plain, plain
from feedsim.quantities import canonical
from feedsim.scenario import Scenario, override, scenario_to_dict
from feedsim.settings.derivation import Term, derivation
from feedsim.settings.predict import cycle_time, expected_offsets, known_bias, largest_demand
from feedsim.settings.spreads import (
    placement_spread,
    scale_shift,
    stage_spread,
    tail_at_opening,
)
from feedsim.studies.limit.plain import limits_plain
from feedsim.studies.limit.search import closed_limits, lowest_together
from feedsim.studies.review.review import review
from feedsim.studies.run import machine_of

__all__ = ["as_typed", "set_up_sheet"]

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

    Speeds are the slowest and the fastest of ``[sweep]`` and the line speed; the fastest no more
    than all mechanisms together allow with the settings typed in, where that is above line speed.
    """
    machine, typed = machine_of(scenario), as_typed(scenario)
    limits = closed_limits(typed)
    seen = review(scenario)
    speeds = _speeds(scenario, lowest_together(limits))
    rows = limits_plain(scenario, limits)
    feeders: list[Plain] = []
    for number, feeder in enumerate(machine.feeders):
        name = scenario.feeder[number].name
        feeders.append(
            {
                "name": name,
                "settings": plain(machine_settings(feeder.settings, machine.encoder)),
                **_derived(machine, feeder, scenario, number),
                "good_for": [_at(machine, feeder, speed) for speed in speeds],
                "limits": [dict(row) for row in rows if row["feeder"] == name],
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
        "words": list(seen.words),
        "warnings": list(seen.warnings),
        "feeders": feeders,
    }


def _speeds(scenario: Scenario, limit: float | None) -> list[float]:
    """Return the slowest, the chosen and the fastest speed (mm/s), each once, rising."""
    chosen, swept = scenario.line.speed, scenario.sweep.speeds_mm_s
    fastest = max(swept)
    if limit is not None and chosen < limit < fastest:
        fastest = limit
    return sorted({min(*swept, chosen), chosen, max(fastest, chosen)})


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
