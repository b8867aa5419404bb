"""How far each act lay behind the point that its settings ask for, in all logs."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from feedsim.answers.learn.panel import BAND, DOT, NEW, OLD, nothing, titled
from feedsim.answers.learn.study.feeder_rows import asked_mm
from feedsim.answers.learn.study.learned import Learning
from feedsim.answers.learn.study.one_log import InLog
from feedsim.quantities import System, display, display_unit
from feedsim.render.canvas import GREY

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_NAMED, _BETWEEN = 5, 0.04


def draw_acts(axes: Axes, found: Learning, number: int, units: System, *, what: str) -> None:
    """Draw the closings, or the openings, of a feeder against their points, log beside log.

    Each log has the same width. ``what``: "closing" or "opening".
    """
    titled(axes, f"each {what}, behind its point")
    shown = []
    for seen in found.seen:
        part = seen.feeders[number]
        side = part.closings if what == "closing" else part.openings
        if side is not None and side.asked is not None and seen.belt is not None:
            shown.append((seen, side, side.asked.value, seen.belt.speed.value))
    if not shown:
        nothing(axes, "not in the log")
        return
    unit = display_unit("length", units)
    feeder, cycle_s = found.machine.feeders[number], found.machine.controller.motion_cycle_s
    for place, (_, side, is_asked, v) in enumerate(shown):
        asked = asked_mm(feeder, "engage" if what == "closing" else "disengage", v)
        begin, end = float(side.time_s[0]), float(side.time_s[-1])
        x, left, right = side.time_s, begin, end
        if len(shown) > 1:
            left, right = place + _BETWEEN, place + 1.0 - _BETWEEN
            x = left + (right - left) * (side.time_s - begin) / max(end - begin, 1e-9)
        axes.fill_between([left, right], 0.0, cycle_s * v * unit.factor, **BAND)
        axes.plot([left, right], [0.0, 0.0], **OLD)
        axes.plot([left, right], np.full(2, (is_asked - asked) * unit.factor), **NEW)
        axes.plot(x, (side.travel_mm - asked) * unit.factor, rasterized=True, **DOT)
        if place:
            axes.axvline(place, color=GREY, linewidth=0.6)
    axes.set_ylabel(f"travel ({unit.label})")
    axes.set_xlabel("time in the log (s)")
    if len(shown) > 1:
        axes.set_xlim(0.0, len(shown))
        few = len(shown) <= _NAMED
        names = [_name(seen, v if few else None, units) for seen, _, _, v in shown]
        axes.set_xticks(np.arange(len(shown)) + 0.5, names)
        axes.tick_params(axis="x", length=0.0)
        axes.set_xlabel("each log from its first act to its last")


def _name(seen: InLog, speed_mm_s: float | None, units: System) -> str:
    """Return what a log, or a part of one, is called below its acts."""
    if speed_mm_s is None:
        return seen.name.removeprefix("log ").replace(" from ", "\n")
    return f"{seen.name}\n{display(speed_mm_s, 'speed', units=units, digits=3)}"
