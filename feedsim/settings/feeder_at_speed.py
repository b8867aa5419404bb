"""One feeder at one line speed: what every closed form is asked of, and keeps what it finds with.

Nearly all forms need the same few quantities, and each other: E and U, the counted speed, belt
travel per feed travel. They are said here once. A form that others ask for is a :func:`term`: it is
worked out when it is first asked for, and kept with the feeder at its speed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import wraps
from typing import Any, Concatenate, ParamSpec, TypeVar, cast

from feedsim.criteria import Criteria
from feedsim.machine import Feeder, Machine

__all__ = ["FeederAtSpeed", "lasting_term", "line_term", "term"]

P = ParamSpec("P")
T = TypeVar("T")
Form = Callable[Concatenate["FeederAtSpeed", P], T]
Known = dict[Any, Any]


class FeederAtSpeed:
    """A feeder of a machine at a line speed.

    Parameters
    ----------
    machine : Machine
    feeder : Feeder
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
    feed_mm_s : float
        g·v_c, the feed's speed with the clutch closed, g the speed ratio (feedsim/MODEL.md, 6).
    belt_per_feed : float
        (1 + ε)/g, the belt travel in which the feed then runs one mm (the same).
    engage_travel_mm : float
        E = engage_distance − engage_lead·v_c, counted, not rounded (feedsim/MODEL.md, 5).
    opening_travel_mm : float
        U = disengage_distance − disengage_lead·v_c, likewise (feedsim/MODEL.md, 8).
    """

    def __init__(self, machine: Machine, feeder: Feeder, speed_mm_s: float | None = None) -> None:
        self.machine, self.feeder = machine, feeder
        self.speed_mm_s = machine.line.speed_mm_s if speed_mm_s is None else speed_mm_s
        self.carriers, self.carrier_eye = machine.carriers, machine.carrier_eye
        self.controller, self.count_mm = machine.controller, machine.encoder.count_mm
        self.inserts, self.eye, self.settings = feeder.inserts, feeder.eye, feeder.settings
        self.scale = 1.0 + machine.encoder.scale_error
        self.counted_mm_s = v = self.speed_mm_s / self.scale
        s = feeder.settings
        self.feed_mm_s, self.belt_per_feed = s.speed_ratio * v, self.scale / s.speed_ratio
        self.engage_travel_mm = s.engage_distance_mm - s.engage_lead_s * v
        self.opening_travel_mm = s.disengage_distance_mm - s.disengage_lead_s * v
        self.known: Known = {}
        self.known_of_line: Known = {}
        self.known_at_any_speed: Known = {}

    def with_settings(self, **changed: float) -> FeederAtSpeed:
        """Return the feeder at this speed with other distances and leads."""
        settings = replace(self.settings, **changed)  # type: ignore[arg-type]
        feeder = replace(self.feeder, settings=settings)
        return self._but(FeederAtSpeed(self.machine, feeder, self.speed_mm_s))

    def asked_at(self, speed_mm_s: float) -> FeederAtSpeed:
        """Return the feeder with its settings as they are, asked at another line speed (mm/s)."""
        return self._but(FeederAtSpeed(self.machine, self.feeder, speed_mm_s))

    def on_line_at(self, speed_mm_s: float) -> FeederAtSpeed:
        """Return the feeder on a line of another speed (mm/s), without a profile."""
        line = replace(self.machine.line, speed_mm_s=speed_mm_s, profile=())
        there = FeederAtSpeed(replace(self.machine, line=line), self.feeder)
        there.known_at_any_speed = self.known_at_any_speed
        return there

    def with_limits(self, *, nose_limit_mm: float, grip_end_mm: float) -> FeederAtSpeed:
        """Return the feeder at this speed with other limits; what knows no limits is kept.

        A term that knows them is told what is allowed as well.
        """
        feeder = replace(self.feeder, nose_limit_mm=nose_limit_mm, grip_end_mm=grip_end_mm)
        there = self._but(FeederAtSpeed(self.machine, feeder, self.speed_mm_s))
        there.known = {
            key: found
            for key, found in self.known.items()
            if not any(isinstance(told, Criteria) for told in key[1])
        }
        return there

    def _but(self, other: FeederAtSpeed) -> FeederAtSpeed:
        other.known_of_line, other.known_at_any_speed = self.known_of_line, self.known_at_any_speed
        return other


def term(form: Form[P, T]) -> Form[P, T]:
    """Let a closed form be worked out once for each feeder at its speed."""

    @wraps(form)
    def kept(at: FeederAtSpeed, *args: P.args, **kwargs: P.kwargs) -> T:
        key = (form, args, *kwargs.items()) if kwargs else (form, args)
        known = at.known
        if key not in known:
            known[key] = form(at, *args, **kwargs)
        found: T = known[key]
        return found

    return cast("Form[P, T]", kept)


def line_term(form: Callable[[FeederAtSpeed], T]) -> Callable[[FeederAtSpeed], T]:
    """Let a form be worked out once for each speed of the line, whatever distances and leads."""
    return _kept(form, lambda at: at.known_of_line)


def lasting_term(form: Callable[[FeederAtSpeed], T]) -> Callable[[FeederAtSpeed], T]:
    """Let a form be worked out once for all speeds, distances and leads."""
    return _kept(form, lambda at: at.known_at_any_speed)


def _kept(
    form: Callable[[FeederAtSpeed], T], known_of: Callable[[FeederAtSpeed], Known]
) -> Callable[[FeederAtSpeed], T]:
    @wraps(form)
    def kept(at: FeederAtSpeed) -> T:
        known = known_of(at)
        if form not in known:
            known[form] = form(at)
        found: T = known[form]
        return found

    return kept
