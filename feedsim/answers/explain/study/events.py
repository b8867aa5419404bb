"""What happened around one carrier, event by event, in words."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

from feedsim.answers.explain.study.mark import Closing, point_at
from feedsim.answers.explain.study.parts import Landing
from feedsim.answers.explain.study.record import StoryEvent
from feedsim.answers.explain.study.source import FeederSource, StorySource
from feedsim.answers.explain.study.stage import Opening, Sighting, Staging, correction_at
from feedsim.answers.explain.study.words import Say
from feedsim.machine import Eye
from feedsim.motion.ticks import SAME_TRAVEL_MM

__all__ = [
    "closing_events",
    "cycle_events",
    "due_events",
    "landing_events",
    "mark_events",
    "staging_events",
]

_MOST_STRAYS = 3


class _Teller:
    """Makes events of a story of instants."""

    def __init__(self, run: StorySource) -> None:
        self._belt = run.belt

    def at(self, t: float, words: str) -> StoryEvent:
        """Return something that happened."""
        return StoryEvent(t, self._belt.position(t), words)

    def after(self, t: float, words: str, *, since_s: float) -> StoryEvent:
        """Return something that happened a delay later; it costs the belt travel meanwhile."""
        belt_mm = self._belt.position(t)
        return StoryEvent(t, belt_mm, words, t - since_s, belt_mm - self._belt.position(since_s))


def staging_events(feeder: FeederSource, staging: Staging, say: Say) -> Iterator[StoryEvent]:
    """Tell how the insert was staged."""
    tell, machine = _Teller(feeder.run), feeder.machine
    where = f"its nose at {say.mm(staging.position_mm)}"
    where += f" (stage position {say.mm(machine.settings.stage_position_mm)})"
    sighting, opening = staging.sighting, staging.opening
    if sighting is None:
        yield tell.at(0.0, f"insert {staging.insert} is staged as the run begins, {where}")
        return
    yield from _sighting_events(feeder, staging, sighting, say)
    if opening is not None:
        yield from _opening_events(feeder, sighting, opening, say)
    rest_s = staging.ready_s - machine.clutch.settle_s
    how = "comes to rest" if opening is not None else "is jogged to the stage"
    words = f"insert {staging.insert} {how}, {where}"
    if opening is not None and machine.clutch.ramp_out:
        acts_s = opening.opens_s + machine.servo.command_delay_s
        ran_mm = feeder.per_feed * (staging.rest_mm - feeder.feed.command(acts_s))
        yield replace(tell.at(rest_s, words), delay_s=rest_s - acts_s, cost_mm=ran_mm)
    else:
        yield tell.at(rest_s, words)
    if machine.clutch.settle_s:
        yield tell.at(staging.ready_s, "the feeder has settled and is ready")


def _sighting_events(
    feeder: FeederSource, staging: Staging, sighting: Sighting, say: Say
) -> Iterator[StoryEvent]:
    tell, eye = _Teller(feeder.run), feeder.machine.eye
    edge_mm = feeder.feed.position(sighting.passes_s) - staging.nose_mm
    whose = "" if staging.carrier is None else f", in the feed cycle of carrier {staging.carrier}"
    yield StoryEvent(
        sighting.passes_s,
        feeder.run.belt.position(sighting.passes_s),
        f"insert {staging.insert} comes to its eye, seen {say.late(edge_mm)}{whose}",
        None,
        feeder.per_feed * edge_mm,
    )
    words = "the insert eye has switched" + _stored(eye)
    yield tell.after(sighting.output_s, words, since_s=sighting.passes_s)
    yield from _known(tell, sighting, "edge", eye)


def _stored(eye: Eye) -> str:
    return "" if eye.scanned or eye.filter_s else "; travel stored"


def _known(tell: _Teller, seen: Sighting, seen_as: str, eye: Eye) -> Iterator[StoryEvent]:
    """Tell when the program learned of an edge; it costs travel where that is stored then."""
    if eye.filter_s:
        words = "the input filter lets it through" + ("" if eye.scanned else "; travel stored")
        yield tell.after(seen.switches_s, words, since_s=seen.output_s)
    if eye.scanned:
        sees = "the input is found on, " if eye.polled else ""
        words = f"scan tick: {sees}the {seen_as} is known, the travel stored"
        yield tell.after(seen.known_s, words, since_s=seen.switches_s)
    elif seen.known_s > seen.switches_s:
        known = tell.at(seen.known_s, f"scan tick: the {seen_as} is known")
        yield replace(known, delay_s=seen.known_s - seen.switches_s)


def _opening_events(
    feeder: FeederSource, sighting: Sighting, opening: Opening, say: Say
) -> Iterator[StoryEvent]:
    tell = _Teller(feeder.run)
    late_mm = opening.known_mm - opening.point_mm
    where = say.from_stored(opening.rounded_mm)
    if late_mm > SAME_TRAVEL_MM:
        words = f"its disengage point, {where}, has passed already, by {say.mm(late_mm)}"
        yield StoryEvent(sighting.known_s, opening.known_mm, words, None, late_mm)
    else:
        yield tell.at(opening.due_s, f"disengage point: {where}")
    yield tell.after(opening.opens_s, "motion tick: the clutch opens", since_s=opening.due_s)


def mark_events(
    run: StorySource, carrier: int, mark: Sighting | None, say: Say
) -> Iterator[StoryEvent]:
    """Tell how the carrier came to its eye, and how the program learned of it."""
    tell, card = _Teller(run), run.carriers[carrier]
    at_eye_s = float(run.records.carriers.eye_time_s[carrier])
    yield tell.at(at_eye_s, f"carrier {carrier} comes to the carrier eye")
    if mark is None:
        return
    edge_mm = run.belt.position(mark.passes_s) - card.leading_edge_mm
    if abs(edge_mm) > SAME_TRAVEL_MM:
        belt_mm = run.belt.position(mark.passes_s)
        words = f"its edge is seen {say.late(edge_mm)}"
        yield StoryEvent(mark.passes_s, belt_mm, words, None, edge_mm)
    answers_s = mark.passes_s + mark.response_s
    held = mark.output_s > answers_s + 1e-12
    words = "the carrier eye has switched" + _stored(run.machine.carrier_eye)
    if held:
        words += ", held back by its last switching"
    yield tell.after(mark.output_s, words, since_s=mark.passes_s)
    yield from _known(tell, mark, "mark", run.machine.carrier_eye)


def closing_events(
    feeder: FeederSource, mark: Sighting, closing: Closing, say: Say
) -> Iterator[StoryEvent]:
    """Tell how the clutch came to close for the mark."""
    tell, point_s = _Teller(feeder.run), feeder.run.belt.time_at(closing.point_mm)
    where = say.from_stored(closing.rounded_mm)
    late_mm = closing.known_mm - closing.point_mm
    if late_mm > SAME_TRAVEL_MM:
        words = f"its engage point, {where}, has passed already, by {say.mm(late_mm)}"
        yield StoryEvent(mark.known_s, closing.known_mm, words, None, late_mm)
    else:
        yield tell.at(point_s, f"engage point: {where}")
    queued_mm = closing.head_mm - closing.known_mm
    if queued_mm > SAME_TRAVEL_MM:
        head_s = feeder.run.belt.time_at(closing.head_mm)
        words = "the mark before it has left the memory"
        yield StoryEvent(head_s, closing.head_mm, words, None, queued_mm)
    if closing.waited:
        words = "motion tick: the feeder is not ready, the mark waits for it"
        yield tell.at(closing.first_s, words)
        wait_mm = closing.ready_mm - closing.head_mm
        words = "the feeder is ready"
        yield StoryEvent(closing.due_s, closing.ready_mm, words, None, wait_mm)
    yield tell.after(closing.closes_s, "motion tick: the clutch closes", since_s=closing.due_s)


def due_events(
    feeder: FeederSource, mark: Sighting | None, say: Say, *, until_s: float
) -> Iterator[StoryEvent]:
    """Tell when the engage point of a mark came that was missed at a time (s), if it came."""
    if mark is None:
        return
    correction = correction_at(feeder, until_s)
    point_mm = point_at(feeder, mark, t=until_s, correction_mm=correction)
    if 0.0 < point_mm <= feeder.run.belt.position(until_s) + SAME_TRAVEL_MM:
        words = f"engage point: {say.from_stored(point_mm - mark.reading_mm)}"
        yield _Teller(feeder.run).at(min(feeder.run.belt.time_at(point_mm), until_s), words)


def landing_events(
    feeder: FeederSource, carrier: int, *, closing: Closing, landing: Landing, say: Say
) -> Iterator[StoryEvent]:
    """Tell how the insert ran up to its carrier and landed."""
    run, clutch = feeder.run, feeder.machine.clutch
    tell, at = _Teller(run), run.belt.position
    if landing.begins_s > closing.closes_s:
        yield tell.after(landing.begins_s, "the drive acts on it", since_s=closing.closes_s)
    if clutch.ramp_in:
        ends_s = landing.ramp_ends_s
        over = "the ramp-in is over" if ends_s < landing.lands_s else "the ramp-in goes on"
        delay_s = ends_s - landing.begins_s
        yield StoryEvent(ends_s, at(ends_s), over, delay_s, landing.ramp_loss_mm)
    if landing.opens_s < landing.lands_s:
        words = "the clutch has opened before the insert has landed"
        yield StoryEvent(landing.opens_s, at(landing.opens_s), words, None, landing.open_loss_mm)
    error_mm = float(feeder.rows.placement_error_mm[carrier])
    words = f"insert {int(feeder.rows.insert[carrier])} lands, {say.late(error_mm)}"
    lag_mm = feeder.per_feed * landing.lag_mm
    if abs(lag_mm) > SAME_TRAVEL_MM:
        words += "; servo lag"
    yield StoryEvent(landing.lands_s, at(landing.lands_s), words, None, lag_mm or None)


def cycle_events(feeder: FeederSource, carrier: int, say: Say) -> Iterator[StoryEvent]:
    """Tell what a feed cycle did besides: strays, the next insert, the opening, readiness."""
    run, tell, eye = feeder.run, _Teller(feeder.run), feeder.part("insert_eye")
    strays = run.events(carrier, eye, "stray")
    for stray in strays[:_MOST_STRAYS]:
        words = f"insert {stray.insert} goes past its eye, not taken: a stray"
        yield tell.at(stray.time_s, words)
    if len(strays) > _MOST_STRAYS:
        more = len(strays) - _MOST_STRAYS
        words = f"{more} more stray{'s' if more > 1 else ''} until insert {strays[-1].insert}"
        yield tell.at(strays[-1].time_s, words)
    for seen in run.events(carrier, eye, "switches"):
        yield tell.at(seen.time_s, f"the next insert, {seen.insert}, has switched the insert eye")
    opens_s = float(feeder.rows.opening_time_s[carrier])
    if not math.isnan(opens_s):
        tail = say.mm(float(feeder.rows.tail_mm[carrier]))
        insert = int(feeder.rows.insert[carrier])
        ended = run.time_of(carrier, feeder.part("clutch"), "search_ends") is not None
        why = "no insert was found, " if ended else ""
        words = f"motion tick: {why}the clutch opens, the tail of insert {insert} at {tail}"
        yield tell.at(opens_s, words)
    ready_s = float(feeder.rows.ready_time_s[carrier])
    if not math.isnan(ready_s):
        yield tell.at(ready_s, "the feeder is ready again")
