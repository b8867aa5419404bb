"""Whether a tune would help another answer's line, and the command for it."""

from __future__ import annotations

from collections.abc import Sequence

from feedsim.answers.limit.study.turned import Helping, helping
from feedsim.measures import parse
from feedsim.quantities import System, display, listed
from feedsim.scenario import Scenario

_BEYOND = 1.001
_MOST = 3
_AROUND = (0.5, 1.5)


def tune_words(scenario: Scenario, refused_mm_s: float | None, *, units: System = "metric") -> str:
    """Name what could be chosen better at the speed where the closed forms begin to refuse a line.

    Empty if there is no such speed, or no usual value gives more room there.
    """
    if not refused_mm_s:
        return ""
    knobs = scenario.tune.knob if scenario.tune is not None else ()
    keys = [knob.key for knob in knobs] or None
    found = sorted(helping(scenario, _BEYOND * refused_mm_s, keys=keys), key=lambda h: h.times)
    if not found:
        return ""
    told = [f"{one.key} {_side(one)} {_said(one.now, one, units)}" for one in found[:_MOST]]
    ask = "feedsim tune" if keys else f"feedsim tune {' '.join(_options(found[:_MOST], units))}"
    return f"There is more room with {listed(told, 'or')}. To find the best: {ask}"


def _side(one: Helping) -> str:
    return "above" if parse(one.better, one.kind) > parse(one.now, one.kind) else "below"


def _said(text: str, one: Helping, units: System) -> str:
    return display(parse(text, one.kind), one.kind, units=units, digits=4)


def _options(found: Sequence[Helping], units: System) -> list[str]:
    """Write a range for each, from half to one and a half times, as an option."""
    options = []
    for one in found:
        size = parse(one.now, one.kind)
        low, high = (display(by * size, one.kind, units=units, digits=3) for by in _AROUND)
        first, _, unit = low.partition(" ")
        same = high.endswith(f" {unit}")
        ends = f"{first}:{high}" if same else f"{low}:{high}"
        options.append(f'--knob "{one.key}={ends}"')
    return options
