"""One feeder at one line speed: what every closed form is asked of, and keeps what it finds with.

Nearly all forms need the same few quantities, and each other: E and U, the counted speed, belt
travel per feed travel. They are said here once. A form that others ask for is a :func:`term`: it is
worked out when it is first asked for, and kept with the feeder at its speed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cached_property, wraps
from typing import Any, Concatenate, ParamSpec, TypeVar, cast

from feedsim.machine import Feeder, Machine

__all__ = ["FeederAtSpeed", "term"]

P = ParamSpec("P")
T = TypeVar("T")


class FeederAtSpeed:
    """A feeder of a machine at a line speed.

    Parameters
    ----------
    machine : Machine
    feeder : Feeder
        Its settings are those in force, none of them NaN.
    speed_mm_s : float, optional
        Line speed v (mm/s); that of the machine if it is not given.

    Attributes
    ----------
    carriers, carrier_eye, controller, count_mm
        Of the machine; count_mm: the encoder's q.
    inserts, eye, settings
        Of the feeder; eye: its insert eye.
    scale : float
        1 + ε, true belt travel per counted travel.
    counted_mm_s : float
        v_c = v/(1 + ε), the speed as the controller counts it.
    """

    def __init__(self, machine: Machine, feeder: Feeder, speed_mm_s: float | None = None) -> None:
        self.machine, self.feeder = machine, feeder
        self.speed_mm_s = machine.line.speed_mm_s if speed_mm_s is None else speed_mm_s
        self.carriers, self.carrier_eye = machine.carriers, machine.carrier_eye
        self.controller, self.count_mm = machine.controller, machine.encoder.count_mm
        self.inserts, self.eye, self.settings = feeder.inserts, feeder.eye, feeder.settings
        self.scale = 1.0 + machine.encoder.scale_error
        self.counted_mm_s = self.speed_mm_s / self.scale
        self.known: dict[Any, Any] = {}

    def with_settings(self, **changed: Any) -> FeederAtSpeed:
        """Return the feeder at this speed with some of its settings changed."""
        settings = replace(self.settings, **changed)
        return FeederAtSpeed(self.machine, replace(self.feeder, settings=settings), self.speed_mm_s)

    @cached_property
    def engage_travel_mm(self) -> float:
        """E = engage_distance − engage_lead·v_c (mm of counted travel, not rounded).

        feedsim/MODEL.md, section 5.
        """
        s = self.settings
        return s.engage_distance_mm - s.engage_lead_s * self.counted_mm_s

    @cached_property
    def opening_travel_mm(self) -> float:
        """U = disengage_distance − disengage_lead·v_c (mm of counted travel, not rounded).

        feedsim/MODEL.md, section 8.
        """
        s = self.settings
        return s.disengage_distance_mm - s.disengage_lead_s * self.counted_mm_s

    @property
    def belt_per_feed(self) -> float:
        """(1 + ε)/g, the belt travel in which the feed runs one mm at full engagement.

        g: speed ratio (feedsim/MODEL.md, section 6).
        """
        return self.scale / self.settings.speed_ratio

    @property
    def feed_mm_s(self) -> float:
        """g·v_c, the feed's speed with the clutch closed (feedsim/MODEL.md, section 6)."""
        return self.settings.speed_ratio * self.counted_mm_s


def term(
    form: Callable[Concatenate[FeederAtSpeed, P], T],
) -> Callable[Concatenate[FeederAtSpeed, P], T]:
    """Let a closed form be worked out once for each feeder at its speed."""

    @wraps(form)
    def kept(at: FeederAtSpeed, *args: P.args, **kwargs: P.kwargs) -> T:
        key = (form, args, *kwargs.items())
        if key not in at.known:
            at.known[key] = form(at, *args, **kwargs)
        return cast("T", at.known[key])

    return cast("Callable[Concatenate[FeederAtSpeed, P], T]", kept)
