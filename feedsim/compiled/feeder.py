"""One feeder's run, mark after mark: the event order of the event engine in one loop.

At most four events are due: a landing, one step of the sequence (search, opening, staging), a mark
that becomes known, a mark that is acted on. The earliest goes first; at one instant they follow the
order of model, section 12.
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
from feedsim.compiled.state import FeederRow, Mark, Row
from feedsim.draws.line_draws import InsertDraw
from feedsim.machine import SAME_INSTANT_S, SAME_TRAVEL_MM
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
from feedsim.motion.master import (
    Master,
    first_tick_past,
    next_motion_tick,
    travel_past,
    units_beyond,
)
from feedsim.motion.staged import jog_end, jog_stop, ready_at, stage_correction
from feedsim.records.outcome import Outcome

Marks = Sequence[Mark]
Cards = Sequence[InsertDraw]
Rows = Sequence[Row]

DONE, MORE_INSERTS, MORE_MARKS = 0, 1, 2
"""How :func:`run_feeder` ends: finished, or in need of more inserts or carriers."""

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
    feeder: FeederRow,
    feed: FeedMotion,
    master: Master,
    marks: Marks,
    cards: Cards,
    rows: Rows,
) -> int:
    """Run all events that follow from these marks, until the next mark must be known.

    Parameters
    ----------
    feeder, feed
        Their present state, updated for the next call.
    marks, cards
        The present ones: ``feeder`` says whether more marks come, and which card is the first.
    rows : sequence of Row
        Filled in: open rows, then those of the carriers of these marks.

    Returns
    -------
    int
        ``DONE``, ``MORE_INSERTS`` or ``MORE_MARKS``.
    """
    while True:
        if feeder.next_mark >= feeder.marks and not feeder.last_marks:
            return MORE_MARKS
        if feeder.phase == SEARCH and not feeder.planned:
            feeder.step_s, feeder.fate = plan_search(feeder, feed, master, cards)
            if feeder.fate == OUT_OF_CARDS:
                return MORE_INSERTS
            feeder.planned = True
        t, what = _next(feeder, marks)
        if t == math.inf:
            return DONE
        feeder.now_s = t
        if what == _LANDING:
            _land(feeder, feed, rows)
        elif what == _KNOWN:
            _offer(feeder, master, marks, rows)
        elif what == _MARK:
            _act(feeder, feed, master, rows)
        else:
            _step(feeder, feed, master, cards, rows)


def _next(feeder: FeederRow, marks: Marks) -> tuple[float, int]:
    """Return what happens next, and when (s); never before now."""
    now, t, what = feeder.now_s, math.inf, _LANDING
    if feeder.flying > 0:
        t = max(feeder.lands_s, now)
    if feeder.phase != IDLE:
        step = max(feeder.step_s, now)
        if step < t:
            t, what = step, _STEP
    if feeder.next_mark < feeder.marks:
        known = max(marks[feeder.next_mark].known_s, now)
        opens = what == _STEP and feeder.phase in (OPENING, ENDING, JOGGING)
        if known < t or (known == t and opens):
            t, what = known, _KNOWN
    if feeder.waiting > 0:
        due = max(feeder.due_s, now)
        if due < t:
            t, what = due, _MARK
    return t, what


# -- landing -------------------------------------------------------------------------------------


def _plan_landing(feeder: FeederRow, feed: FeedMotion, rows: Rows) -> None:
    carrier = rows[feeder.flight].flight
    lands = feed_time_at(feed, rows[feeder.flight].target_mm)
    feeder.lands_s = max(lands, rows[carrier].engage_time_s)


def _land(feeder: FeederRow, feed: FeedMotion, rows: Rows) -> None:
    carrier, t = rows[feeder.flight].flight, feeder.lands_s
    feeder.flight += 1
    feeder.flying -= 1
    rows[carrier].placement_time_s = t
    rows[carrier].nose_speed_mm_s = feed_speed(feed, t)
    rows[carrier].outcome = _PLACED
    feeder.placed += 1
    if feeder.flying > 0:
        _plan_landing(feeder, feed, rows)


# -- marks ---------------------------------------------------------------------------------------


def _offer(feeder: FeederRow, master: Master, marks: Marks, rows: Rows) -> None:
    """Take a mark that has become known at its scan tick, or lose it."""
    number = feeder.next_mark
    feeder.next_mark += 1
    t, carrier, reading = marks[number].tick_s, marks[number].carrier, marks[number].reading
    carrier += feeder.first_row
    if feeder.waiting >= feeder.mark_memory:
        _miss(rows, carrier, _MEMORY_FULL, t=t)
        return
    late = _past(feeder, master, reading, t=t) > SAME_TRAVEL_MM
    if late and not feeder.late_mark_engages:
        _miss(rows, carrier, _LATE_MARK, t=t)
        return
    rows[feeder.head + feeder.waiting].memory = carrier
    rows[feeder.head + feeder.waiting].memory_reading = reading
    rows[feeder.head + feeder.waiting].memory_known_s = t
    rows[feeder.head + feeder.waiting].memory_late = late
    feeder.waiting += 1
    if feeder.waiting == 1:
        _plan_action(feeder, master, rows)


def _miss(rows: Rows, carrier: int, outcome: int, *, t: float) -> None:
    rows[carrier].outcome = outcome
    rows[carrier].missed_time_s = t


def _past(feeder: FeederRow, master: Master, reading: float, *, t: float) -> float:
    distance = feeder.engage_distance_mm + feeder.correction_mm
    return travel_past(master, reading, distance, lead=feeder.engage_lead_s, t=t)


def _plan_action(feeder: FeederRow, master: Master, rows: Rows) -> None:
    """Work out when the head of the memory is acted on next (see the event engine's memory)."""
    reading = rows[feeder.head].memory_reading
    not_before = max(rows[feeder.head].memory_known_s, feeder.now_s)
    settled = feeder.failed or feeder.ready_s <= not_before + SAME_INSTANT_S
    if (rows[feeder.head].memory_late and not feeder.waits) or (feeder.waits and settled):
        feeder.due_s = next_motion_tick(master, not_before)  # once past, a point stays past
        return
    if feeder.waits:  # until the carrier is out of reach
        reading += units_beyond(master, feeder.room_mm)
    feeder.due_s = first_tick_past(
        master,
        reading,
        feeder.engage_distance_mm + feeder.correction_mm,
        lead=feeder.engage_lead_s,
        not_before=not_before,
    )


def _act(feeder: FeederRow, feed: FeedMotion, master: Master, rows: Rows) -> None:
    t, head, ready_s = feeder.due_s, feeder.head, feeder.ready_s
    carrier, late = rows[head].memory, rows[head].memory_late
    ready = ready_s <= t + SAME_INSTANT_S
    engages_late = feeder.late_mark_engages or feeder.not_ready_engages
    if t < ready_s and ready and not feeder.at_rest:
        rows[head].memory_known_s = ready_s  # ready at this instant, but not told yet
    elif feeder.failed:
        _drop(feeder, rows, carrier, _NO_INSERT, t=t)
    elif not (ready or feeder.not_ready_engages):
        _drop(feeder, rows, carrier, _NOT_STAGED, t=t)
    elif engages_late and (
        _past(feeder, master, rows[head].memory_reading, t=t) > feeder.room_mm + SAME_TRAVEL_MM
    ):
        waited = feeder.waits or not ready
        _drop(feeder, rows, carrier, _NOT_STAGED if waited else _LATE_MARK, t=t)
    elif ready:
        late = late or feeder.waits
        _pop(feeder)
        _engage(feeder, feed, rows, carrier, late=late, t=t)
    elif feeder.waits:  # out of reach, up to the rounding of a long run's travel
        _drop(feeder, rows, carrier, _NOT_STAGED, t=t)
    else:
        feeder.waits = True
    if feeder.waiting > 0:
        _plan_action(feeder, master, rows)


def _pop(feeder: FeederRow) -> None:
    feeder.waits = False
    feeder.head += 1
    feeder.waiting -= 1


def _drop(feeder: FeederRow, rows: Rows, carrier: int, outcome: int, *, t: float) -> None:
    _pop(feeder)
    _miss(rows, carrier, outcome, t=t)


def _feeder_changed(feeder: FeederRow, master: Master, rows: Rows) -> None:
    if feeder.waiting > 0 and (feeder.waits or feeder.stage_correction):
        _plan_action(feeder, master, rows)


# -- the sequence --------------------------------------------------------------------------------


def _engage(
    feeder: FeederRow, feed: FeedMotion, rows: Rows, carrier: int, *, late: bool, t: float
) -> None:
    """Close the clutch at motion tick ``t`` (s) for a carrier; the feeder is ready."""
    start_mm = feed_position(feed, t)
    slipped(feeder, start_mm)
    feed_obey(feed, t + feeder.command_delay_s, (1.0, feeder.ramp_in, feeder.travel_ramp, 0.0))
    rows[carrier].insert = feeder.found
    rows[carrier].engage_time_s = t
    rows[carrier].stage_position_mm = feeder.staged_at_mm
    rows[carrier].double = feeder.found_double
    rows[carrier].called_double = feeder.found_called
    rows[carrier].late_engage = late
    nose_mm = feeder.found_nose_mm + feeder.found_slip_mm
    feeder.tail_mm = nose_mm + feeder.found_length_mm
    feeder.ready_s = math.inf
    feeder.at_rest = False
    feeder.holds_insert = False
    feeder.correction_mm = 0.0
    feeder.since_s, feeder.carrier = t, carrier
    feeder.limit_mm = start_mm + feeder.search_limit_mm
    feeder.phase, feeder.planned = SEARCH, False
    place = feeder.flight + feeder.flying
    rows[place].flight = carrier
    rows[place].target_mm = nose_mm + feeder.eye_to_placement_mm
    feeder.flying += 1
    _plan_landing(feeder, feed, rows)


def _step(
    feeder: FeederRow,
    feed: FeedMotion,
    master: Master,
    cards: Cards,
    rows: Rows,
) -> None:
    """Continue the sequence after its wait."""
    phase, t = feeder.phase, feeder.step_s
    if phase == SEARCH:
        _searched(feeder, feed, master, cards, rows)
    elif phase == JOGGING:  # the jog stops here
        feed_obey(feed, t, (0.0, 0.0, False, 0.0))
        _come_to_rest(feeder, feed)
    elif phase == OPENING:
        _opens(feeder, feed, master, rows, t=t)
        _come_to_rest(feeder, feed)
    elif phase == ENDING:
        _open(feeder, feed, rows, t=t)
        feeder.failed = True
        _feeder_changed(feeder, master, rows)
        feeder.phase, feeder.step_s = RESTING, feed_rest(feed)[0]
    elif phase == READY:
        _staged(feeder, feed, rows, t=t)
        _feeder_changed(feeder, master, rows)
    else:
        feeder.at_rest, feeder.phase = True, IDLE


def _searched(
    feeder: FeederRow, feed: FeedMotion, master: Master, cards: Cards, rows: Rows
) -> None:
    """Continue the search with the result of the eye."""
    t, now = feeder.step_s, feeder.now_s
    feeder.planned = False
    if feeder.fate == SEEN:
        capture(feeder, master, cards, t=t)
        if feeder.carrier < 0:
            _plan_end_of_jog(feeder, feed, master)
            return
        feeder.phase = OPENING
        feeder.step_s = first_tick_past(
            master,
            feeder.found_reading,
            feeder.disengage_distance_mm,
            lead=feeder.disengage_lead_s,
            not_before=max(feeder.found_known_s, now),
        )
    elif feeder.fate != BEYOND_LIMIT:
        stray(feeder, cards, rows)
    elif feeder.carrier >= 0:
        feeder.phase, feeder.step_s = ENDING, next_motion_tick(master, now)
    else:
        feed_obey(feed, now, (0.0, 0.0, False, 0.0))
        feeder.failed = feeder.at_rest = True
        feeder.phase = IDLE


def _plan_end_of_jog(feeder: FeederRow, feed: FeedMotion, master: Master) -> None:
    known_s, speed = feeder.found_known_s, feeder.jog_speed_mm_s
    end = jog_end(
        feed_position(feed, feeder.found_captured_s),
        speed,
        delay_s=feeder.nominal_delay_s,
        stage_mm=feeder.stage_position_mm,
    )
    far = end - feed_command(feed, known_s)
    feeder.phase, feeder.step_s = JOGGING, jog_stop(master, known_s, far, speed_mm_s=speed)
    feeder.found_speed_mm_s = speed
    feeder.holds_insert = True


def _opens(feeder: FeederRow, feed: FeedMotion, master: Master, rows: Rows, *, t: float) -> None:
    """Open after a captured edge."""
    past = travel_past(
        master,
        feeder.found_reading,
        feeder.disengage_distance_mm,
        lead=feeder.disengage_lead_s,
        t=feeder.found_known_s,
    )
    rows[feeder.carrier].late_opening = past > SAME_TRAVEL_MM
    feeder.holds_insert = True
    _open(feeder, feed, rows, t=t)
    feeder.found_speed_mm_s = feeder.speed_ratio * speed_at(master.speed, feeder.found_known_s)


def _open(feeder: FeederRow, feed: FeedMotion, rows: Rows, *, t: float) -> None:
    rows[feeder.carrier].opening_time_s = t
    rows[feeder.carrier].tail_mm = feed_position(feed, t) - feeder.tail_mm
    feeder.opens_s = t + feeder.command_delay_s
    feed_obey(feed, feeder.opens_s, (0.0, feeder.ramp_out, feeder.travel_ramp, 0.0))
    if feeder.flying > 0:
        _plan_landing(feeder, feed, rows)


def _come_to_rest(feeder: FeederRow, feed: FeedMotion) -> None:
    """Plan when the next insert is staged: at the end of the ramp-out and the settling."""
    rest_s, feeder.rest_mm = feed_rest(feed)
    feeder.ready_s = ready_at(rest_s, feeder.opens_s, settle_s=feeder.settle_s)
    feeder.phase, feeder.step_s = READY, feeder.ready_s


def _staged(feeder: FeederRow, feed: FeedMotion, rows: Rows, *, t: float) -> None:
    feeder.staged_at_mm = feeder.rest_mm - feeder.found_nose_mm
    if feeder.stage_correction:
        feeder.correction_mm = stage_correction(
            feeder.rest_mm - feed_position(feed, feeder.found_captured_s),
            feeder.found_speed_mm_s,
            delay_s=feeder.nominal_delay_s,
            stage_mm=feeder.stage_position_mm,
            ratio=feeder.speed_ratio,
        )
    feeder.at_rest, feeder.phase = True, IDLE
    if feeder.carrier >= 0:
        rows[feeder.carrier].ready_time_s = t
        feed_forget_before(feed, rows[feeder.carrier].engage_time_s)
    else:
        feed_forget_before(feed, 0.0)
