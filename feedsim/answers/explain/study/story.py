"""One carrier's story: what happened, what each delay cost, and why it ended as it did."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

from feedsim.answers.explain.study.events import Events, named
from feedsim.answers.explain.study.hazards import hazards_of
from feedsim.answers.explain.study.mark import closing_of, mark_of
from feedsim.answers.explain.study.missed import missed_because
from feedsim.answers.explain.study.parts import approach_of, parts_of
from feedsim.answers.explain.study.record import ErrorPart, HazardMargin, Story, StoryEvent
from feedsim.answers.explain.study.source import Disturbance, FeederSource, StorySource
from feedsim.answers.explain.study.stage import Sighting, staging_of
from feedsim.answers.explain.study.words import Say, stop_words
from feedsim.quantities import System, listed
from feedsim.records.outcome import Outcome
from feedsim.records.stop import Stop

_LARGEST = 3
_OF_THE_MARK = {Outcome.NOT_SEEN, Outcome.MERGED, Outcome.LATE_MARK, Outcome.MARK_MEMORY_FULL}
_WAITS = {"late_mark", "queued", "feeder_wait"}
_WORTH_MM = 5e-4


def story_of(
    source: StorySource, carrier: int, *, feeder: int = 0, units: System = "metric"
) -> Story:
    """Tell the story of one carrier at one feeder of a run; IndexError if it has no such one.

    ``carrier``: its number from 0, the warm-up included. ``units``: of lengths in words.
    """
    if not (0 <= carrier < len(source.carriers) and 0 <= feeder < len(source.feeders)):
        msg = f"no carrier {carrier} at feeder {feeder} in this run"
        raise IndexError(msg)
    return _Told(source.feeders[feeder], carrier, Say(units)).story()


class _Told:
    """A story being told."""

    def __init__(self, feeder: FeederSource, carrier: int, say: Say) -> None:
        self.feeder, self.carrier, self.say = feeder, carrier, say
        self.run, self.rows, self.tell = feeder.run, feeder.rows, Events(feeder, say)
        self.mark = mark_of(self.run, carrier)
        self.outcome = Outcome(int(self.rows.outcome[carrier]))
        self.engaged = bool(self.rows.insert[carrier] >= 0)

    def story(self) -> Story:
        story = Story(
            carrier=self.carrier,
            feeder=self.feeder.number,
            feeder_name=self.feeder.name,
            outcome=self.outcome.cause,
            reason=(),
            insert=int(self.rows.insert[self.carrier]) if self.engaged else None,
            leading_edge_mm=float(self.run.records.carriers.leading_edge_mm[self.carrier]),
            eye_time_s=float(self.run.records.carriers.eye_time_s[self.carrier]),
        )
        stretch = self._disturbance()
        if stretch is not None:
            return self._disturbed(story, stretch)
        story = replace(story, hazards=hazards_of(self.feeder, self.carrier, self.say))
        if self.engaged and self.mark is not None:
            return self._engaged(story, self.mark)
        return self._missed(story)

    def _disturbance(self) -> Disturbance | None:
        """Return what disturbed the line while it handled this carrier."""
        run, through_s = self.run, self._through_s()
        if through_s < run.disturbed_s:
            return None
        if self.outcome is Outcome.LINE_STOP:
            stop = self._stop()
            return run.disturbance_from(math.inf if stop is None else stop.time_s)
        found = run.disturbance(self._comes_s(), through_s)
        if found is not None or self.outcome in _OF_THE_MARK:
            return found
        staged_by, until_s = self.feeder.cycle_before(self.carrier), through_s
        if self.engaged:
            staging = staging_of(self.feeder, self.carrier)
            if staging.carrier is None:  # by a jog, which a stop does not disturb
                return None
            staged_by, until_s = staging.carrier, staging.ready_s
        closed_s = -math.inf
        if staged_by is not None:
            closed_s = float(self.rows.engage_time_s[staged_by])
        return run.disturbance(closed_s, until_s)

    def _stop(self) -> Stop | None:
        """Return the stop that lost the carrier; None where the run ended before it came."""
        number = self.feeder.number
        return next((s for s in self.run.records.stops if self.carrier in s.lost[number]), None)

    def _comes_s(self) -> float:
        """Return when its edge, seen or not, or that of the carrier before, reaches the eye (s)."""
        cards, belt = self.run.carriers, self.run.belt
        edges = [cards[self.carrier].leading_edge_mm, cards[self.carrier].seen_edge_mm]
        if self.outcome is Outcome.MERGED and self.carrier:
            edges.append(cards[self.carrier - 1].leading_edge_mm)
        return min(belt.time_at(edge) for edge in edges)

    def _through_s(self) -> float:
        """Return when the feeder had finished with it (s); ``inf``: never."""
        rows, carrier = self.rows, self.carrier
        ends = (float(times[carrier]) for times in (rows.placement_time_s, rows.ready_time_s))
        last = max([self.feeder.decided_at(carrier), *(t for t in ends if not math.isnan(t))])
        return last if last > -math.inf else math.inf

    def _disturbed(self, story: Story, stretch: Disturbance) -> Story:
        """Give the trace's events, and say why there is no account of the delays.

        Stops, recoveries, adjustments and planned faults change settings, the motion of belt and
        feeds, and what the eyes see: an account by the settings of the run would be wrong there.
        """
        say, first, all_of_it = self.say, stretch.event, self.run.gone_on(stretch)
        over_s, what = all_of_it[-1].to_s, "; ".join(named(each.event) for each in all_of_it)
        when = f"From {say.s(first.time_s)} to {say.s(over_s)}"
        whose = "whose insert was staged and landed before that or after it"
        if over_s == first.time_s:
            when = f"At {say.s(first.time_s)}"
        elif over_s == math.inf:
            when, whose = f"From {say.s(first.time_s)} on", "before that"
        error_mm = float(self.rows.placement_error_mm[self.carrier])
        ended = [] if math.isnan(error_mm) else [f"Placed {say.late(error_mm)}."]
        if self.outcome is Outcome.LINE_STOP:
            came = not math.isnan(story.eye_time_s)
            ended = [f"It was lost as the line stopped{stop_words(self._stop())}."]
            ended = ended if came else ["It never came to its eye."]
        return replace(
            story,
            reason=(
                *ended,
                f"{when} the line was disturbed ({what}): the cost of each delay is given "
                f"only for carriers {whose}.",
            ),
            placement_error_mm=None if math.isnan(error_mm) else error_mm,
            events=_sorted(self.tell.traced(self.carrier)),
        )

    def _engaged(self, story: Story, mark: Sighting) -> Story:
        feeder, carrier, say = self.feeder, self.carrier, self.say
        staging = staging_of(feeder, carrier)
        closing = closing_of(feeder, carrier, mark=mark, staging=staging)
        tell = self.tell
        events = [*tell.staging(staging), *tell.mark(carrier, mark), *tell.closing(mark, closing)]
        events += tell.cycle(carrier)
        opening, speed = staging.opening, self.run.belt.speed
        story = replace(
            story,
            engage_speed_mm_s=speed(closing.first_s),
            opening_speed_mm_s=None if opening is None else speed(opening.opens_s),
        )
        if self.outcome is not Outcome.PLACED:
            miss = missed_because(feeder, carrier, mark, say)
            return replace(story, reason=miss.words, short_mm=miss.short_mm, events=_sorted(events))
        approach = approach_of(feeder, carrier, staging=staging)
        parts = parts_of(
            feeder, carrier, mark=mark, closing=closing, staging=staging, approach=approach
        )
        error_mm = float(self.rows.placement_error_mm[carrier])
        told = tell.landing(carrier, closing, approach)
        return replace(
            story,
            reason=tuple(self._placed(error_mm, parts, story.hazards)),
            placement_error_mm=error_mm,
            sum_of_parts_mm=math.fsum(part.error_mm for part in parts),
            events=_sorted([*events, *told]),
            parts=parts,
        )

    def _placed(
        self, error_mm: float, parts: Sequence[ErrorPart], hazards: Sequence[HazardMargin]
    ) -> Iterator[str]:
        say, criteria = self.say, self.run.criteria
        inside = abs(error_mm) <= criteria.largest_error_mm(self.run.resolution_mm)
        where = "within" if inside else "OUT OF"
        tolerance = say.mm(criteria.placement_tolerance_mm)
        yield f"Placed {say.late(error_mm)}, {where} the tolerance of {tolerance}."
        large = sorted(parts, key=lambda part: -abs(part.error_mm))[:_LARGEST]
        names = [f"{p.name} ({say.late(p.error_mm)})" for p in large if abs(p.error_mm) > _WORTH_MM]
        if names:
            yield f"The largest parts: {listed(names)}."
        if self.rows.late_engage[self.carrier]:
            waits = (p for p in parts if p.key in _WAITS and p.error_mm > _WORTH_MM)
            why = [f"{p.name} ({say.late(p.error_mm)})" for p in waits]
            yield f"The clutch closed after its point{': ' if why else ''}{listed(why)}."
        seen = [hazard.hazard.replace("_", " ") for hazard in hazards if hazard.seen]
        if seen:
            yield f"AT RISK in its feed cycle: {listed(seen)}."

    def _missed(self, story: Story) -> Story:
        feeder, carrier, say = self.feeder, self.carrier, self.say
        miss = missed_because(feeder, carrier, self.mark, say)
        events = list(self.tell.mark(carrier, self.mark))
        before = feeder.cycle_before(carrier)
        if self.outcome in {Outcome.NOT_STAGED, Outcome.NO_INSERT} and before is not None:
            closes_s = float(self.rows.engage_time_s[before])
            events.append(self.tell.at(closes_s, f"the clutch closes for carrier {before}"))
            events += self.tell.cycle(before)
        t = feeder.decided_at(carrier)
        events += self.tell.due(self.mark, until_s=t)
        words = f"missed: {self.outcome.cause.replace('_', ' ')}"
        if self.mark is None:
            words = f"its edge passes, and the eye does not switch; {words}"
        events.append(self.tell.at(t, words))
        return replace(
            story,
            reason=miss.words,
            short_s=miss.short_s,
            short_mm=miss.short_mm,
            events=_sorted(events),
        )


def _sorted(events: Sequence[StoryEvent]) -> tuple[StoryEvent, ...]:
    """Return events in order of time; those of one instant keep their order."""
    return tuple(sorted(events, key=lambda event: event.time_s))
