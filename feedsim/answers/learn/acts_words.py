"""What a program does otherwise than its settings say, in words."""

from __future__ import annotations

import math
from collections.abc import Iterator

from feedsim.answers.learn.study.act_rows import ProgramFault
from feedsim.answers.learn.study.program import ProgramRead
from feedsim.render.wording import counted

__all__ = ["fault_words", "program_words"]

_ACTS = {"closings": "closing", "openings": "opening", "all": "act"}
_ELSE = {
    "late_by_ticks": "whole ticks",
    "count_scale": "a wrong count scale",
    "lead_sign": "a lead with the wrong sign",
    "offset": "another distance or lead typed in",
}


def program_words(read: ProgramRead, names: list[str], *, virtual: bool) -> Iterator[str]:
    """Yield what is to be said of the program in one log, a sentence or a few each.

    Parameters
    ----------
    names : list of str
        Of the feeders.
    virtual : bool
        The master has no counts: lengths are in mm.
    """
    yield from (fault_words(fault, names, virtual=virtual) for fault in read.faults)
    if not read.faults and read.judged:
        yield (
            f"All {counted(read.judged, 'act')} judged, of {counted(read.marks, 'mark')}, lie "
            "where these settings may have them."
        )
    yield from read.not_judged
    if not read.judged and not read.not_judged and not read.faults:
        yield "There was no act to judge."


_SAID = {
    "late_by_ticks": "{act} {by} than these settings ask for: {ticks}, {share}.",
    "count_scale": (
        "{act} {by} than these settings ask for: a wrong count scale, distances run {ratio:.4f} "
        "times as long as they are set, {share}."
    ),
    "lead_sign": "{act} {by} than these settings ask for: its lead has the wrong sign, {share}.",
    "offset": "{act} {by} than these settings ask for: another distance or lead, {share}.",
    "drift": "{act} off its point: acts drift by {drift:+.3g} ms an hour, {share}.",
    "sporadic": "{act} {by} than these settings ask for; so did {share}{after}.",
    "marks_lost": (
        "The mark of {at}{where} was lost: the feeder was ready, and nothing closed; {share} were."
    ),
    "marks_twice": "{act} once more, for a mark that had been acted on; so did {share}.",
    "order_swapped": "{act} for a mark whose follower had been served first; so did {share}.",
    "no_mark": "{act} without an edge at its eye; so did {share}.",
    "not_asked": "{act} where these settings let the carrier go by; so did {share}.",
}


def fault_words(fault: ProgramFault, names: list[str], *, virtual: bool) -> str:
    """Say what the program does otherwise, by its first example and how often."""
    where = f" of {names[fault.feeder]}" if len(names) > 1 else ""
    what = "mark" if fault.pattern == "marks_lost" else _ACTS[fault.acts]
    at = f"{fault.first_at} (row {fault.first_row})"
    does = "opened" if fault.acts == "openings" else "closed"
    said = _SAID[fault.pattern].format(
        act=f"At {at} the clutch{where} {does}",
        at=at,
        where=where,
        by=_by(fault, virtual),
        share=f"{counted(fault.count, what)} of {fault.judged:,}",
        ticks=f"{counted(abs(fault.ticks), 'whole tick')} {'late' if fault.ticks > 0 else 'early'}",
        ratio=fault.ratio,
        drift=fault.drift_s_per_hour * 1e3,
        after=f", nearly each after {fault.after}" if fault.after else "",
    )
    alike = [
        "another number of them" if name == fault.pattern else _ELSE[name]
        for name in fault.or_else
        if name in _ELSE
    ]
    or_else = f" In this log {' or '.join(alike)} would look the same." if alike else ""
    return said + or_else


def _by(fault: ProgramFault, virtual: bool) -> str:
    if math.isnan(fault.late_s):
        return ""
    way = "later" if fault.late_s > 0.0 else "earlier"
    size = abs(fault.late_counts)
    counts = f"{size:.3g} mm" if virtual else counted(round(size), "count")
    return f"{counts} ({abs(fault.late_s) * 1e3:.3g} ms) {way}"
