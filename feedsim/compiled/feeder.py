"""One feeder's run, mark after mark: the order of events of the event engine in one loop.

At most four events may come next: a landing, one step of the sequence (search, opening, staging), a
mark that becomes known, a mark that is acted on. The earliest goes first; at one instant they
follow the order of model, section 12.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from feedsim.compiled.search import (
    BEYOND_LIMIT,
    OUT_OF_CARDS,
    SEEN,
    capture,
    plan_search,
    slipped,
    stray,
)
from feedsim.compiled.state import Lane, Mark, Row
from feedsim.draws.line_draws import InsertDraw
from feedsim.motion.controller_speed import speed_at
from feedsim.motion.feed import (
    FeedMotion,
    feed_command,
    feed_forget_before,
    feed_obey,
    feed_position,
    feed_rest,
    feed_speed,
    feed_time_at,
)
from feedsim.motion.master import Master, first_tick_past, next_motion_tick, travel_past
from feedsim.motion.ticks import SAME_INSTANT_S, SAME_TRAVEL_MM
from feedsim.records.outcome import Outcome

Marks = Sequence[Mark]
Cards = Sequence[InsertDraw]
Rows = Sequence[Row]

DONE, MORE_INSERTS, MORE_MARKS = 0, 1, 2
"""How :func:`run_feeder` ends: nothing is left to happen; it has to go on with more inserts, or
with more carriers."""

_PLACED, _NOT_STAGED, _LATE_MARK = (
    int(Outcome.PLACED),
    int(Outcome.NOT_STAGED),
    int(Outcome.LATE_MARK),
)
_MEMORY_FULL, _NO_INSERT = int(Outcome.MARK_MEMORY_FULL), int(Outcome.NO_INSERT)

# what the sequence waits for
IDLE, SEARCH, OPENING, ENDING, READY, RESTING, JOGGING = 0, 1, 2, 3, 4, 5, 6
_LANDING, _STEP, _KNOWN, _MARK = 0, 1, 2, 3


def run_feeder(
    lane: Lane,
    feed: FeedMotion,
    master: Master,
    marks: Marks,
    cards: Cards,
    rows: Rows,
) -> int:
    """Run all events that follow from these marks, until the next mark must be known.

    Parameters
    ----------
    lane, feed
        Their present state, updated for the next call.
    marks, cards
        The present ones: ``lane`` says whether more marks are to come, and which card is the first.
    rows : sequence of Row
        Filled in: open rows, then those of the carriers of these marks.

    Returns
    -------
    int
        ``DONE``, ``MORE_INSERTS`` or ``MORE_MARKS``.
    """
    while True:
        if lane.next_mark >= lane.marks and not lane.last_marks:
            return MORE_MARKS
        if lane.phase == SEARCH and not lane.planned:
            lane.step_s, lane.fate = plan_search(lane, feed, master, cards)
            if lane.fate == OUT_OF_CARDS:
                return MORE_INSERTS
            lane.planned = True
        t, what = _next(lane, marks)
        if t == math.inf:
            return DONE
        lane.now_s = t
        if what == _LANDING:
            _land(lane, feed, rows)
        elif what == _KNOWN:
            _offer(lane, master, marks, rows)
        elif what == _MARK:
            _act(lane, feed, master, rows)
        else:
            _step(lane, feed, master, cards, rows)


def _next(lane: Lane, marks: Marks) -> tuple[float, int]:
    """Return what happens next, and when (s); never before now."""
    now, t, what = lane.now_s, math.inf, _LANDING
    if lane.flying > 0:
        t = max(lane.lands_s, now)
    if lane.phase != IDLE:
        step = max(lane.step_s, now)
        if step < t:
            t, what = step, _STEP
    if lane.next_mark < lane.marks:
        known = max(marks[lane.next_mark].known_s, now)
        opens = what == _STEP and lane.phase in (OPENING, ENDING, JOGGING)
        if known < t or (known == t and opens):
            t, what = known, _KNOWN
    if lane.waiting > 0:
        due = max(lane.due_s, now)
        if due < t:
            t, what = due, _MARK
    return t, what


# -- landing -------------------------------------------------------------------------------------


def _plan_landing(lane: Lane, feed: FeedMotion, rows: Rows) -> None:
    carrier = rows[lane.flight].flight
    lands = feed_time_at(feed, rows[lane.flight].target_mm)
    lane.lands_s = max(lands, rows[carrier].engage_time_s)


def _land(lane: Lane, feed: FeedMotion, rows: Rows) -> None:
    carrier, t = rows[lane.flight].flight, lane.lands_s
    lane.flight += 1
    lane.flying -= 1
    rows[carrier].placement_time_s = t
    rows[carrier].nose_speed_mm_s = feed_speed(feed, t)
    rows[carrier].outcome = _PLACED
    lane.placed += 1
    if lane.flying > 0:
        _plan_landing(lane, feed, rows)


# -- marks ---------------------------------------------------------------------------------------


def _offer(lane: Lane, master: Master, marks: Marks, rows: Rows) -> None:
    """Take a mark that has become known at its scan tick, or lose it."""
    number = lane.next_mark
    lane.next_mark += 1
    t, carrier, reading = marks[number].tick_s, marks[number].carrier, marks[number].reading
    carrier += lane.first_row
    if lane.waiting >= lane.mark_memory:
        _miss(rows, carrier, _MEMORY_FULL, t=t)
        return
    late = _past(lane, master, reading, t=t) > SAME_TRAVEL_MM
    if late and not lane.late_mark_engages:
        _miss(rows, carrier, _LATE_MARK, t=t)
        return
    rows[lane.head + lane.waiting].memory = carrier
    rows[lane.head + lane.waiting].memory_reading = reading
    rows[lane.head + lane.waiting].memory_known_s = t
    rows[lane.head + lane.waiting].memory_late = late
    lane.waiting += 1
    if lane.waiting == 1:
        _plan_action(lane, master, rows)


def _miss(rows: Rows, carrier: int, outcome: int, *, t: float) -> None:
    rows[carrier].outcome = outcome
    rows[carrier].missed_time_s = t


def _past(lane: Lane, master: Master, reading: float, *, t: float) -> float:
    distance = lane.engage_distance_mm + lane.correction_mm
    return travel_past(master, reading, distance, lead=lane.engage_lead_s, t=t)


def _plan_action(lane: Lane, master: Master, rows: Rows) -> None:
    """Work out when the head of the memory is acted on next (see the event engine's memory)."""
    reading = rows[lane.head].memory_reading
    not_before = max(rows[lane.head].memory_known_s, lane.now_s)
    settled = lane.failed or lane.ready_s <= not_before + SAME_INSTANT_S
    if (rows[lane.head].memory_late and not lane.waits) or (lane.waits and settled):
        lane.due_s = next_motion_tick(master, not_before)  # once past, a point stays past
        return
    if lane.waits:  # until the carrier is out of reach
        if master.counting:
            reading += math.floor((lane.room_mm + SAME_TRAVEL_MM) / master.unit_mm) + 1.0
        else:
            reading += lane.room_mm + 2.0 * SAME_TRAVEL_MM
    lane.due_s = first_tick_past(
        master,
        reading,
        lane.engage_distance_mm + lane.correction_mm,
        lead=lane.engage_lead_s,
        not_before=not_before,
    )


def _act(lane: Lane, feed: FeedMotion, master: Master, rows: Rows) -> None:
    t, head, ready_s = lane.due_s, lane.head, lane.ready_s
    carrier, late = rows[head].memory, rows[head].memory_late
    ready = ready_s <= t + SAME_INSTANT_S
    engages_late = lane.late_mark_engages or lane.not_ready_engages
    if t < ready_s and ready and not lane.at_rest:
        rows[head].memory_known_s = ready_s  # ready at this instant, but not told yet
    elif lane.failed:
        _drop(lane, rows, carrier, _NO_INSERT, t=t)
    elif not (ready or lane.not_ready_engages):
        _drop(lane, rows, carrier, _NOT_STAGED, t=t)
    elif engages_late and (
        _past(lane, master, rows[head].memory_reading, t=t) > lane.room_mm + SAME_TRAVEL_MM
    ):
        waited = lane.waits or not ready
        _drop(lane, rows, carrier, _NOT_STAGED if waited else _LATE_MARK, t=t)
    elif ready:
        late = late or lane.waits
        _pop(lane)
        _engage(lane, feed, rows, carrier, late=late, t=t)
    else:
        lane.waits = True
    if lane.waiting > 0:
        _plan_action(lane, master, rows)


def _pop(lane: Lane) -> None:
    lane.waits = False
    lane.head += 1
    lane.waiting -= 1


def _drop(lane: Lane, rows: Rows, carrier: int, outcome: int, *, t: float) -> None:
    _pop(lane)
    _miss(rows, carrier, outcome, t=t)


def _feeder_changed(lane: Lane, master: Master, rows: Rows) -> None:
    if lane.waiting > 0 and (lane.waits or lane.stage_correction):
        _plan_action(lane, master, rows)


# -- the sequence --------------------------------------------------------------------------------


def _engage(
    lane: Lane, feed: FeedMotion, rows: Rows, carrier: int, *, late: bool, t: float
) -> None:
    """Close the clutch at motion tick ``t`` (s) for a carrier; the feeder is ready."""
    start_mm = feed_position(feed, t)
    slipped(lane, start_mm)
    feed_obey(feed, t + lane.command_delay_s, (1.0, lane.ramp_in, lane.travel_ramp, 0.0))
    rows[carrier].insert = lane.found
    rows[carrier].engage_time_s = t
    rows[carrier].stage_position_mm = lane.staged_at_mm
    rows[carrier].double = lane.found_double
    rows[carrier].called_double = lane.found_called
    rows[carrier].late_engage = late
    nose_mm = lane.found_nose_mm + lane.found_slip_mm
    lane.tail_mm = nose_mm + lane.found_length_mm
    lane.ready_s = math.inf
    lane.at_rest = False
    lane.holds_insert = False
    lane.correction_mm = 0.0
    lane.since_s, lane.carrier = t, carrier
    lane.limit_mm = start_mm + lane.search_limit_mm
    lane.phase, lane.planned = SEARCH, False
    place = lane.flight + lane.flying
    rows[place].flight = carrier
    rows[place].target_mm = nose_mm + lane.eye_to_placement_mm
    lane.flying += 1
    _plan_landing(lane, feed, rows)


def _step(
    lane: Lane,
    feed: FeedMotion,
    master: Master,
    cards: Cards,
    rows: Rows,
) -> None:
    """Continue the sequence after its wait."""
    phase, t = lane.phase, lane.step_s
    if phase == SEARCH:
        _searched(lane, feed, master, cards, rows)
    elif phase == JOGGING:  # the jog stops here
        feed_obey(feed, t, (0.0, 0.0, False, 0.0))
        _come_to_rest(lane, feed)
    elif phase == OPENING:
        _opens(lane, feed, master, rows, t=t)
        _come_to_rest(lane, feed)
    elif phase == ENDING:
        _open(lane, feed, rows, t=t)
        lane.failed = True
        _feeder_changed(lane, master, rows)
        lane.phase, lane.step_s = RESTING, feed_rest(feed)[0]
    elif phase == READY:
        _staged(lane, feed, rows, t=t)
        _feeder_changed(lane, master, rows)
    else:
        lane.at_rest, lane.phase = True, IDLE


def _searched(lane: Lane, feed: FeedMotion, master: Master, cards: Cards, rows: Rows) -> None:
    """Continue the search with the result of the eye."""
    t, now = lane.step_s, lane.now_s
    lane.planned = False
    if lane.fate == SEEN:
        capture(lane, master, cards, t=t)
        if lane.carrier < 0:
            _plan_end_of_jog(lane, feed, master)
            return
        lane.phase = OPENING
        lane.step_s = first_tick_past(
            master,
            lane.found_reading,
            lane.disengage_distance_mm,
            lead=lane.disengage_lead_s,
            not_before=max(lane.found_known_s, now),
        )
    elif lane.fate != BEYOND_LIMIT:
        stray(lane, cards, rows)
    elif lane.carrier >= 0:
        lane.phase, lane.step_s = ENDING, next_motion_tick(master, now)
    else:
        feed_obey(feed, now, (0.0, 0.0, False, 0.0))
        lane.failed = lane.at_rest = True
        lane.phase = IDLE


def _plan_end_of_jog(lane: Lane, feed: FeedMotion, master: Master) -> None:
    known_s, speed = lane.found_known_s, lane.jog_speed_mm_s
    believed = feed_position(feed, lane.found_captured_s) - speed * lane.nominal_delay_s
    far = believed + lane.stage_position_mm - feed_command(feed, known_s)
    stop = known_s + max(far, 0.0) / speed
    lane.phase, lane.step_s = JOGGING, next_motion_tick(master, known_s) if far < 0.0 else stop
    lane.found_speed_mm_s = speed
    lane.holds_insert = True


def _opens(lane: Lane, feed: FeedMotion, master: Master, rows: Rows, *, t: float) -> None:
    """Open after a captured edge."""
    past = travel_past(
        master,
        lane.found_reading,
        lane.disengage_distance_mm,
        lead=lane.disengage_lead_s,
        t=lane.found_known_s,
    )
    rows[lane.carrier].late_opening = past > SAME_TRAVEL_MM
    lane.holds_insert = True
    _open(lane, feed, rows, t=t)
    lane.found_speed_mm_s = lane.speed_ratio * speed_at(master.speed, lane.found_known_s)


def _open(lane: Lane, feed: FeedMotion, rows: Rows, *, t: float) -> None:
    rows[lane.carrier].opening_time_s = t
    rows[lane.carrier].tail_mm = feed_position(feed, t) - lane.tail_mm
    lane.opens_s = t + lane.command_delay_s
    feed_obey(feed, lane.opens_s, (0.0, lane.ramp_out, lane.travel_ramp, 0.0))
    if lane.flying > 0:
        _plan_landing(lane, feed, rows)


def _come_to_rest(lane: Lane, feed: FeedMotion) -> None:
    """Plan when the next insert is staged: at the end of the ramp-out and the settling."""
    rest_s, lane.rest_mm = feed_rest(feed)
    # a clutch that opens the instant it closed has rested since before that
    lane.ready_s = max(rest_s, lane.opens_s) + lane.settle_s
    lane.phase, lane.step_s = READY, lane.ready_s


def _staged(lane: Lane, feed: FeedMotion, rows: Rows, *, t: float) -> None:
    lane.staged_at_mm = lane.rest_mm - lane.found_nose_mm
    if lane.stage_correction:
        travelled = lane.rest_mm - feed_position(feed, lane.found_captured_s)
        estimate = travelled + lane.found_speed_mm_s * lane.nominal_delay_s
        lane.correction_mm = (estimate - lane.stage_position_mm) / lane.speed_ratio
    lane.at_rest, lane.phase = True, IDLE
    if lane.carrier >= 0:
        rows[lane.carrier].ready_time_s = t
        feed_forget_before(feed, rows[lane.carrier].engage_time_s)
    else:
        feed_forget_before(feed, 0.0)
