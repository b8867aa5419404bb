"""What happened around one carrier, event by event, in words."""

from __future__ import annotations

import math
from collections.abc import Iterator

from feedsim.answers.explain.study.mark import Closing, point_at
from feedsim.answers.explain.study.parts import Approach
from feedsim.answers.explain.study.record import StoryEvent
from feedsim.answers.explain.study.source import FeederSource
from feedsim.answers.explain.study.stage import Opening, Sighting, Staging, correction_at
from feedsim.answers.explain.study.words import Say
from feedsim.machine import SAME_TRAVEL_MM, Eye
from feedsim.quantities import noun_for
from feedsim.records.trace import TraceEvent

_MOST_STRAYS = 3
_NAMES = {"line": "the line", "fault": "planned fault", "operator": "the operator"}


class Events:
    """What happened at one feeder, a method for each act."""

    def __init__(self, feeder: FeederSource, say: Say) -> None:
        self.feeder, self.run, self.machine, self.say = feeder, feeder.run, feeder.machine, say

    def at(
        self, t: float, words: str, *, since_s: float | None = None, cost_mm: float | None = None
    ) -> StoryEvent:
        """Return an event at a time (s).

        ``since_s``: when the delay that it ends began; the delay costs the belt travel meanwhile.
        """
        belt_mm = self.run.belt.position(t)
        if since_s is None:
            return StoryEvent(t, belt_mm, words, None, cost_mm)
        return StoryEvent(t, belt_mm, words, t - since_s, belt_mm - self.run.belt.position(since_s))

    def staging(self, staging: Staging) -> Iterator[StoryEvent]:
        """Yield how the insert was staged."""
        say, clutch, opening = self.say, self.machine.clutch, staging.opening
        where = f"its nose at {say.mm(staging.position_mm)}"
        where += f" (stage position {say.mm(self.machine.settings.stage_position_mm)})"
        if staging.sighting is None:
            yield self.at(0.0, f"insert {staging.insert} is staged as the run begins, {where}")
            return
        yield from self._sighting(staging, staging.sighting)
        if opening is not None:
            yield from self._opening(staging.sighting, opening)
        rest_s = staging.ready_s - clutch.settle_s
        how = "comes to rest" if opening is not None else "is jogged to the stage"
        words = f"insert {staging.insert} {how}, {where}"
        if opening is not None and clutch.ramp_out:
            acts_s = opening.opens_s + self.machine.servo.command_delay_s
            ran_mm = self.feeder.per_feed * (staging.rest_mm - self.feeder.feed.command(acts_s))
            belt_mm = self.run.belt.position(rest_s)
            yield StoryEvent(rest_s, belt_mm, words, rest_s - acts_s, ran_mm)
        else:
            yield self.at(rest_s, words)
        if clutch.settle_s:
            yield self.at(staging.ready_s, "the feeder has settled and is ready")

    def _sighting(self, staging: Staging, seen: Sighting) -> Iterator[StoryEvent]:
        passes_s = seen.passes_s
        edge_mm = self.feeder.feed.position(passes_s) - staging.nose_mm
        words = f"insert {staging.insert} comes to its eye, seen {self.say.late(edge_mm)}"
        if staging.carrier is not None:
            words += f", in the feed cycle of carrier {staging.carrier}"
        yield self.at(passes_s, words, cost_mm=self.feeder.per_feed * edge_mm)
        words = "the insert eye has switched" + _stored(self.machine.eye)
        yield self.at(seen.output_s, words, since_s=passes_s)
        yield from self._known(seen, "edge", self.machine.eye)

    def _known(self, seen: Sighting, what: str, eye: Eye) -> Iterator[StoryEvent]:
        """Yield when the program learned of an edge; a wait before storing costs travel."""
        if eye.filter_s:
            words = "the input filter lets it through" + ("" if eye.scanned else "; travel stored")
            yield self.at(seen.switches_s, words, since_s=seen.output_s)
        if eye.scanned:
            sees = "the input is found on, " if eye.polled else ""
            words = f"scan tick: {sees}the {what} is known, the travel stored"
            yield self.at(seen.known_s, words, since_s=seen.switches_s)
        elif seen.known_s > seen.switches_s:
            words, belt_mm = f"scan tick: the {what} is known", self.run.belt.position(seen.known_s)
            yield StoryEvent(seen.known_s, belt_mm, words, seen.known_s - seen.switches_s)

    def _opening(self, sighting: Sighting, opening: Opening) -> Iterator[StoryEvent]:
        late_mm = opening.known_mm - opening.point_mm
        where = self.say.from_stored(opening.rounded_mm)
        if late_mm > SAME_TRAVEL_MM:
            words = f"its disengage point, {where}, has already passed, by {self.say.mm(late_mm)}"
            yield self.at(sighting.known_s, words, cost_mm=late_mm)
        else:
            yield self.at(opening.due_s, f"disengage point: {where}")
        yield self.at(opening.opens_s, "motion tick: the clutch opens", since_s=opening.due_s)

    def mark(self, carrier: int, mark: Sighting | None) -> Iterator[StoryEvent]:
        """Yield how the carrier came to its eye and the program learned of it."""
        run, eye = self.run, self.run.machine.carrier_eye
        at_eye_s = float(run.records.carriers.eye_time_s[carrier])
        yield self.at(at_eye_s, f"carrier {carrier} comes to the carrier eye")
        if mark is None:
            return
        edge_mm = run.belt.position(mark.passes_s) - run.carriers[carrier].leading_edge_mm
        if abs(edge_mm) > SAME_TRAVEL_MM:
            words = f"its edge is seen {self.say.late(edge_mm)}"
            yield self.at(mark.passes_s, words, cost_mm=edge_mm)
        words = "the carrier eye has switched" + _stored(eye)
        if mark.output_s > mark.passes_s + mark.response_s + 1e-12:
            words += ", held back by its last switching"
        yield self.at(mark.output_s, words, since_s=mark.passes_s)
        yield from self._known(mark, "mark", eye)

    def closing(self, mark: Sighting, closing: Closing) -> Iterator[StoryEvent]:
        """Yield how the clutch came to close for the mark."""
        time_at, where = self.run.belt.time_at, self.say.from_stored(closing.rounded_mm)
        late_mm = closing.known_mm - closing.point_mm
        if late_mm > SAME_TRAVEL_MM:
            words = f"its engage point, {where}, has already passed, by {self.say.mm(late_mm)}"
            yield self.at(mark.known_s, words, cost_mm=late_mm)
        else:
            yield self.at(time_at(closing.point_mm), f"engage point: {where}")
        queued_mm, head_mm = closing.head_mm - closing.known_mm, closing.head_mm
        if queued_mm > SAME_TRAVEL_MM:
            words = "the mark before it has left the memory"
            yield StoryEvent(time_at(head_mm), head_mm, words, None, queued_mm)
        if closing.waited:
            words = "motion tick: the feeder is not ready, the mark waits for it"
            yield self.at(closing.first_s, words)
            words, ready_mm = "the feeder is ready", closing.ready_mm
            yield StoryEvent(closing.due_s, ready_mm, words, None, ready_mm - head_mm)
        yield self.at(closing.closes_s, "motion tick: the clutch closes", since_s=closing.due_s)

    def due(self, mark: Sighting | None, *, until_s: float) -> Iterator[StoryEvent]:
        """Yield when the engage point of a mark missed at a time (s) came, if it did."""
        if mark is None:
            return
        correction, belt = correction_at(self.feeder, until_s), self.run.belt
        point_mm = point_at(self.feeder, mark, t=until_s, correction_mm=correction)
        if 0.0 < point_mm <= belt.position(until_s) + SAME_TRAVEL_MM:
            words = f"engage point: {self.say.from_stored(point_mm - mark.reading_mm)}"
            yield self.at(min(belt.time_at(point_mm), until_s), words)

    def landing(self, carrier: int, closing: Closing, approach: Approach) -> Iterator[StoryEvent]:
        """Yield how the insert ran up to its carrier and landed."""
        rows, lands_s = self.feeder.rows, approach.lands_s
        if approach.begins_s > closing.closes_s:
            yield self.at(approach.begins_s, "the drive acts on it", since_s=closing.closes_s)
        if self.machine.clutch.ramp_in:
            ends_s = approach.ramp_ends_s
            over = "the ramp-in is over" if ends_s < lands_s else "the ramp-in goes on"
            belt_mm, delay_s = self.run.belt.position(ends_s), ends_s - approach.begins_s
            yield StoryEvent(ends_s, belt_mm, over, delay_s, approach.ramp_loss_mm)
        if approach.opens_s < lands_s:
            words = "the clutch has opened before the insert has landed"
            yield self.at(approach.opens_s, words, cost_mm=approach.open_loss_mm)
        error_mm = float(rows.placement_error_mm[carrier])
        words = f"insert {int(rows.insert[carrier])} lands, {self.say.late(error_mm)}"
        lag_mm = self.feeder.per_feed * approach.lag_mm
        if abs(lag_mm) > SAME_TRAVEL_MM:
            words += "; servo lag"
        yield self.at(lands_s, words, cost_mm=lag_mm or None)

    def cycle(self, carrier: int) -> Iterator[StoryEvent]:
        """Yield the rest of a feed cycle: strays, the next insert, the opening, readiness."""
        run, feeder, eye = self.run, self.feeder, self.feeder.part("insert_eye")
        strays = run.events(carrier, eye, "stray")
        for stray in strays[:_MOST_STRAYS]:
            words = f"insert {stray.insert} passes its eye, not taken: a stray"
            yield self.at(stray.time_s, words)
        if (more := len(strays) - _MOST_STRAYS) > 0:
            words = f"{more} more {noun_for(more, 'stray')} up to insert {strays[-1].insert}"
            yield self.at(strays[-1].time_s, words)
        for seen in run.events(carrier, eye, "switches"):
            words = f"the next insert, {seen.insert}, has switched the insert eye"
            yield self.at(seen.time_s, words)
        opens_s = float(feeder.rows.opening_time_s[carrier])
        if not math.isnan(opens_s):
            tail = self.say.mm(float(feeder.rows.tail_mm[carrier]))
            insert = int(feeder.rows.insert[carrier])
            ended = run.time_of(carrier, feeder.part("clutch"), "search_ends") is not None
            why = "no insert was found, " if ended else ""
            words = f"motion tick: {why}the clutch opens, the tail of insert {insert} at {tail}"
            yield self.at(opens_s, words)
        ready_s = float(feeder.rows.ready_time_s[carrier])
        if not math.isnan(ready_s):
            yield self.at(ready_s, "the feeder is ready again")

    def traced(self, carrier: int) -> list[StoryEvent]:
        """Return what the trace holds of a carrier here, and of the line meanwhile, verbatim."""
        run, prefix = self.run, self.feeder.part("")
        parts = (part for part in run.parts if part == "carrier_eye" or part.startswith(prefix))
        events = [(e, prefix) for part in parts for e in run.events_of(carrier, part)]
        times = [event.time_s for event, _ in events] or [math.nan]
        events += [(e, "") for e in run.disturbances if min(times) <= e.time_s <= max(times)]
        return [StoryEvent(e.time_s, e.belt_mm, named(e, without)) for e, without in events]


def named(event: TraceEvent, prefix: str = "") -> str:
    """Name a trace event and its part, the part without a prefix."""
    part = event.part.removeprefix(prefix)
    name = _NAMES.get(part, part.replace("_", " ").replace(".", " "))
    return f"{name}: {event.event.replace('_', ' ').replace('.', ' ')}"


def _stored(eye: Eye) -> str:
    return "" if eye.scanned or eye.filter_s else "; travel stored"
