"""A tune in words: the verdict, what each change buys, and how much each choice can bear."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import get_args

from feedsim.answers.tune.study.after import ChangeWorth, FrontPoint, KnobWindow, Reach, Tuning
from feedsim.answers.tune.study.knob import along
from feedsim.answers.tune.study.results import LESS_IS_BETTER, Chosen, Tuned
from feedsim.answers.tune.study.space import space_of
from feedsim.answers.tune.words import (
    FIGURES,
    against,
    aim_words,
    gain,
    gained,
    judged_words,
    number_of,
    same,
    shown,
    unit_of,
)
from feedsim.criteria import Figure
from feedsim.metrics.percent import DASH, percent
from feedsim.quantities import System, whole
from feedsim.render.layout import table, wrapped
from feedsim.render.wording import counted, length, number, speed
from feedsim.running.run import criteria_of

_FEW = 3
_FEW_CASES = 10.0


def tune_text(found: Tuning, *, units: System) -> str:
    """Return the answer, to fit one screen."""
    lines = [found.title, *wrapped(aim_words(found, units)), ""]
    if not found.feasible:
        return "\n".join([*lines, *_nothing(found, units)])
    lines += _verdict(found, units)
    lines += ["", *_knobs(found, units), *_notes(found)]
    lines += ["", *_windows(found, units)]
    if found.unsure:
        lines += ["", *_unsure(found, units)]
    lines += ["", *_fronts(found, units)]
    return "\n".join(lines)


def _nothing(found: Tuned, units: System) -> Iterator[str]:
    near = found.nearest
    yield "NOT ACCEPTED: no setup of these is."
    if near is None:
        return
    if not near.figure:
        yield from wrapped("No line is possible with any of the values given.")
        return
    at = f" at {speed(near.speed_mm_s, units)}" if near.speed_mm_s else ""
    there = f"{FIGURES[near.figure]} {percent(near.share)}{at} in closed form"
    if near.share > near.limit:
        most = percent(near.limit)
        said = f"The nearest setup: {there}; {most} is allowed."
    else:
        said = (
            f"In closed form these would be accepted ({there}), but no simulation has shown it: "
            f"run more carriers (tune.carriers)."
        )
    yield from wrapped(said)
    names = [knob.key for knob in found.knobs]
    yield from table(
        [(name, shown(text, units)) for name, text in zip(names, near.values, strict=True)], "lr"
    )


def _verdict(found: Tuned, units: System) -> Iterator[str]:
    best, now = found.best, found.now
    at = speed(best.verdict_speed_mm_s, units) if best.verdict_speed_mm_s else "no speed"
    said = {
        "accepted": f"ACCEPTED at {at}, for sure at 95 %",
        "refused": f"NOT ACCEPTED at {at}, for sure at 95 %",
        "open": f"NOT DECIDED at {at}",
    }[best.verdict]
    fresh = f"on {whole(best.carriers)} fresh carriers that the search never saw"
    if best.drawn is not None:
        part = f"{best.drawn.accepted} of {counted(best.drawn.drawn, 'machine')} drawn"
        fresh = f"for {part}, {fresh}"
    yield from wrapped(f"{said}, {fresh}.")
    name = {"speed": "Highest speed", "jam_risk": "Jam risk", "spread": "Spread (sd)"}
    rows = [(name.get(found.aim, "Narrowest window"), f"now {judged_words(now, found, units)}")]
    rows.append(("", f"best {judged_words(best, found, units)}"))
    if found.best_robust is not None:
        one, other = (
            judged_words(j, found, units) for j in (found.now_nominal, found.best_nominal)
        )
        rows[:0] = [("As believed", f"now {one}"), ("", f"best {other}")]
        rows[2] = ("For what is unsure", rows[2][1])
    yield from table(rows, "l")
    yield from _gains(found, units)
    yield from _few_cases(found)


def _few_cases(found: Tuned) -> Iterator[str]:
    """Say if each drawn machine ran too few carriers to tell whether it is accepted."""
    tune, criteria = found.scenario.tune, criteria_of(found.scenario)
    if tune is None or not found.unsure:
        return
    rarest = min(get_args(Figure), key=criteria.largest)
    cases = tune.carriers * criteria.largest(rarest)
    if cases < _FEW_CASES - 1e-9:
        yield from wrapped(
            f"Each machine drawn ran {whole(tune.carriers)} carriers, of which {number(cases, 1)} "
            f"may be {FIGURES[rarest]}: with so few, a machine well beyond its limit may pass. "
            "Run more of them (tune.carriers)."
        )


def _gains(found: Tuned, units: System) -> Iterator[str]:
    unit, told = unit_of(found.aim, units), []
    unchanged = all(same(knob.now, knob.best) for knob in found.knobs)
    if unchanged:
        told.append("no other choice is better than the present setup")
    elif found.gain is not None:
        together = gained(found.gain, found.gain_interval, found.aim, units)
        told.append(f"all changes together: {together}")
    if said := against(found):
        told.append(said)
    if found.price_of_not_knowing is not None:
        price = _with_interval(found.price_of_not_knowing, found.price_interval, found, units)
        told.append(f"not knowing costs {price.replace('+', '')} {unit}")
    if found.best.price:
        told.append(f"the changes cost {number(found.best.price, 2).removesuffix('.00')}")
    if told:
        text = "; ".join(told)
        yield from wrapped(f"{text[0].upper()}{text[1:]}.")


def _with_interval(value: float, interval: object, found: Tuned, units: System) -> str:
    text = gain(value, found.aim, units)
    if isinstance(interval, tuple) and len(interval) == 2:
        low, high = (gain(end, found.aim, units) for end in interval)
        text += f" (95 %: {low} to {high})"
    return text


def _knobs(found: Tuning, units: System) -> list[str]:
    """Return a row for each knob: now, best, and what that buys."""
    terms = {term.key: term for term in found.terms}
    less = " less" if found.aim in LESS_IS_BETTER else ""
    head = ("", "now", "best", f"buys ({unit_of(found.aim, units)}{less}; 95 %)")
    rows = [
        (
            knob.key,
            shown(knob.now, units),
            shown(knob.best, units),
            _only_now_possible(knob, found) or _buys(knob, terms, found, units),
        )
        for knob in found.knobs
    ]
    return table([head, *rows], "lrrl")


def _only_now_possible(knob: Chosen, found: Tuning) -> str:
    """Say that no other value of a knob makes a line, the others as in the best setup."""
    window = next((one for one in found.windows if one.key == knob.key), None)
    if window is None or not same(knob.now, knob.best):
        return ""
    now = number_of(knob.now)
    others = [t for v, t in zip(window.values, window.times, strict=True) if v != now]
    if not others or any(map(math.isfinite, others)):
        return ""
    number = [one.key for one in found.knobs].index(knob.key)
    every = len(along(space_of(found.scenario).knobs[number])) == len(window.values)
    return "none of its values is possible" if every else "none looked at is possible"


def _buys(knob: Chosen, terms: dict[str, ChangeWorth], found: Tuning, units: System) -> str:
    if not knob.matters:
        return "does not matter"
    term = terms.get(knob.key)
    if term is None:
        return "stays"
    if not term.possible:
        return "cannot be taken back alone"
    if term.worth is None:
        return "without it nothing is accepted" if term.without is None else DASH
    text = gain(term.worth, found.aim, units)
    if term.interval is not None:
        low, high = (gain(end, found.aim, units) for end in term.interval)
        text += f" ({low} to {high})"
        if not term.told_apart:
            text += ", perhaps nothing"
    return text


def _notes(found: Tuning) -> Iterator[str]:
    if found.terms and found.aim != "window":
        kind = "as believed, " if found.unsure else ""
        yield from wrapped(
            f"Each change taken back alone, {kind}with the same random numbers: the worths do not "
            f"sum to the whole."
        )


def _windows(found: Tuning, units: System) -> Iterator[str]:
    if not found.windows:
        return
    at = speed(found.windows[0].line_speed_mm_s, units)
    head = (f"Accepted at {at}", "others held", "others re-tuned", "refused beyond by")
    rows = [
        (w.key, _span(w, units), _reach(w, w.retuned, units), _binds(w.held)) for w in found.windows
    ]
    yield from table([head, *rows], "l")
    if any(window.simulated for window in found.windows):
        yield "Others held: as simulated; re-tuned: in closed form."
    else:
        yield f"Both in closed form{', for what is unsure' if found.unsure else ''}."


def _span(window: KnobWindow, units: System) -> str:
    if window.held.accepted:
        return _words(window.held, units)
    return _from_to(window, window.low, window.high, units)


def _reach(window: KnobWindow, reach: Reach, units: System) -> str:
    if reach.accepted:
        return _words(reach, units)
    return _from_to(window, reach.low, reach.high, units)


def _words(reach: Reach, units: System) -> str:
    return ", ".join(shown(text, units) for text in reach.accepted)


def _from_to(window: KnobWindow, low: str | None, high: str | None, units: System) -> str:
    if low is None or high is None:
        return "nothing"
    if (low, high) == window.had:
        return "the whole range"
    one, other = shown(low, units), shown(high, units)
    if low == high:
        return f"{one} alone"
    if one.split(" ")[-1] == other.split(" ")[-1]:
        one = one.rsplit(" ", 1)[0]
    return f"{one} to {other}"


def _binds(reach: Reach) -> str:
    low, high = reach.binds
    if low is None and high is None:
        return ""
    return f"{low or DASH} / {high or DASH}"


def _unsure(found: Tuned, units: System) -> Iterator[str]:
    told = [
        f"{one.key} {gain(one.gain, found.aim, units).removeprefix('+')} "
        f"{unit_of(found.aim, units)}"
        for one in found.unsure[:_FEW]
        if one.gain is not None and one.gain > 0.0
    ]
    if not told:
        yield from wrapped("Knowing any one unsure value for sure would gain nothing.")
        return
    yield from wrapped(f"Measure first what costs most while unknown: {', then '.join(told)}.")


def _fronts(found: Tuning, units: System) -> Iterator[str]:
    """Yield a few speeds, each with its least jam risk and least spread."""
    if len(found.fronts) < 2:
        return
    risk, spread = found.fronts
    last = len(risk.points) - 1
    rows = [("At", "least jam risk", "now", "least sd", "now")]
    for place in sorted({0, (last + 1) // 2, last}):
        one, other = risk.points[place], spread.points[place]
        before, spreads = risk.now[place], spread.now[place]
        rows.append(
            (
                speed(one.line_speed_mm_s, units),
                _risk(one),
                _risk(before),
                length(other.value, units),
                length(spreads.value, units),
            )
        )
    yield from table(rows, "r")


def _risk(point: FrontPoint) -> str:
    if point.value == 0.0 and point.interval is not None:
        return f"< {percent(point.interval.high, digits=2)}"
    return percent(point.value, point.interval)
