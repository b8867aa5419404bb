"""The plain implementation, part 3: one feeder and its marks.

Written from the model page alone (sections 5 to 9). Nothing that happens later changes
what a feeder does in a cycle, so a cycle is computed whole when its clutch closes.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

from feedsim.draws.line_draws import InsertDraw
from feedsim.machine import Eye, Machine
from feedsim.records.outcome import Outcome
from tests.reference.plain_eye import SEEN, PlainInput
from tests.reference.plain_motion import TINY_MM, TINY_S, Belt, Feed
from tests.reference.plain_points import Controller, Corrections, Point, Ticks


@dataclass
class Mark:
    """A carrier that the carrier eye saw."""

    carrier: int
    switched: float
    known: float
    captured: float
    late: bool = False  # beyond its point when known: the next motion tick is its own
    waited: bool = False  # the feeder was not ready when its point came


@dataclass
class Cycle:
    """One closing of the clutch, and what came of it."""

    carrier: int
    insert: int
    closed: float
    stage_position: float
    nose: float  # feed travel with the nose at the eye, slip included
    double: bool
    called_double: bool
    late_engage: bool
    strays: int = 0
    opened: float = math.nan
    late_opening: bool = False
    tail: float = math.nan
    ready: float = math.nan
    demanded: float = math.nan


def nominal_delay(eye: Eye, scan_s):
    return eye.response_s + eye.filter_s + (scan_s / 2.0 if eye.scanned else 0.0)


class PlainFeeder:
    """One feeder: the jog, then the marks in order of time, each cycle whole."""

    def __init__(self, machine: Machine, number: int, cards, *, ticks: tuple[Ticks, Ticks]):
        self.machine = machine
        self.feeder = machine.feeders[number]
        self.settings = self.feeder.settings
        self.scan, self.motion = ticks
        self.feed = Feed(self.feeder)
        self._source = cards
        self.cards: list[InsertDraw] = []
        inserts = self.feeder.inserts
        self.base = inserts.gap_mm if machine.start_empty else -self.settings.stage_position_mm
        self.next = 0  # the next insert to come to the eye
        eye = self.feeder.eye
        self.level = None  # where a filter or polling stands between eye and program
        if eye.polled or eye.filter_s > 0.0:
            self.level = PlainInput(
                eye, self.scan, lambda tail: self.feed.time_at(tail) + eye.off_response_s
            )
        self.holding = None  # feed travel at which the last holding tail passes the eye
        self.drawn = self.strays = self.second_halves = 0
        self.staged: int | None = None
        self.stage_position = math.nan
        self.estimate = math.nan
        self.ready = math.inf
        self.ready_at_once = math.nan  # ready at the very tick at which the clutch opened
        self.ended = math.inf  # from when on there is no insert any more
        self.corrections = Corrections()
        self.cycles: list[Cycle] = []
        self.outcomes: dict[int, Outcome] = {}
        self.known_missed: dict[int, float] = {}
        self.controller: Controller | None = None
        self.belt: Belt | None = None
        if machine.start_empty:
            self._jog()
        else:
            self._take_first()

    # --- the start ---------------------------------------------------------------------

    def _take_first(self):
        self._draw(0)
        self.next = 1
        self.holding = self.base + self._card(0).nose_mm + self._card(0).length_mm
        if self.level:
            self.level.lies(self.holding)
        self.staged, self.ready = 0, 0.0
        self.stage_position = -(self.base + self._card(0).nose_mm)
        self.estimate = self.settings.stage_position_mm

    def _jog(self):
        """Jog from t = 0: the belt rests, so the controller is not needed."""
        speed = self.feeder.jog_speed_mm_s
        self.feed.jog(speed)
        limit = self.feed.time_at(self.machine.controller.search_limit_mm)
        found, _ = self._search(0.0, limit)
        if found is None:
            self.ended = limit
            self.feed.stop(self.motion.at_or_after(limit))
            return
        insert, switched = found
        known = self.scan.at_or_after(switched)
        captured_feed = self.feed.travel(known if self.feeder.eye.scanned else switched)
        back = speed * nominal_delay(self.feeder.eye, self.machine.controller.scan_s)
        stop = (captured_feed + self.settings.stage_position_mm - back) / speed
        if stop < known:
            stop = self.motion.at_or_after(known)
        self.feed.stop(stop)
        self._stage(insert, stop, captured_feed, back)

    def start(self, belt: Belt, controller: Controller):
        """Give the feeder the belt, once it is known when it starts."""
        self.belt = self.feed.belt = belt
        self.controller = controller

    # --- inserts -----------------------------------------------------------------------

    def _card(self, number):
        while len(self.cards) <= number:
            self.cards.append(InsertDraw(*next(self._source)))
        return self.cards[number]

    def _is_double(self, number):
        return not math.isnan(self._card(number).double_mm)

    def _draw(self, number):
        """Book an insert that comes to the eye."""
        self.drawn += 2 if self._is_double(number) else 1
        self.second_halves += 1 if self._is_double(number) else 0

    def _search(self, since, limit):
        """Let inserts come to the eye; return (insert, switching) or None, and strays."""
        strays = 0
        while True:
            card = self._card(self.next)
            if not card.drawn:
                self.next += 1
                continue
            passed = self.feed.time_at(self.base + card.seen_edge_mm)
            if passed > limit + TINY_S:
                return None, strays
            self._draw(self.next)
            switched = passed + card.eye_delay_s
            tail = self.base + card.nose_mm + card.length_mm
            if self.level and not card.missed:
                what, switched = self.level.comes(passed, switched, tail)
                merged = what != SEEN
            else:
                merged = self._merges(self.base + card.seen_edge_mm, passed)
            if not card.missed:
                self.holding = tail
            number = self.next
            self.next += 1
            seen = not card.missed and not merged
            if seen and since - TINY_S <= switched <= limit + TINY_S:
                return (number, switched), strays
            strays += 1
            self.strays += 1

    def _merges(self, seen_edge, passed):
        if self.holding is None:
            return False
        if seen_edge < self.holding - TINY_MM and passed < math.inf:
            return True
        off = self.feed.time_at(self.holding) + self.feeder.eye.off_response_s
        return passed < off - TINY_S

    def _stage(self, insert, command_end, captured_feed, back):
        """Stage an insert where the command ends."""
        end = self.feed.command(command_end)
        self.staged = insert
        self.stage_position = end - (self.base + self._card(insert).nose_mm)
        self.estimate = end - captured_feed + back
        self.ready = command_end + self.feeder.clutch.settle_s
        if self.settings.stage_correction:
            off = self.estimate - self.settings.stage_position_mm
            self.corrections.set(self.ready, off / self.settings.speed_ratio)

    # --- a cycle -----------------------------------------------------------------------

    def close(self, t, mark: Mark):
        """Close the clutch at motion tick t, and run the feed until it is staged again."""
        number = self.staged
        card = self._card(number)
        nose = self.base + card.nose_mm
        feed_now = self.feed.travel(t)
        is_last_held = self.holding is not None and number == self.next - 1
        if is_last_held and feed_now < nose + card.length_mm - TINY_MM:
            self.holding = nose + card.length_mm + card.slip_mm
            if self.level:
                self.level.move_last(card.slip_mm)
        cycle = Cycle(
            carrier=mark.carrier,
            insert=number,
            closed=t,
            stage_position=self.stage_position,
            nose=nose + card.slip_mm,
            double=self._is_double(number),
            called_double=card.called_double,
            late_engage=mark.late or mark.waited,
        )
        self.cycles.append(cycle)
        self.corrections.set(t, 0.0)
        self.staged, self.ready = None, math.inf
        delay = self.feeder.servo.command_delay_s
        self.feed.close(t + delay)
        cycle.demanded = self._demand(self.feeder.clutch.ramp_in, t + delay)
        limit = self.feed.time_at(feed_now + self.machine.controller.search_limit_mm)
        found, cycle.strays = self._search(t, limit)
        if found is None:
            self._open(cycle, self.motion.at_or_after(limit))
            self.ended = cycle.opened
            return
        insert, switched = found
        known = self.scan.at_or_after(switched)
        captured_at = known if self.feeder.eye.scanned else switched
        captured_feed = self.feed.travel(captured_at)
        point = Point(
            self.controller.reading(captured_at),
            self.settings.disengage_distance_mm,
            self.settings.disengage_lead_s,
        )
        point.beyond = True
        cycle.late_opening = self.controller.holds(point, known)
        point.beyond = False
        tick = (
            self.motion.at_or_after(known)
            if cycle.late_opening
            else self.controller.first(point, known)
        )
        end = self._open(cycle, tick)
        eye_delay = nominal_delay(self.feeder.eye, self.machine.controller.scan_s)
        back = self.settings.speed_ratio * self.belt.controller_speed(known) * eye_delay
        self._stage(insert, end, captured_feed, back)
        cycle.ready = self.ready
        self.ready_at_once = tick if self.ready <= tick + TINY_S else math.nan

    def _open(self, cycle, t):
        cycle.opened = t
        cycle.tail = self.feed.travel(t) - cycle.nose - self._card(cycle.insert).length_mm
        start = t + self.feeder.servo.command_delay_s
        demanded = self._demand(self.feeder.clutch.ramp_out, start)
        cycle.demanded = max(cycle.demanded, demanded)
        return self.feed.open(start)

    def _demand(self, ramp, t):
        v = self.belt.speed(t) / self.belt.scale
        if v <= 0.0:
            return 0.0
        if ramp == 0.0:
            return math.inf
        power = 2 if self.feeder.clutch.travel_ramp else 1
        return self.settings.speed_ratio * v**power / ramp

    # --- marks -------------------------------------------------------------------------

    def point(self, mark: Mark, correction, *, further=0.0, beyond=False):
        return Point(
            mark.captured,
            self.settings.engage_distance_mm + correction,
            self.settings.engage_lead_s,
            further,
            beyond,
        )

    def _first(self, mark, start, until=math.inf, **how):
        """Return the first motion tick with the mark's point reached, whatever corrects it."""
        for a, b, correction in self.corrections.spans(start):
            end = min(b, until)
            if a >= end:
                break
            t = self.controller.first(self.point(mark, correction, **how), a, end)
            if t is not None:
                return t
        return None

    def _correction(self, t):
        return next(self.corrections.spans(t))[2]

    def is_late(self, mark):
        # what an opening brings about at its own instant comes after the scan tick of that instant
        before = abs(mark.known - self.ready_at_once) <= TINY_S
        correction = 0.0 if before else self._correction(mark.known)
        point = self.point(mark, correction, beyond=True)
        return self.controller.holds(point, mark.known)

    def _over(self):
        """Return how far beyond the point a carrier can still be hit, in readings."""
        room = self.machine.carriers.length_mm - self.settings.target_offset_mm
        if self.machine.encoder.count_mm == 0.0:
            return room
        # beyond: excess ≥ further + 1, the first whole count with q·count > room
        return math.floor((room + TINY_MM) / self.machine.encoder.count_mm)

    def act_on(self, mark: Mark, now):
        """Return when the head of the memory is acted on, and what becomes of it."""
        next_tick = self.motion.at_or_after(mark.known)
        own = next_tick if mark.late else self._first(mark, mark.known)
        t = max(own, now)
        control = self.machine.controller
        if self.ended <= t + TINY_S:
            return t, Outcome.NO_INSERT
        either = control.late_mark_engages or control.not_ready_engages
        how = {"further": self._over(), "beyond": True}
        if self.ready <= t + TINY_S:
            dropped = either and self.controller.holds(
                self.point(mark, self._correction(t), **how), t
            )
            return t, (Outcome.LATE_MARK if dropped else None)
        if not control.not_ready_engages:
            return t, Outcome.NOT_STAGED
        mark.waited = True
        until, outcome = self.ended, Outcome.NO_INSERT
        if self.ready < math.inf:
            until, outcome = self.motion.at_or_after(self.ready), None
        dropped = self._first(mark, t, until, **how)
        if dropped is not None:
            return dropped, Outcome.NOT_STAGED
        if outcome is None and self.controller.holds(
            self.point(mark, self._correction(until), **how), until
        ):
            return until, Outcome.NOT_STAGED
        return until, outcome

    def run(self, marks: list[Mark]):
        """Take the marks in order of time: known at scan ticks, acted on at motion ticks."""
        control = self.machine.controller
        waiting = list(reversed(marks))
        memory: deque[Mark] = deque()
        acting = None  # (instant, outcome or None) of the head
        now = 0.0
        while waiting or memory:
            if memory and acting is None:
                acting = self.act_on(memory[0], max(now, memory[0].known))
            if waiting and (acting is None or waiting[-1].known <= acting[0] + TINY_S):
                mark = waiting.pop()
                if len(memory) >= control.mark_memory:
                    self.outcomes[mark.carrier] = Outcome.MARK_MEMORY_FULL
                    self.known_missed[mark.carrier] = mark.known
                    continue
                mark.late = self.is_late(mark)
                if mark.late and not control.late_mark_engages:
                    self.outcomes[mark.carrier] = Outcome.LATE_MARK
                    self.known_missed[mark.carrier] = mark.known
                    continue
                memory.append(mark)
                continue
            now, outcome = acting
            acting = None
            mark = memory.popleft()
            if outcome is None:
                self.close(now, mark)
            else:
                self.outcomes[mark.carrier] = outcome
                self.known_missed[mark.carrier] = now
