"""What each knob halved would buy, as a table."""

from __future__ import annotations

from collections.abc import Sequence

from feedsim.answers.budget.study.what_if import Outcome
from feedsim.answers.budget.text import table, wrapped
from feedsim.quantities import System, display, display_unit, parse
from feedsim.render.wording import DASH, length_number
from feedsim.scenario import Scenario

__all__ = ["what_if_text"]

_SAME = 1e-3
_SAID = {"false": "off", "true": "on"}


def what_if_text(
    scenario: Scenario,
    as_it_is: Outcome,
    turned: Sequence[Outcome],
    *,
    speed_mm_s: float,
    units: System = "metric",
) -> str:
    """Return the table, what raises the limit most first, and what does nothing in a line.

    Parameters
    ----------
    scenario : Scenario
    as_it_is, turned
        As :func:`feedsim.answers.budget.study.what_if.what_if` returns them.
    speed_mm_s : float
        Of the spreads.
    units : {"metric", "inch"}
        Units of everything that is written.
    """
    unit, per = display_unit("length", units).label, display_unit("speed", units).label
    heads = ("", "from", "to", f"sd ({unit})", f"limit ({per})", "gain", "binds then")
    idle = [outcome for outcome in turned if _idle(outcome, as_it_is)]
    rows = [heads, _row(scenario, as_it_is, as_it_is, units)]
    rows += [_row(scenario, one, as_it_is, units) for one in turned if one not in idle]
    at = display(speed_mm_s, "speed", units=units)
    several = ", feeder by feeder," if len(scenario.feeder) > 1 else ""
    lines = wrapped(
        f"What if each knob in turn were half as bad, or switched over: the standard deviation at "
        f"{at}{several} and the highest accepted speed in closed form"
    )
    lines += table(_aligned(rows), left=3)
    if idle:
        names = ", ".join(outcome.change.key for outcome in idle if outcome.change)
        lines += wrapped(f"Of no use here: {names}.")
    return "\n".join([*lines, *wrapped(_best(scenario, as_it_is, turned, units))])


def _best(scenario: Scenario, as_it_is: Outcome, turned: Sequence[Outcome], units: System) -> str:
    """Say what to spend on for speed."""
    before = as_it_is.limit_speed_mm_s
    if before is None:
        return "Nothing limits the speed in closed form."
    now = _binds(scenario, as_it_is)
    best = turned[0] if turned else as_it_is
    limit, change = best.limit_speed_mm_s, best.change
    if change is None or (limit is not None and limit <= before * (1.0 + _SAME)):
        return f"None of them makes the line faster: {now} binds."
    shown = "any speed" if limit is None else display(limit, "speed", units=units)
    text = (
        f"To run faster, spend on {change.key}: {_value(best, 'after', units)} allows {shown} in "
        f"place of {display(before, 'speed', units=units)}"
    )
    then = _binds(scenario, best)
    return f"{text}; {then} binds then." if then else f"{text}."


def _binds(scenario: Scenario, outcome: Outcome) -> str:
    """Name the mechanism that binds, with the feeder's table where there are several."""
    if outcome.binding is None:
        return ""
    number, mechanism = outcome.binding
    return f"{mechanism} (feeder.{number})" if len(scenario.feeder) > 1 else mechanism


def _aligned(rows: Sequence[tuple[str, ...]]) -> list[tuple[str, ...]]:
    """Pad the last column, so that a table that sets it to the right leaves it to the left."""
    widest = max(len(row[-1]) for row in rows)
    return [(*row[:-1], row[-1].ljust(widest)) for row in rows]


def _row(scenario: Scenario, outcome: Outcome, as_it_is: Outcome, units: System) -> tuple[str, ...]:
    limit, before = outcome.limit_speed_mm_s, as_it_is.limit_speed_mm_s
    factor = display_unit("speed", units).factor
    gain = ""
    if outcome.change is not None and limit is not None and before is not None:
        gained = f"{factor * (limit - before):+.1f}"
        gain = gained if float(gained) else DASH
    return (
        outcome.change.key if outcome.change else "as it is",
        _value(outcome, "before", units),
        _value(outcome, "after", units),
        " / ".join(length_number(sd, units) for sd in outcome.combined_sd_mm),
        "none" if limit is None else f"{factor * limit:.1f}" if limit else "no speed",
        gain,
        _binds(scenario, outcome),
    )


def _value(outcome: Outcome, which: str, units: System) -> str:
    if outcome.change is None:
        return ""
    text: str = getattr(outcome.change, which)
    kind = outcome.change.kind
    if kind is None:
        return _SAID.get(text, text)
    return display(parse(text, kind), kind, units=units, digits=3)


def _idle(outcome: Outcome, as_it_is: Outcome) -> bool:
    """Tell whether a change moves neither the limit nor a spread."""
    pairs = [*zip(outcome.combined_sd_mm, as_it_is.combined_sd_mm, strict=True)]
    limit, before = outcome.limit_speed_mm_s, as_it_is.limit_speed_mm_s
    if limit is None or before is None:
        if limit is not before:
            return False
    else:
        pairs.append((limit, before))
    return all(abs(after - was) <= _SAME * was for after, was in pairs)
