"""Why a carrier was missed, in words and numbers."""

from __future__ import annotations

from feedsim.answers.explain.study.hazards import stray_words
from feedsim.answers.explain.study.mark import point_at
from feedsim.answers.explain.study.record import Miss
from feedsim.answers.explain.study.source import FeederSource, StorySource
from feedsim.answers.explain.study.stage import Sighting, correction_at, staged_in
from feedsim.answers.explain.study.words import Say, stop_words
from feedsim.motion.capture import still_on
from feedsim.quantities import listed, noun_for
from feedsim.records.outcome import Outcome
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.predict import cycle_time

_UNSEEN = ("The carrier eye did not see it, so the program had no mark of it.",)
_EMPTY = "magazine_empty"
_AS_USUAL = 0.1  # a cycle within this share of the closed form is as usual


def missed_because(feeder: FeederSource, carrier: int, mark: Sighting | None, say: Say) -> Miss:
    """Return why a feeder missed a carrier."""
    outcome = Outcome(int(feeder.rows.outcome[carrier]))
    if outcome is Outcome.MERGED:
        return _merged(feeder.run, carrier, say)
    if mark is None:
        return _too_short(feeder.run, carrier, say) or Miss(_UNSEEN)
    why = {
        Outcome.MARK_MEMORY_FULL: _memory_full,
        Outcome.LATE_MARK: _late_mark,
        Outcome.NOT_STAGED: _not_staged,
        Outcome.NO_INSERT: _no_insert,
    }.get(outcome)
    return why(feeder, carrier, mark, say) if why else Miss(("The line had stopped.",))


def _merged(run: StorySource, carrier: int, say: Say) -> Miss:
    eye, belt = run.machine.carrier_eye, run.belt
    before = next(k for k in reversed(range(carrier)) if not run.carriers[k].missed)
    gap = _bridged(run, carrier, before, say)
    if gap is not None:
        return gap
    tail_mm = run.carriers[before].leading_edge_mm + run.machine.carriers.length_mm
    seen_mm = run.carriers[carrier].seen_edge_mm
    off_s, passes_s = _goes_off(run, before), belt.time_at(seen_mm)
    needs_mm = belt.position(off_s) - tail_mm
    short_mm = belt.position(off_s) - seen_mm
    said = (
        f"The carrier eye saw it and carrier {before} as one: the gap between them was "
        f"{say.mm(seen_mm - tail_mm)} as the eye sees it, and the eye needs "
        f"{say.mm(needs_mm)} ({say.s(eye.off_response_s)}) to switch off."
    )
    more = f"The gap was {say.mm(short_mm)} too short."
    return Miss((said, more), off_s - passes_s, short_mm)


def _too_short(run: StorySource, carrier: int, say: Say) -> Miss | None:
    """Return why a carrier's level did not last; None where it was hidden or missed."""
    output_on_s = run.time_of(carrier, "carrier_eye", "output_on")
    if output_on_s is None:
        return None
    eye, scan_s = run.machine.carrier_eye, run.machine.controller.scan_s
    on_s = run.time_of(carrier, "carrier_eye", "input_on")
    off_s = _goes_off(run, carrier)
    lasted = f"The carrier eye's output was on for {say.s(max(off_s - output_on_s, 0.0))}"
    if on_s is None:
        short_s = eye.filter_s - (off_s - output_on_s)
        why = f"{lasted}, and its input filter lets nothing through that is shorter than "
        return Miss((f"{why}{say.s(eye.filter_s)}: the program never saw it.",), short_s)
    short_s = run.master.scan_tick(on_s) - (off_s + eye.filter_s)
    lasted += f", between two scans of the program, which come {say.s(scan_s)} apart: a polled eye "
    over = f"It was over {say.s(max(short_s, 0.0))} before the next scan."
    return Miss((f"{lasted}sees only what is there at a scan.", over), short_s)


def _bridged(run: StorySource, carrier: int, before: int, say: Say) -> Miss | None:
    """Return why the gap in front of a carrier did not count; None where the output stayed on."""
    eye = run.machine.carrier_eye
    if not (eye.polled or eye.filter_s):
        return None
    card = run.carriers[carrier]
    passes_s, off_s = run.belt.time_at(card.seen_edge_mm), _goes_off(run, before)
    if still_on(passes_s, off_s):
        return None
    gap_s = passes_s + card.eye_delay_s - off_s
    said = f"The carrier eye saw it and carrier {before} as one: between them its output was off "
    said += f"for {say.s(gap_s)}, "
    if gap_s < eye.filter_s:
        why = f"and its input filter bridges gaps shorter than {say.s(eye.filter_s)}."
        return Miss((said + why,), eye.filter_s - gap_s)
    short_s = run.master.scan_tick(off_s + eye.filter_s) - (passes_s + card.eye_delay_s)
    scan = say.s(run.machine.controller.scan_s)
    why = f"between two scans of the program, which come {scan} apart: a polled eye does not see "
    return Miss((said + why + "a gap that is there at no scan.",), max(short_s - eye.filter_s, 0.0))


def _goes_off(run: StorySource, carrier: int) -> float:
    """Return when the output goes off behind a carrier (s)."""
    tail_mm = run.carriers[carrier].leading_edge_mm + run.machine.carriers.length_mm
    return run.belt.time_at(tail_mm) + run.machine.carrier_eye.off_response_s


def _memory_full(feeder: FeederSource, carrier: int, mark: Sighting, say: Say) -> Miss:
    run = feeder.run
    entered = filter(feeder.entered_memory, range(carrier))
    waiting = [k for k in entered if feeder.decided_at(k) >= mark.known_s]
    holds = run.machine.controller.mark_memory
    said = f"The mark memory holds {holds} {noun_for(holds, 'mark')}, and was full when this one "
    said += f"became known: {noun_for(len(waiting), 'carrier')} {listed(waiting)} waited."
    if not waiting:
        return Miss((said,))
    free_s = feeder.decided_at(waiting[0])
    short_mm = run.belt.position(free_s) - run.belt.position(mark.known_s)
    more = f"Carrier {waiting[0]} left it {say.s(free_s - mark.known_s)} later, "
    return Miss((said, f"{more}{say.mm(short_mm)} of belt."), free_s - mark.known_s, short_mm)


def _late_mark(feeder: FeederSource, carrier: int, mark: Sighting, say: Say) -> Miss:
    run, belt = feeder.run, feeder.run.belt
    decided_s = feeder.decided_at(carrier)
    if decided_s > mark.known_s or run.machine.controller.late_mark_engages:
        return _out_of_reach(feeder, mark, say, decided_s=decided_s)
    correction = correction_at(feeder, mark.known_s)
    point_mm = point_at(feeder, mark, t=mark.known_s, correction_mm=correction)
    past_mm = belt.position(mark.known_s) - point_mm
    ago_s = mark.known_s - belt.time_at(point_mm)
    where = say.from_stored(point_mm - mark.reading_mm)
    said = (
        f"Its engage point lay {where}, and the mark was known "
        f"{say.s(mark.known_s - mark.passes_s)} after its edge, when the belt was "
        f"already {say.mm(past_mm)} past the point."
    )
    return Miss((said, "The program skips marks that are late."), ago_s, past_mm)


def _out_of_reach(feeder: FeederSource, mark: Sighting, say: Say, *, decided_s: float) -> Miss:
    run = feeder.run
    correction = correction_at(feeder, decided_s)
    point_mm = point_at(feeder, mark, t=decided_s, correction_mm=correction)
    past_mm = run.belt.position(decided_s) - point_mm
    room_mm = run.machine.carriers.reach_mm(feeder.machine.settings)
    said = (
        f"When the clutch could have closed, the belt was {say.mm(past_mm)} past the engage "
        f"point. Beyond {say.mm(room_mm)} (carrier length less target offset) the carrier is out "
        "of reach."
    )
    return Miss((said,), None, past_mm - room_mm)


def _no_insert(feeder: FeederSource, carrier: int, _: Sighting, say: Say) -> Miss:
    limit = say.mm(feeder.run.machine.controller.search_limit_mm)
    before = feeder.cycle_before(carrier)
    searcher = -1 if before is None else before
    ended_s = feeder.run.time_of(searcher, feeder.part("clutch"), "search_ends")
    whose = "for the first insert" if before is None else f"in the feed cycle of carrier {before}"
    ago = "" if ended_s is None else f" {say.s(feeder.decided_at(carrier) - ended_s)} before"
    empty = f"The feeder is empty: no insert was found within the search limit, {limit} of feed."
    return Miss((f"{empty} The search {whose} ended{ago}.",))


# -- not staged ----------------------------------------------------------------------


def _not_staged(feeder: FeederSource, carrier: int, _: Sighting, say: Say) -> Miss:
    run = feeder.run
    if feeder.rows.insert[carrier] >= 0:
        return _stopped_short(feeder, carrier, say)
    before, tick_s = feeder.cycle_before(carrier), feeder.decided_at(carrier)
    if before is None:
        return Miss(("The feeder had not staged its first insert.",))
    closed_s = tick_s - float(feeder.rows.engage_time_s[before])
    busy = f"{say.s(closed_s)} before, the clutch had closed for carrier {before}"
    if run.machine.controller.not_ready_engages:
        said = f"Its mark waited for the feeder until the carrier was out of reach: {busy}."
    else:
        said = f"The feeder was busy at its engage point: {busy}."
    staged = staged_in(feeder, before)
    if staged is None:
        why = _still_searching(feeder, before, say, tick_s=tick_s)
        if feeder.rows.strays[before]:
            why += f" In that cycle {stray_words(feeder, before)}."
        return Miss((said, why))
    short_s = staged.ready_s - tick_s
    short_mm = run.belt.position(staged.ready_s) - run.belt.position(tick_s)
    ready = f"It was ready {say.s(short_s)} later, {say.mm(short_mm)} of belt too late."
    if short_s <= 0.0:
        ready = f"It was ready {say.s(-short_s)} before that motion tick, too late to be noticed."
    words = (said, ready, *_why_busy(feeder, carrier, before, say))
    return Miss(words, short_s, short_mm) if short_s > 0.0 else Miss(words)


def _still_searching(feeder: FeederSource, before: int, say: Say, *, tick_s: float) -> str:
    """Say how the search ended that went on at a tick: at its limit, or as the line stopped."""
    run, why = feeder.run, "It was still searching for an insert"
    stop = next((s for s in run.records.stops if s.time_s >= tick_s), None)
    ended_s = run.time_of(before, feeder.part("clutch"), "search_ends")
    if stop is not None and (ended_s is None or ended_s >= stop.time_s):
        if stop.cause == _EMPTY and stop.feeder == feeder.number:
            why = "Its magazine was empty, and it was still searching"
        later = say.s(stop.time_s - tick_s)
        return f"{why} when the line stopped {later} later{stop_words(stop)}."
    return f"{why}, and gave up{'' if ended_s is None else f' {say.s(ended_s - tick_s)} later'}."


def _why_busy(feeder: FeederSource, carrier: int, before: int, say: Say) -> tuple[str, ...]:
    run, rows = feeder.run, feeder.rows
    closes_s = float(rows.engage_time_s[before])
    took_s = float(rows.ready_time_s[before]) - closes_s
    speed = run.belt.speed(closes_s) or run.machine.line.speed_mm_s
    usual_s = cycle_time(FeederAtSpeed(run.machine, feeder.machine, speed))
    against = f"the cycle took {say.s(took_s)}; about {say.s(usual_s)} is usual"
    if rows.strays[before]:
        return (f"In that cycle {stray_words(feeder, before)}: {against}.",)
    misfeeds = _misfeeds(feeder, before)
    if misfeeds:
        times = "once" if misfeeds == 1 else f"{misfeeds} times"
        return (f"In that cycle the singulator drew nothing {times} (a misfeed): {against}.",)
    if abs(took_s / usual_s - 1.0) > _AS_USUAL:
        return (f"{against[0].upper()}{against[1:]}.",)
    edges = run.records.carriers.leading_edge_mm
    belt_mm = run.belt.position(closes_s + took_s) - run.belt.position(closes_s)
    return (
        f"The cycle took {say.s(took_s)}, as usual, in which the belt moves {say.mm(belt_mm)}; "
        f"this carrier came {say.mm(float(edges[carrier] - edges[before]))} behind carrier "
        f"{before} (mean pitch {say.mm(run.machine.carriers.pitch_mm)}).",
    )


def _misfeeds(feeder: FeederSource, carrier: int) -> int:
    """Return on how many pitches of a carrier's feed cycle nothing was drawn."""
    staged = staged_in(feeder, carrier)
    if staged is None:
        return 0
    first = int(feeder.rows.insert[carrier]) + 1
    return sum(not feeder.inserts.draw(number).drawn for number in range(first, staged.insert))


def _stopped_short(feeder: FeederSource, carrier: int, say: Say) -> Miss:
    number = int(feeder.rows.insert[carrier])
    target_mm = feeder.inserts.nose_mm(number) + feeder.inserts.draw(number).slip_mm
    target_mm += feeder.machine.insert_eye_to_placement_mm
    rest_mm = feeder.feed.command(feeder.run.ends_s)
    short_mm = target_mm - rest_mm
    words = f"Insert {number} was engaged for it, but the feed stopped {say.mm(short_mm)} short of "
    words += "the placement point, and no later cycle moved it on before the run ended."
    return Miss((words,), None, short_mm * feeder.per_feed)
