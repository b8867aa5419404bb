"""Where a program departs from its settings, in words."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from feedsim.answers.learn.study.act_rows import ProgramFault
from feedsim.answers.learn.study.program import ProgramRead
from feedsim.metrics.percent import percent
from feedsim.render.wording import counted

_ACTS = {"closings": "closing", "openings": "opening", "all": "act"}
_COUNTED = {
    "sporadic": "off by themselves",
    "marks_lost": "marks lost",
    "marks_twice": "acted on twice",
    "order_swapped": "served in another order",
    "no_mark": "without an edge",
    "not_asked": "where these settings let the carrier pass",
}
_ELSE = {
    "late_by_ticks": "whole ticks",
    "count_scale": "a wrong count scale",
    "lead_sign": "a lead with the wrong sign",
    "offset": "another distance or lead typed in",
}


def program_words(
    read: ProgramRead, names: list[str], *, virtual: bool, several: bool = False
) -> Iterator[str]:
    """Yield the findings about the program in one log, a few sentences each.

    ``names``: of the feeders. ``virtual``: the master has no counts, lengths are in mm.
    """
    yield from (
        fault_words(fault, names, virtual=virtual, several=several) for fault in read.faults
    )
    if not read.faults and read.judged:
        yield (
            f"All {counted(read.judged, 'act')} judged, of {counted(read.marks, 'mark')}, lie "
            "where these settings allow."
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
    "marks_twice": "{act} again, for a mark that had been acted on; so did {share}.",
    "order_swapped": "{act} for a mark whose follower had been served first; so did {share}.",
    "no_mark": "{act} without an edge at its eye; so did {share}.",
    "not_asked": "{act} where these settings let the carrier pass; so did {share}.",
}


def fault_words(
    fault: ProgramFault, names: list[str], *, virtual: bool, several: bool = False
) -> str:
    """Say how the program departs from its settings, with the first example and how often.

    ``several``: there are logs at several speeds.
    """
    where = f" of {names[fault.feeder]}" if len(names) > 1 else ""
    what = "mark" if fault.pattern == "marks_lost" else _ACTS[fault.acts]
    at = f"{fault.first_at} (row {fault.first_row})"
    does = "opened" if fault.acts == "openings" else "closed"
    said = _SAID[fault.pattern].format(
        act=f"At {at} the clutch{where} {does}",
        at=at,
        where=where,
        by=_by(fault, virtual),
        share=share_words(fault.count, fault.judged, what),
        ticks=f"{counted(abs(fault.ticks), 'whole tick')} {'late' if fault.ticks > 0 else 'early'}",
        ratio=fault.ratio,
        drift=fault.drift_s_per_hour * 1e3,
        after=_after(fault),
    )
    alike = [
        "another number of them" if name == fault.pattern else _ELSE[name]
        for name in fault.or_else
        if name in _ELSE
    ]
    or_else = f" In this log {' or '.join(alike)} would look the same." if alike else ""
    if several and alike:
        or_else = f" In these logs {' or '.join(alike)} would look the same."
    if not math.isnan(fault.fits_cycle_s):
        or_else += (
            f" These {'acts' if fault.acts == 'all' else fault.acts} fit a motion cycle of "
            f"{fault.fits_cycle_s * 1e3:.2g} ms or a little more."
        )
    if fault.here_alone:
        or_else += " Another log at this speed does not show it: was something changed in between?"
    return said + or_else


def share_words(count: int, judged: int, what: str) -> str:
    """Say how many of how many: "8 closings of 200 (4 %)"."""
    return f"{counted(count, what)} of {judged:,} ({percent(count / judged)})"


def _after(fault: ProgramFault) -> str:
    if not fault.after:
        return ""
    many = "each" if fault.after_count == fault.count else f"{fault.after_count} of them"
    return f", {many} after {fault.after}"


def totals_words(program: Sequence[ProgramRead], names: list[str]) -> Iterator[str]:
    """Yield the totals of findings counted in several logs."""
    totals: dict[tuple[str, int, str], list[tuple[int, int]]] = {}
    for read in program:
        for fault in read.faults:
            if fault.pattern in _COUNTED:
                key = fault.pattern, fault.feeder, fault.acts
                totals.setdefault(key, []).append((fault.count, fault.judged))
    for (pattern, feeder, acts), each in totals.items():
        if len(each) < 2:
            continue
        where = f" of {names[feeder]}" if len(names) > 1 else ""
        what = "mark" if pattern == "marks_lost" else _ACTS[acts]
        count, judged = (sum(column) for column in zip(*each, strict=True))
        share = share_words(count, judged, what)
        yield f"All logs together{where}: {_COUNTED[pattern]}, {share}."


def _by(fault: ProgramFault, virtual: bool) -> str:
    if math.isnan(fault.late_s):
        return ""
    way = "later" if fault.late_s > 0.0 else "earlier"
    size = abs(fault.late_counts)
    counts = f"{size:.3g} mm" if virtual else counted(round(size), "count")
    return f"{counts} ({abs(fault.late_s) * 1e3:.3g} ms) {way}"
