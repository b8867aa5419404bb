"""A feeder at a line speed keeps what was found, and hands on only what stays as it is."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from feedsim.criteria import Criteria
from feedsim.machine import Machine
from feedsim.settings.feeder_at_speed import FeederAtSpeed, lasting_term, line_term, term
from feedsim.settings.mechanisms import MECHANISMS
from tests.random_machines import random_machine

ALLOWED = Criteria(
    placement_tolerance_mm=1.5, within_tolerance=0.99, missed=0.01, jam_risk=0.01,
    speed_mismatch=0.05, overhang_mm=0.0,
)  # fmt: skip


def shares(at: FeederAtSpeed) -> list[float]:
    return [mechanism.share(at, ALLOWED) for mechanism in MECHANISMS]


def faster(machine: Machine, by: float) -> Machine:
    line = replace(machine.line, speed_mm_s=by * machine.line.speed_mm_s, profile=())
    return replace(machine, line=line)


Other = Callable[[FeederAtSpeed], tuple[FeederAtSpeed, FeederAtSpeed]]


def other_limits(at: FeederAtSpeed) -> tuple[FeederAtSpeed, FeederAtSpeed]:
    nose, grip = at.feeder.nose_limit_mm - 20.0, at.feeder.grip_end_mm + 20.0
    anew = replace(at.feeder, nose_limit_mm=nose, grip_end_mm=grip)
    there = at.with_limits(nose_limit_mm=nose, grip_end_mm=grip)
    return there, FeederAtSpeed(at.machine, anew)


def other_settings(at: FeederAtSpeed) -> tuple[FeederAtSpeed, FeederAtSpeed]:
    distance = at.settings.engage_distance_mm + 0.7
    anew = replace(at.feeder, settings=replace(at.settings, engage_distance_mm=distance))
    return at.with_settings(engage_distance_mm=distance), FeederAtSpeed(at.machine, anew)


def other_speed(at: FeederAtSpeed) -> tuple[FeederAtSpeed, FeederAtSpeed]:
    speed = 1.7 * at.speed_mm_s
    return at.asked_at(speed), FeederAtSpeed(at.machine, at.feeder, speed)


def other_line(at: FeederAtSpeed) -> tuple[FeederAtSpeed, FeederAtSpeed]:
    there = faster(at.machine, 0.6)
    return at.on_line_at(there.line.speed_mm_s), FeederAtSpeed(there, at.feeder)


@pytest.mark.parametrize("other", [other_limits, other_settings, other_speed, other_line])
def test_what_is_kept_is_what_would_be_found_anew(other: Other) -> None:
    differ = 0
    for seed in range(10):
        machine = random_machine(seed)
        at = FeederAtSpeed(machine, machine.feeders[0])
        before = shares(at)
        kept, anew = other(at)
        found = shares(kept)
        assert found == shares(anew)
        differ += found != before
    assert differ > 1  # it matters that they are not those of before


def test_a_term_that_is_not_told_of_limits_must_not_know_them() -> None:
    @term
    def unasked(at: FeederAtSpeed) -> float:
        return at.feeder.nose_limit_mm

    machine = random_machine(1)
    at = FeederAtSpeed(machine, machine.feeders[0])
    unasked(at)
    kept, anew = other_limits(at)
    assert unasked(kept) != unasked(anew)  # the fault that the comparison above would show


def test_a_term_is_worked_out_once_where_it_is_the_same() -> None:
    asked = []

    @term
    def here(at: FeederAtSpeed, more: float) -> float:
        asked.append("here")
        return at.speed_mm_s + more

    @line_term
    def of_line(at: FeederAtSpeed) -> float:
        asked.append("line")
        return at.machine.line.speed_mm_s

    @lasting_term
    def always(at: FeederAtSpeed) -> float:
        asked.append("always")
        return at.inserts.length_mm

    machine = random_machine(1)
    at = FeederAtSpeed(machine, machine.feeders[0])
    for there in (at, at, at.with_settings(engage_lead_s=0.1), at.on_line_at(123.0)):
        assert here(there, 1.0) == there.speed_mm_s + 1.0
        assert of_line(there) == there.machine.line.speed_mm_s
        assert always(there) == at.inserts.length_mm
    assert [asked.count(name) for name in ("here", "line", "always")] == [3, 2, 1]
    here(at, 2.0)
    assert asked.count("here") == 4
