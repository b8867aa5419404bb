"""What logs say of a machine, for a terminal."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator

from feedsim.answers.learn.acts_words import program_words
from feedsim.answers.learn.study.figures import Learned
from feedsim.answers.learn.study.laws import GoodnessOfFit
from feedsim.answers.learn.study.learned import ArrivalFound, Learning
from feedsim.quantities import Kind, System, display, display_unit
from feedsim.render.layout import items, table, wrapped
from feedsim.render.wording import DASH, counted, number, time

__all__ = ["learned_text", "range_text", "value_text"]

_NAMED = re.compile(r" in \S+$")
_VERDICTS = {"agrees": "agrees", "differs": "DIFFERS"}
_PLACES = 6
_SHOWN_REMARKS = 6
_KINDS: dict[str, Kind] = {
    "length": "length",
    "speed": "speed",
    "share": "share",
    "time": "time",
    "rate": "rate",
}
_ASKED = {"rate": ("1/s", 1.0), "ratio": ("", 1.0), "time": ("ms", 1e3), "share": ("%", 100.0)}


def _unit(kind: str, units: System) -> tuple[str, float]:
    """Return the unit in which a kind is shown and how many of it are one internal unit."""
    if kind in _ASKED:
        return _ASKED[kind]
    unit = display_unit(_KINDS[kind], units)
    return unit.label, unit.factor


def _places(row: Learned, factor: float) -> int:
    """Return to how many decimal places a figure is worth telling: two digits of its interval."""
    ends = [end for end in (row.low, row.high) if end is not None and math.isfinite(end)]
    half = 0.5 * factor * (max(ends) - min(ends)) if len(ends) == 2 else 0.0
    if half <= 0.0:
        return _PLACES - 2
    return min(_PLACES, max(0, 1 - math.floor(math.log10(half))))


def value_text(row: Learned, units: System) -> str:
    """Write what was learned, with its unit; a dash where nothing was."""
    if row.value is None:
        return DASH
    label, factor = _unit(row.kind, units)
    return f"{number(row.value * factor, _places(row, factor))} {label}".rstrip()


def range_text(row: Learned, units: System) -> str:
    """Write the interval, or what bounds there are; empty where there are none."""
    label, factor = _unit(row.kind, units)
    places = _places(row, factor) if row.value is not None else 3
    low, high = (
        None if end is None or not math.isfinite(end) else number(end * factor, places)
        for end in (row.low, row.high)
    )
    if row.value is not None:
        return f"{low or DASH} to {high or DASH}"
    if high is not None:
        return f"at most {high} {label}".rstrip()
    return ""


def _scenario_text(row: Learned, units: System) -> str:
    if row.scenario is None:
        return DASH
    if row.kind == "ratio":
        return f"{row.scenario:.6g}"
    if not math.isfinite(row.scenario):
        return "infinite"
    if row.kind == "share" and row.scenario == 0.0:
        return "none"
    return display(row.scenario, _KINDS[row.kind], units=units, digits=6)


def learned_text(found: Learning, *, units: System) -> str:
    """Return what logs say of a machine."""
    lines = [found.title]
    for log in found.logs:
        shape = f"{log.shape}, {time(log.seconds)}, {counted(log.carriers, 'carrier')}"
        lines.append(f"Log {log.file}: {shape}")
        lines += items(log.remarks[:_SHOWN_REMARKS])
        if len(log.remarks) > _SHOWN_REMARKS:
            lines.append(f"  and {len(log.remarks) - _SHOWN_REMARKS} more, in learn.json")
        if log.not_read:
            lines += wrapped(f"Columns not read: {', '.join(log.not_read[:8])}", "  ")
    for name, rows in _groups(found):
        told = [row for row in rows if row.value is not None]
        if told:
            lines += ["", name, *_table(told, units)]
        if name == "Carriers" and found.arrival is not None:
            lines += _law_words(found.arrival)
    lines += ["", *_program(found), "", *_untold(found, units), "", *_ending(found)]
    return "\n".join(lines)


def _program(found: Learning) -> Iterator[str]:
    yield "Program beside its settings"
    names = [feeder.name for feeder in found.scenario.feeder]
    virtual = found.machine.encoder.count_mm == 0.0
    for read in found.program:
        if len(found.program) > 1:
            yield f"Log {read.file}:"
        yield from items(program_words(read, names, virtual=virtual))


def _groups(found: Learning) -> Iterator[tuple[str, list[Learned]]]:
    """Yield the rows under their heads."""
    groups: dict[str, list[Learned]] = {}
    feeders = [feeder.name for feeder in found.scenario.feeder]
    for row in found.learned:
        head = "Line and controller" if row.part == "line" else "Carriers"
        if row.feeder >= 0:
            head = feeders[row.feeder]
        groups.setdefault(head, []).append(row)
    yield from groups.items()


def _table(rows: list[Learned], units: System) -> list[str]:
    head = ("", "in the log", "95 %", "scenario", "")
    cells = [
        (
            row.what,
            value_text(row, units),
            range_text(row, units),
            _scenario_text(row, units),
            _VERDICTS[row.verdict] if row.scenario is not None or row.verdict == "differs" else "",
        )
        for row in rows
    ]
    lines = table([head, *cells], "lrrrl")
    notes: dict[str, list[str]] = {}
    for row in rows:
        if row.why:
            notes.setdefault(row.why, []).append(_NAMED.sub("", row.what))
    told = (f"{', '.join(dict.fromkeys(names))}: {why}" for why, names in notes.items())
    return [*lines, *(line for note in told for line in wrapped(note, "    "))]


def _law_words(arrival: ArrivalFound) -> Iterator[str]:
    law, has = arrival.found, arrival.scenario
    if law.law is None:
        yield from wrapped(f"Which law carriers come by cannot be told: {law.why}.", "  ")
        return
    verdict = {True: "as the scenario has it", False: f"the scenario DIFFERS: {has}", None: ""}
    named = {
        "paced": "They come paced (normal pitches)",
        "random": "They come at random (exponential gaps behind a smallest one)",
        "none": f"They come by no law that feedsim knows: {law.why}",
    }[law.law]
    tests = ", ".join(
        f"{name} {_chance(test)}"
        for name, test in (("normal", law.paced), ("exponential", law.random))
        if test is not None
    )
    tested = f" (Anderson and Darling: {tests})" if tests else f" ({law.why})" if law.why else ""
    ending = verdict[arrival.agrees]
    yield from wrapped(f"{named}{tested}{'; ' if ending else ''}{ending}.", "  ")


def _chance(test: GoodnessOfFit) -> str:
    return "p under 0.001" if test.chance < 1e-3 else f"p {test.chance:.2g}"


def _untold(found: Learning, units: System) -> Iterator[str]:
    """Say what cannot be told, one reason after the other."""
    yield "Cannot be told"
    reasons: dict[str, list[str]] = {}
    several = len(found.scenario.feeder) > 1
    for row in found.learned:
        if row.verdict != "untold":
            continue
        bound = range_text(row, units)
        whose = (
            f" of {found.scenario.feeder[row.feeder].name}" if several and row.feeder >= 0 else ""
        )
        reasons.setdefault(row.why, []).append(f"{row.what}{whose}{f' ({bound})' if bound else ''}")
    for why, names in reasons.items():
        yield from items([f"{', '.join(names)}: {why}."])


def _ending(found: Learning) -> Iterator[str]:
    if (there := found.placements) is not None:
        measured = f"{counted(there.placed, 'placement')} and {counted(there.staged, 'stage')}"
        at = f"{there.file} ({measured} at {counted(there.speeds, 'speed')})"
        told = ", ".join(there.added)
        yield from wrapped(
            f"Added by {at}: {told}."
            if told
            else f"{at} adds nothing: it takes placements and stages at two speeds or more."
        )
    rows = found.differing
    if rows:
        names = ", ".join(dict.fromkeys(_NAMED.sub("", row.what) for row in rows))
        yield from wrapped(
            f"The scenario has it otherwise than the log: {names}. --write puts in what the log "
            "has."
        )
    else:
        yield from wrapped("Nothing in the log is otherwise than the scenario has it.")
    if found.placements is None:
        yield from wrapped(
            "What no log shows, measured placements do: feedsim trial plan, then trial fit."
        )
