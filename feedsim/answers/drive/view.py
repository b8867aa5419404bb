"""One feeder's drive at one line speed, as its figures show it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from feedsim.answers.drive.study.sizing import AtSpeed, Sizing
from feedsim.drivetrain.course import typical_cycle
from feedsim.drivetrain.cycles import Cycles
from feedsim.machine import Drive, Motor
from feedsim.quantities import System, display
from feedsim.render.canvas import one_line

__all__ = ["DriveView", "drive_view"]


@dataclass(frozen=True, slots=True)
class DriveView:
    """One feeder at one speed, with what its figures need."""

    title: str
    drive: Drive
    point: AtSpeed
    cycles: Cycles
    found: Mapping[str, Any]
    names: Sequence[str]
    motors: Sequence[Motor]
    units: System

    @property
    def shown(self) -> int:
        """The chosen motor, or else the smallest that passes, or else the first; -1 for none."""
        if self.drive.chosen >= 0 or not self.motors:
            return self.drive.chosen
        passing = [n for n, one in enumerate(self.point.candidates) if one.passes]
        return min(passing, key=lambda n: self.motors[n].rated_power_w) if passing else 0

    @property
    def one_cycle(self) -> Cycles:
        """The cycle that is drawn."""
        rotor = self.motors[self.shown].rotor_inertia_kg_m2 if self.shown >= 0 else 0.0
        return typical_cycle(self.cycles, rotor_kg_m2=rotor)


def drive_view(
    sizing: Sizing, plain: Mapping[str, Any], title: str, units: System, *, own_mm_s: float
) -> DriveView | None:
    """Return the view at the scenario's line speed if that was looked at, else at the highest.

    None where the feed never moves.
    """
    moving = [place for place, point in enumerate(sizing.points) if point.cycles is not None]
    if not moving:
        return None
    own = [p for p in moving if math.isclose(sizing.points[p].speed_mm_s, own_mm_s, rel_tol=1e-9)]
    place = own[0] if own else moving[-1]
    point = sizing.points[place]
    drive = sizing.machine.feeders[sizing.number].drive
    if drive is None or point.cycles is None:
        return None
    speed = display(point.speed_mm_s, "speed", units=units)
    return DriveView(
        title=one_line(f"{title} · {plain['name']} · {speed}", 100),
        drive=drive,
        point=point,
        cycles=point.cycles,
        found=plain["speeds"][place],
        names=[one["name"] for one in plain["candidates"]],
        motors=drive.motors,
        units=units,
    )
