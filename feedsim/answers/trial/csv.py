"""The blank file of a trial: a row for each carrier to measure, and one for each tally."""

from __future__ import annotations

from feedsim.answers.trial.study.columns import blank_heads
from feedsim.answers.trial.study.plan import PlannedSpeed, TrialPlan
from feedsim.quantities import System, canonical, display_unit
from feedsim.render.csv_table import harmless

__all__ = ["blank_csv"]


def blank_csv(plan: TrialPlan, *, units: System = "metric") -> bytes:
    """Return the file to fill in at the machine.

    For each speed and feeder one row of a tally, the number of carriers in it, in which
    ``missed`` is to be filled in; below it a row for each carrier that is to be measured.

    Parameters
    ----------
    plan : TrialPlan
    units : {"metric", "inch"}
        Units of its columns.
    """
    several = len(plan.feeders) > 1
    lines = [",".join(blank_heads(units, several=several))]
    for speed in plan.speeds:
        for feeder in plan.feeders:
            start = [_speed(speed, units), *([_quoted(harmless(feeder.name))] if several else [])]
            lines.append(",".join([*start, str(speed.counted), "", "", ""]))
            lines += [",".join([*start, "", "", "", ""])] * speed.measured
    return ("\n".join(lines) + "\n").encode()


def _speed(speed: PlannedSpeed, units: System) -> str:
    shown = round(speed.speed_mm_s * display_unit("speed", units).factor, 6)
    return canonical(shown, "rate").partition(" ")[0]


def _quoted(name: str) -> str:
    if any(c in name for c in ',"\n\r') or name != name.strip():
        return '"' + name.replace('"', '""') + '"'
    return name
