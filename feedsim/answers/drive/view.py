"""One feeder's drive at one line speed, as its figures show it."""

from __future__ import annotations

import math
from dataclasses import dataclass

from feedsim.answers.drive.study.results import AtSpeed, Candidate, FeederSizing, Sizing
from feedsim.drivetrain.course import typical_cycle
from feedsim.drivetrain.cycles import Cycles
from feedsim.drivetrain.demand import Demand
from feedsim.quantities import System, display
from feedsim.render.layout import one_line


@dataclass(frozen=True, slots=True)
class DriveView:
    """One feeder at one speed, with what its figures need.

    ``motor``: the candidate that is drawn over time, None without any; ``asked``: of it.
    """

    title: str
    feeder: FeederSizing
    point: AtSpeed
    motor: Candidate | None
    asked: Demand
    one_cycle: Cycles
    units: System


def drive_view(sizing: Sizing, feeder: FeederSizing, units: System) -> DriveView | None:
    """Return the view at the scenario's line speed if that was looked at, else at the highest.

    None where the feed never moves.
    """
    moving = [(point, point.moving) for point in feeder.speeds if point.moving is not None]
    if not moving:
        return None
    own = sizing.line_speed_mm_s
    at_own = (p for p in moving if math.isclose(p[0].line_speed_mm_s, own, rel_tol=1e-9))
    point, there = next(at_own, moving[-1])
    speed = display(point.line_speed_mm_s, "speed", units=units)
    shown = _shown(feeder, point)
    motor = None if shown is None else feeder.candidates[shown]
    rotor = motor.motor.rotor_inertia_kg_m2 if motor else 0.0
    return DriveView(
        title=one_line(f"{sizing.title} · {feeder.name} · {speed}", 200),
        feeder=feeder,
        point=point,
        motor=motor,
        asked=there.load_alone if shown is None else point.candidates[shown].demand,
        one_cycle=typical_cycle(there.stretches, rotor_kg_m2=rotor),
        units=units,
    )


def _shown(feeder: FeederSizing, point: AtSpeed) -> int | None:
    """Return the chosen motor, or else the smallest that passes, or else the first."""
    if feeder.drive.chosen >= 0:
        return feeder.drive.chosen
    passing = [n for n, one in enumerate(point.candidates) if one.passes]
    smallest = sorted(passing, key=lambda n: feeder.candidates[n].motor.rated_power_w)
    return next(iter(smallest or range(len(feeder.candidates))), None)
