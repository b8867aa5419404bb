"""The marks of all carriers at the carrier eye, the same for every feeder (model, section 4)."""

from __future__ import annotations

import math
from collections.abc import Sequence

from feedsim.compiled.state import EyeState, Mark
from feedsim.draws.line_draws import CarrierDraw
from feedsim.motion.belt import belt_time_at
from feedsim.motion.capture import merges
from feedsim.motion.master import Master, next_scan_tick, reading_at
from feedsim.records.outcome import Outcome
from feedsim.simulation.input_level import EyeVerdict, decide, level_take

Cards = Sequence[CarrierDraw]
Marks = Sequence[Mark]

_NOT_SEEN, _MERGED = int(Outcome.NOT_SEEN), int(Outcome.MERGED)


def see_carriers(eye: EyeState, master: Master, cards: Cards, marks: Marks) -> int:
    """Go through the carriers in order; return how many marks the program gets.

    Parameters
    ----------
    eye : EyeState
        Its state before the first of them; on return, its state after the last one.
    marks : sequence of Mark
        Filled in; ``lost`` has the outcome of each carrier that gives no mark, else −1.

    Returns
    -------
    int
        −1 where a carrier never comes to be decided.
    """
    count, now = 0, eye.now_s
    for k in range(len(cards)):
        passed = belt_time_at(master.belt, cards[k].seen_edge_mm)
        tail_mm = cards[k].leading_edge_mm + eye.length_mm
        t, lost = _see(eye, master, cards, k=k, passed=passed, tail_mm=tail_mm)
        if t == math.inf:
            return -1
        now = t if t > now else now
        marks[k].lost = lost
        if not cards[k].missed:
            eye.output.held_mm = tail_mm
        if lost >= 0:
            continue
        eye.switched_s = t
        tick = next_scan_tick(master, t)
        marks[count].carrier = k
        marks[count].tick_s = tick
        marks[count].known_s = tick if tick > now else now
        marks[count].reading = reading_at(master, tick if eye.scanned else t)
        count += 1
    eye.now_s = now
    return count


def _see(
    eye: EyeState,
    master: Master,
    cards: Cards,
    *,
    k: int,
    passed: float,
    tail_mm: float,
) -> tuple[float, int]:
    """Return when the fate of a carrier is decided (s), and how it is lost, −1 if it is not."""
    if cards[k].missed:
        return passed, _NOT_SEEN
    switches = passed + cards[k].eye_delay_s
    if not eye.has_level:
        edge_mm = cards[k].seen_edge_mm
        if merges(eye.output, belt_time_at, master.belt, edge_mm, passes_s=passed):
            return passed, _MERGED
        return switches if switches > eye.switched_s else eye.switched_s, -1
    level = eye.level
    decision = decide(
        level,
        eye.output,
        belt_time_at,
        master.belt,
        master,
        passes_s=passed,
        switches_s=max(switches, level.since_s),
        tail_mm=tail_mm,
    )
    level_take(level, decision, tail_mm)
    if decision.seen == EyeVerdict.SWITCHES:
        return decision.t, -1
    return decision.t, _MERGED if decision.seen == EyeVerdict.MERGES else _NOT_SEEN
