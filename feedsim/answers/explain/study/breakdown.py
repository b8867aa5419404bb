"""Collects the parts of one side: delays at one speed, travels, the effect of a changing speed."""

from __future__ import annotations

from collections.abc import Callable

from feedsim.answers.explain.study.record import PARTS, ErrorPart
from feedsim.answers.explain.study.source import FeederSource
from feedsim.answers.explain.study.stage import Sighting
from feedsim.machine import Eye, SideName
from feedsim.settings.right import disengage_distance, disengage_lead, engage_distance, engage_lead

_WHERE = {key: (group, name) for group, parts in PARTS.items() for key, name in parts.items()}


class Breakdown:
    """The parts of one side.

    A delay d costs the belt travel meanwhile. Its part is d·v, ``speed`` v (mm/s) the one at which
    the settings of this side acted; if the belt ran at another speed during the delay, travel less
    d·v goes to a separate account, `changed_mm`. What comes late on the disengage side places
    early. ``at``: belt travel (mm) at a time (s); that of the run if left out.
    """

    def __init__(
        self,
        feeder: FeederSource,
        side: SideName,
        *,
        speed: float,
        at: Callable[[float], float] | None = None,
    ) -> None:
        self.feeder, self.run, self.side, self.speed = feeder, feeder.run, side, speed
        self._at = at or feeder.run.belt.position
        here, engages = feeder.at_line_speed, side == "engage"
        self._sign = 1.0 if engages else -1.0
        self.lead = engage_lead(here) if engages else disengage_lead(here)
        self._distance = engage_distance(here) if engages else disengage_distance(here)
        self.changed_mm = 0.0
        self.parts: list[ErrorPart] = []

    def delay(self, key: str, delay_s: float, *, moved_mm: float, allowed_s: float) -> None:
        """Add a delay: its length, how far the belt moved, and the allowance for it (s)."""
        cost = self._sign * delay_s * self.speed
        self.changed_mm += self._sign * moved_mm - cost
        allowed = self._sign * allowed_s * self.speed
        error = self._sign * (delay_s - allowed_s) * self.speed
        self.parts.append(ErrorPart(key, *_WHERE[key], delay_s, cost, allowed, error))

    def between(
        self,
        key: str,
        from_s: float,
        to_s: float,
        *,
        allowed_s: float = 0.0,
        delay_s: float | None = None,
    ) -> None:
        """Add the delay from one instant to another, or of `delay_s` while the belt moved."""
        moved_mm = self._at(to_s) - self._at(from_s)
        delay_s = to_s - from_s if delay_s is None else delay_s
        self.delay(key, delay_s, moved_mm=moved_mm, allowed_s=allowed_s)

    def travel(self, key: str, cost_mm: float, *, allowed_mm: float = 0.0) -> None:
        """Add a belt travel (mm), whatever time it took."""
        cost, allowed = self._sign * cost_mm, self._sign * allowed_mm
        self.parts.append(ErrorPart(key, *_WHERE[key], None, cost, allowed, cost - allowed))

    def tick(self, key: str, *, due_s: float, due_mm: float, acts_s: float) -> None:
        """Add the wait for a motion tick, from where something was due (s, belt travel)."""
        cycle_s = self.run.machine.controller.motion_cycle_s
        waits_s, moved_mm = min(max(acts_s - due_s, 0.0), cycle_s), self._at(acts_s) - due_mm
        self.delay(key, waits_s, moved_mm=moved_mm, allowed_s=self.lead.tick_s)

    def ramp(self, key: str, delay_s: float, *, moved_mm: float) -> None:
        """Add a ramp, as travel or time, whichever defines the clutch's."""
        if self.feeder.machine.clutch.travel_ramp:
            self.travel(key, moved_mm, allowed_mm=-self._distance.ramp_mm * self.run.scale)
        else:
            self.delay(key, delay_s, moved_mm=moved_mm, allowed_s=self.lead.ramp_s)

    def lag(self, key: str, lag_mm: float, *, at_s: float) -> None:
        """Add the servo's lag (feed travel) at a time (s); its allowance follows the speed then."""
        lag_s = self.lead.lag_s
        with_speed_mm = lag_s * (self.run.belt.speed(at_s) - self.speed)
        self.changed_mm += self._sign * with_speed_mm
        cost_mm = self.feeder.per_feed * lag_mm - with_speed_mm
        self.travel(key, cost_mm, allowed_mm=lag_s * self.speed)

    def settings(self, *, acts_s: float) -> None:
        """Add what distance, lead and the controller's filtered speed are off."""
        feeder, scale, side = self.feeder, self.run.scale, self.side
        have, right, terms = (
            of.side(side) for of in (feeder.machine.settings, feeder.right, feeder.terms)
        )
        self.travel(f"{side}_unsettled", scale * (right.distance_mm - terms.distance_mm))
        self.travel(f"{side}_distance", scale * (have.distance_mm - right.distance_mm))
        self.travel(f"{side}_lead", -(have.lead_s - terms.lead_s) * self.speed)
        seen = scale * self.run.master.speed.at(acts_s)
        self.travel(f"{side}_filter", have.lead_s * (self.speed - seen))

    def changing_speed(self, key: str) -> None:
        """Add the effect of the changing speed on all delays so far."""
        changed, self.changed_mm = self.changed_mm, 0.0
        self.parts.append(ErrorPart(key, *_WHERE[key], None, changed, 0.0, changed))

    def eye(
        self, key: str, eye: Eye, seen: Sighting, *, edge_mm: float, held_apart: bool = False
    ) -> None:
        """Account for an eye, from the edge of a carrier or insert to the capture.

        ``edge_mm``: how late the edge was seen, belt travel. ``held_apart``: whether an output held
        back by its last switching gets its own part.
        """
        lead, answers_s = self.lead, seen.passes_s + seen.response_s
        switched_s = max(seen.output_s, answers_s)
        self.travel(f"{key}_edge", edge_mm)
        self.between(
            f"{key}_response",
            seen.passes_s,
            answers_s if held_apart else switched_s,
            delay_s=seen.response_s,
            allowed_s=lead.response_s,
        )
        if held_apart:
            self.between(f"{key}_held", answers_s, switched_s)
        if eye.polled or eye.filter_s:
            self.between(f"{key}_on_already", answers_s, min(seen.output_s, answers_s))
            self.between(f"{key}_filter", seen.output_s, seen.switches_s, allowed_s=lead.filter_s)
        self.between(f"{key}_scan", seen.switches_s, seen.captured_s, allowed_s=lead.scan_s)

    def count(self, key: str, seen: Sighting) -> None:
        """Account for reading a captured travel in whole counts."""
        half_count = 0.5 * self.run.machine.encoder.count_mm
        cost_mm = seen.reading_mm - self._at(seen.captured_s)
        self.travel(key, cost_mm, allowed_mm=-half_count * self.run.scale)
