"""What logs say about a machine, for a terminal."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator

from feedsim.answers.learn.acts_words import program_words, totals_words
from feedsim.answers.learn.study.figures import ACTS, Learned
from feedsim.answers.learn.study.laws import GoodnessOfFit
from feedsim.answers.learn.study.learned import ArrivalFound, Learning
from feedsim.answers.learn.study.program import ProgramRead
from feedsim.logs.names import hint_of
from feedsim.metrics.percent import DASH
from feedsim.quantities import Kind, System, display, display_unit
from feedsim.render.layout import items, table, wrapped
from feedsim.render.wording import counted, number, time

_NAMED = re.compile(r" in log( \d+)?( from .+)?$")
_VERDICTS = {"agrees": "agrees", "differs": "DIFFERS"}
_PLACES = 6
_SHOWN_REMARKS = 6
_BY_TICKS = {"late_by_ticks", "sporadic"}
_UNKNOWN_TICKS = (
    "The log does not show the motion cycle, so this takes the scenario's. Where the machine's is "
    "longer, its acts come late without any other fault."
)
_KINDS: dict[str, Kind] = {
    "length": "length",
    "speed": "speed",
    "share": "share",
    "time": "time",
    "rate": "rate",
}
_ASKED = {"rate": ("1/s", 1.0), "ratio": ("", 1.0), "time": ("ms", 1e3), "share": ("%", 100.0)}


def _unit(kind: str, units: System) -> tuple[str, float]:
    """Return the unit in which a kind is shown, and its factor from the internal unit."""
    if kind in _ASKED:
        return _ASKED[kind]
    unit = display_unit(_KINDS[kind], units)
    return unit.label, unit.factor


def _places(row: Learned, factor: float) -> int:
    """Return how many decimal places show two digits of a figure's interval."""
    ends = [end for end in (row.low, row.high) if end is not None and math.isfinite(end)]
    half = 0.5 * factor * (max(ends) - min(ends)) if len(ends) == 2 else 0.0
    if half <= 0.0:
        return _PLACES - 2
    return min(_PLACES, max(0, 1 - math.floor(math.log10(half))))


def value_text(row: Learned, units: System) -> str:
    """Write what was learned, with its unit; a dash for nothing."""
    if row.value is None:
        return DASH
    label, factor = _unit(row.kind, units)
    return f"{number(row.value * factor, _places(row, factor))} {label}".rstrip()


def range_text(row: Learned, units: System) -> str:
    """Write the interval or bounds; empty for none."""
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
    """Return what logs say about a machine."""
    lines = [found.title]
    for place, log in enumerate(found.logs, 1):
        shape = f"{log.shape}, {time(log.seconds)}, {counted(log.carriers, 'carrier')}"
        lines += wrapped(f"{_log(found, place)}: {shape}")
        lines += items(log.remarks[:_SHOWN_REMARKS])
        if len(log.remarks) > _SHOWN_REMARKS:
            lines.append(f"  and {len(log.remarks) - _SHOWN_REMARKS} more, in learn.json")
        if log.not_read:
            names = [feeder.name for feeder in found.scenario.feeder]
            others = [
                f"{other} ({hint})" if (hint := hint_of(other, names)) else other
                for other in log.not_read[:8]
            ]
            lines += wrapped(f"Columns not read: {', '.join(others)}", "  ")
    for name, rows in _groups(found):
        told = [row for row in rows if row.value is not None]
        if told:
            lines += ["", name, *_table(told, units)]
        if name == "Carriers" and found.arrival is not None:
            lines += _law_words(found.arrival)
    lines += ["", *_program(found, units), "", *_untold(found, units), "", *_ending(found)]
    return "\n".join(lines)


def _log(found: Learning, place: int) -> str:
    """Return a log's name, with the number by which the rows refer to it."""
    file = found.logs[place - 1].file
    return f"Log {file}" if len(found.logs) == 1 else f"Log {place}, {file}"


def beside_text(found: Learning, *, units: System) -> str:
    """Return what logs and measured placements show together, to print below a trial's fit."""
    rows = [row for row in found.learned if row.placed]
    files = ", ".join(log.file for log in found.logs)
    lines = [
        *wrapped(f"With {files}: what no settings show"),
        *(_table(rows, units) if rows else []),
    ]
    return "\n".join([*lines, "", *_ending(found)])


def _program(found: Learning, units: System) -> Iterator[str]:
    yield "Program beside its settings"
    names = [feeder.name for feeder in found.scenario.feeder]
    virtual = found.machine.encoder.count_mm == 0.0
    for place, read in enumerate(found.program, 1):
        if len(found.program) > 1:
            yield f"{_log(found, place)}:"
        yield from items(
            program_words(read, names, virtual=virtual, several=len(found.program) > 1)
        )
        yield from items(_shifted(found, read, place, units))
    yield from items(totals_words(found.program, names))
    yield from items(_settings_that_fit(found, units))
    ticks = found.of_line("controller.motion_cycle")
    if ticks is None and any(
        fault.pattern in _BY_TICKS for read in found.program for fault in read.faults
    ):
        yield from items([_UNKNOWN_TICKS])


def _shifted(found: Learning, read: ProgramRead, place: int, units: System) -> Iterator[str]:
    """Say which acts are off only on average."""
    several = len(found.scenario.feeder) > 1
    for travel, row in found.travels:
        if row.verdict != "differs" or travel.log != place:
            continue
        if row.value is None or row.scenario is None:
            continue
        act = ACTS[travel.side]
        if any(
            fault.feeder == row.feeder and fault.acts in {f"{act}s", "all"} for fault in read.faults
        ):
            continue
        whose = f" of {found.scenario.feeder[row.feeder].name}" if several else ""
        by = display(abs(row.value - row.scenario), "length", units=units, digits=3)
        way = "later" if row.value > row.scenario else "earlier"
        yield (
            f"On average {act}s{whose} come {by} {way} than these settings ask for (travel from "
            f"edge to {act}, above): too little to show in a single act."
        )


def _settings_that_fit(found: Learning, units: System) -> Iterator[str]:
    """Say which distance and lead fit the acts of all logs, if a travel differs."""
    differing = [(row.feeder, t.side) for t, row in found.travels if row.verdict == "differs"]
    for feeder, side in dict.fromkeys(differing):
        distance, lead, _ = found.side(feeder, side)
        if distance.value is None or lead.value is None:
            continue
        yield (
            f"All logs together: {ACTS[side]}s are those of {side} distance "
            f"{value_text(distance, units)} and lead {value_text(lead, units)}; the scenario has "
            f"{_scenario_text(distance, units)} and {_scenario_text(lead, units)}."
        )


def _groups(found: Learning) -> Iterator[tuple[str, list[Learned]]]:
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
        yield from wrapped(f"The logs do not show the arrival law: {law.why}.", "  ")
        return
    verdict = {True: "as in the scenario", False: f"the scenario DIFFERS: {has}", None: ""}
    named = {
        "paced": "They come paced (normal pitches)",
        "random": "They come at random (exponential gaps behind a smallest one)",
        "none": f"They follow no law that feedsim knows: {law.why}",
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
    """Say what the logs do not show, by reason."""
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
            f"The scenario differs from the log in: {names}. --write takes the log's values."
        )
    else:
        yield from wrapped("Nothing in the log differs from the scenario.")
    if found.placements is None:
        yield from wrapped(
            "What no log shows, measured placements do: feedsim trial plan, then trial fit."
        )
