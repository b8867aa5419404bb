"""One feeder at one line speed: the argument of every closed form, and the cache of their values.

Nearly all forms need each other and a few common quantities, defined here: E and U, the counted
speed, belt travel per feed travel. A form that others use is a :func:`term`: computed on first
use, and cached with the feeder at its speed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cached_property, wraps
from inspect import signature
from operator import attrgetter
from typing import Any, Concatenate, ParamSpec, TypeVar, cast

from feedsim.criteria import Criteria
from feedsim.machine import Feeder, Machine, Settings
from feedsim.machine.settings import travel_to_act

P = ParamSpec("P")
T = TypeVar("T")
Form = Callable[Concatenate["FeederAtSpeed", P], T]
Known = dict[Any, Any]
_NOT_YET: Any = object()


class FeederAtSpeed:
    """A feeder of a machine at a line speed.

    Parameters
    ----------
    speed_mm_s : float, optional
        Line speed v (mm/s); by default that of the machine.

    Attributes
    ----------
    line_mm_s : float
        The machine's own line speed, for which settings are solved.
    carriers, carrier_eye, controller, seen_share, count_mm
        Of the machine; count_mm: the encoder's q.
    inserts, eye, settings
        Of the feeder; eye: its insert eye.
    scale_error, scale : float
        The encoder's ε, and 1 + ε, true belt travel per counted travel.
    counted_mm_s : float
        v_c = v/(1 + ε), the speed as the controller counts it.
    feed_mm_s : float
        g·v_c, the feed's speed with the clutch closed, g the speed ratio (feedsim/MODEL.md, 6).
    belt_per_feed : float
        (1 + ε)/g, the belt travel per mm of feed with the clutch closed (the same).
    engage_travel_mm : float
        E = engage_distance − engage_lead·v_c, counted, not rounded (feedsim/MODEL.md, 5).
    opening_travel_mm : float
        U = disengage_distance − disengage_lead·v_c, likewise (feedsim/MODEL.md, 8).
    """

    speed_mm_s: float
    counted_mm_s: float
    settings: Settings
    feed_mm_s: float
    belt_per_feed: float
    engage_travel_mm: float
    opening_travel_mm: float

    def __init__(self, machine: Machine, feeder: Feeder, speed_mm_s: float | None = None) -> None:
        self._given = self.machine = machine
        self.line_mm_s = machine.line.speed_mm_s
        self.feeder, self.inserts, self.eye = feeder, feeder.inserts, feeder.eye
        self.carriers, self.carrier_eye = machine.carriers, machine.carrier_eye
        self.controller, self.count_mm = machine.controller, machine.encoder.count_mm
        self.scale_error = machine.encoder.scale_error
        self.scale = machine.encoder.scale
        self.seen_share = machine.seen_share
        self.known: Known = {}
        self.known_of_line: Known = {}
        self.known_at_any_speed: Known = {}
        _work_out(self, self.line_mm_s if speed_mm_s is None else speed_mm_s)

    @cached_property
    def machine(self) -> Machine:
        """The machine with its line at ``line_mm_s``; built on first use."""
        line = replace(self._given.line, speed_mm_s=self.line_mm_s, profile=())
        return replace(self._given, line=line)

    def with_settings(self, **changed: float) -> FeederAtSpeed:
        """Return the feeder at this speed with other distances and leads."""
        there = self._copy()
        settings = replace(self.settings, **changed)  # type: ignore[arg-type]
        there.feeder = replace(self.feeder, settings=settings)
        _work_out(there, self.speed_mm_s)
        return there

    def asked_at(self, speed_mm_s: float) -> FeederAtSpeed:
        """Return the feeder with the same settings at another line speed (mm/s)."""
        there = self._copy()
        _work_out(there, speed_mm_s)
        return there

    def on_line_at(self, speed_mm_s: float) -> FeederAtSpeed:
        """Return the feeder on a line of another speed (mm/s), without a profile."""
        there = self._copy()
        there.line_mm_s, there.known_of_line = speed_mm_s, {}
        there.__dict__.pop("machine", None)
        _work_out(there, speed_mm_s)
        return there

    def with_limits(self, *, nose_limit_mm: float, grip_end_mm: float) -> FeederAtSpeed:
        """Return the feeder with other limits; keeps terms that take no criteria as an argument."""
        there = self._copy()
        there.feeder = replace(self.feeder, nose_limit_mm=nose_limit_mm, grip_end_mm=grip_end_mm)
        there.known = {
            key: found
            for key, found in self.known.items()
            if not isinstance(key, tuple) or not any(isinstance(x, Criteria) for x in key[1])
        }
        return there

    def _copy(self) -> FeederAtSpeed:
        """Return a copy that shares the terms of the line and those of any speed."""
        there = object.__new__(FeederAtSpeed)
        there.__dict__.update(self.__dict__)
        there.known = {}
        return there


def _work_out(at: FeederAtSpeed, speed_mm_s: float) -> None:
    at.speed_mm_s = speed_mm_s
    at.counted_mm_s = v = speed_mm_s / at.scale
    at.settings = s = at.feeder.settings
    at.feed_mm_s, at.belt_per_feed = s.speed_ratio * v, at.scale / s.speed_ratio
    at.engage_travel_mm = travel_to_act(s.engage_distance_mm, s.engage_lead_s, v)
    at.opening_travel_mm = travel_to_act(s.disengage_distance_mm, s.disengage_lead_s, v)


def term(form: Form[P, T]) -> Form[P, T]:
    """Compute a closed form once for each feeder at its speed."""
    if len(signature(form).parameters) == 1:  # most: a limit takes some ten thousand calls
        return cast("Form[P, T]", _kept(cast("Callable[[FeederAtSpeed], T]", form), "known"))

    @wraps(form)
    def kept(at: FeederAtSpeed, *args: P.args, **kwargs: P.kwargs) -> T:
        key: object = form
        if args or kwargs:
            key = (form, args, *kwargs.items()) if kwargs else (form, args)
        found: T = at.known.get(key, _NOT_YET)
        if found is _NOT_YET:
            found = at.known[key] = form(at, *args, **kwargs)
        return found

    return cast("Form[P, T]", kept)


def line_term(form: Callable[[FeederAtSpeed], T]) -> Callable[[FeederAtSpeed], T]:
    """Compute a form once for each speed of the line, for any distances and leads."""
    return _kept(form, "known_of_line")


def lasting_term(form: Callable[[FeederAtSpeed], T]) -> Callable[[FeederAtSpeed], T]:
    """Compute a form once for all speeds, distances and leads."""
    return _kept(form, "known_at_any_speed")


def _kept(form: Callable[[FeederAtSpeed], T], where: str) -> Callable[[FeederAtSpeed], T]:
    known_of: Callable[[FeederAtSpeed], Known] = attrgetter(where)

    @wraps(form)
    def kept(at: FeederAtSpeed) -> T:
        known = known_of(at)
        found: T = known.get(form, _NOT_YET)
        if found is _NOT_YET:
            found = known[form] = form(at)
        return found

    return kept
