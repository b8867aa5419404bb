"""What halving each knob would buy, as a table."""

from __future__ import annotations

from feedsim.answers.budget.study.what_if import ChangeEffect, TurnedKnob, WhatIf
from feedsim.answers.limit.text import refused_words
from feedsim.measures import parse
from feedsim.metrics.percent import DASH
from feedsim.quantities import System, display, display_unit
from feedsim.render.layout import table, wrapped
from feedsim.render.wording import length_number, speed

_SAME = 1e-3
_SAID = {"false": "off", "true": "on"}


def what_if_text(found: WhatIf, *, units: System = "metric") -> str:
    """Return the table, the largest gain first; one line names the knobs that do nothing."""
    as_it_is = found.as_it_is
    unit, per = display_unit("length", units).label, display_unit("speed", units).label
    heads = ("", "change", f"sd ({unit})", f"limit ({per})", "gain", "binds then")
    idle = [outcome for outcome in found.changes if _idle(outcome, as_it_is)]
    rows = [heads, _row(as_it_is, units)]
    rows += [_row(one, units) for one in found.changes if one not in idle]
    several = ", feeder by feeder," if len(as_it_is.combined_sd_mm) > 1 else ""
    lines = wrapped(
        f"What if each knob in turn were half as bad, or switched over: the standard deviation at "
        f"{speed(found.line_speed_mm_s, units)}{several} and the highest accepted speed in closed "
        f"form"
    )
    lines += table(rows, "llrrrl")
    if idle:
        names = ", ".join(outcome.change.key for outcome in idle if outcome.change)
        lines += wrapped(f"No effect here: {names}.")
    lines += wrapped(_best(found, units))
    looked_to = found.complete_to_mm_s
    refused = refused_words(found.closed_form_refused, looked_to=looked_to, units=units)
    if refused:
        limit = speed(found.as_it_is.limit_speed_mm_s or 0.0, units)
        lines += wrapped(f"As it is, {limit} is the limit. {refused}")
    return "\n".join(lines)


def _best(found: WhatIf, units: System) -> str:
    """Say what to spend on for speed."""
    before = found.as_it_is.limit_speed_mm_s
    if before is None:
        return "Nothing limits the speed in closed form."
    best = next(iter(found.changes), found.as_it_is)
    limit, change = best.limit_speed_mm_s, best.change
    if change is None or (limit is not None and limit <= before * (1.0 + _SAME)):
        return f"None of them makes the line faster: {_binds(found.as_it_is)} binds."
    shown = "any speed" if limit is None else speed(limit, units)
    text = (
        f"To run faster, spend on {change.key}: {_value(change, change.after, units)} allows "
        f"{shown} in place of {speed(before, units)}"
    )
    then = _binds(best)
    text = f"{text}; {then} binds then." if then else f"{text}."
    return f"{text} To choose several at once, among available values: feedsim tune."


def _binds(outcome: ChangeEffect) -> str:
    """Name the mechanism that binds, with the feeder's table where there are several."""
    binding = outcome.binding
    if binding is None:
        return ""
    several = len(outcome.combined_sd_mm) > 1
    return f"{binding.mechanism} (feeder.{binding.number})" if several else binding.mechanism


def _row(outcome: ChangeEffect, units: System) -> tuple[str, ...]:
    limit, change = outcome.limit_speed_mm_s, outcome.change
    factor = display_unit("speed", units).factor
    gain = ""
    if change is not None and outcome.gain_mm_s is not None:
        gained = f"{factor * outcome.gain_mm_s:+.1f}"
        gain = gained if float(gained) else DASH
    return (
        change.key if change else "as it is",
        " -> ".join(_value(change, x, units) for x in (change.before, change.after))
        if change
        else "",
        " / ".join(length_number(sd, units) for sd in outcome.combined_sd_mm.values()),
        "none" if limit is None else f"{factor * limit:.1f}" if limit else "no speed",
        gain,
        _binds(outcome),
    )


def _value(change: TurnedKnob, text: str, units: System) -> str:
    if change.kind is None:
        return _SAID.get(text, text)
    return display(parse(text, change.kind), change.kind, units=units, digits=3)


def _idle(outcome: ChangeEffect, as_it_is: ChangeEffect) -> bool:
    """Return whether a change moves neither the limit nor a spread."""
    sds = (one.combined_sd_mm.values() for one in (outcome, as_it_is))
    pairs = [*zip(*sds, strict=True)]
    limit, before = outcome.limit_speed_mm_s, as_it_is.limit_speed_mm_s
    if limit is None or before is None:
        if limit is not before:
            return False
    else:
        pairs.append((limit, before))
    return all(abs(after - was) <= _SAME * was for after, was in pairs)
