"""The panels of the figure of learned values: a cycle, the laws of pitch and gap, each act."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np

from feedsim.answers.learn.study.figures import ACTS
from feedsim.answers.learn.study.learned import FeederKey, Learning
from feedsim.answers.learn.study.one_log import FeederInLog, InLog
from feedsim.arrays import Floats
from feedsim.arrivals import Arrival, Paced, RandomGaps
from feedsim.machine import SideName
from feedsim.motion.ramps import bend_lag, ramp_bends
from feedsim.probability.distribution import clipped_at
from feedsim.quantities import System, display, display_unit
from feedsim.render.canvas import BLACK, BLUE, DASHED, GREY, SKY, VERMILLION, above

if TYPE_CHECKING:
    from matplotlib.axes import Axes

OLD: dict[str, Any] = {"color": VERMILLION, "linestyle": DASHED, "linewidth": 1.3}
NEW: dict[str, Any] = {"color": BLACK, "linewidth": 1.0}
DOT: dict[str, Any] = {
    "linestyle": "none",
    "marker": ".",
    "color": BLUE,
    "markersize": 4.5,
    "mew": 0.0,
}
BARS: dict[str, Any] = {"facecolor": SKY, "alpha": 0.6, "edgecolor": "none"}
BAND: dict[str, Any] = {"facecolor": GREY, "alpha": 0.2, "edgecolor": "none"}
_MOST_CYCLES = 12
_NAMED, _BETWEEN = 5, 0.04


def titled(axes: Axes, title: str) -> None:
    """Write a title above a panel."""
    above(axes, title, 5.0, fontsize=9.5, fontweight="bold")


def nothing(axes: Axes, why: str) -> None:
    """Say in an empty panel why it is empty."""
    axes.text(0.5, 0.5, why, ha="center", va="center", transform=axes.transAxes, color=GREY)
    axes.set_xticks([])
    axes.set_yticks([])


def draw_cycle(
    axes: Axes,
    found: Learning,
    seen: InLog,
    part: FeederInLog,
    number: int,
    units: System,
    *,
    lag: bool,
) -> None:
    """Draw some logged cycles over the scenario's and the learned one: speed, or lag."""
    unit = display_unit("length" if lag else "speed", units)
    titled(axes, "what the feed lags behind its command" if lag else "commanded speed of the feed")
    course = part.command
    if course is None or part.ramps is None or seen.belt is None or (lag and part.servo is None):
        nothing(axes, "not in the log")
        return
    lasted = float(np.median(course.open_s - course.close_s))
    end = float(np.nanmax(course.time_s - course.close_s[:, None]))
    t = np.linspace(-0.005, end, 600)
    for row in range(min(len(course.close_s), _MOST_CYCLES)):
        # moved by what the cycle was longer than a usual one, so that both ramps coincide
        at = course.time_s[row] - course.close_s[row]
        late = course.open_s[row] - course.close_s[row] - lasted
        moved = np.where(at > 0.5 * lasted, at - late, at)
        if lag and part.servo is not None:
            values = part.servo.lag[row]
        elif course.rate:
            values = course.value[row]
        else:
            moved = 0.5 * (moved[1:] + moved[:-1])
            values = np.diff(course.value[row]) / np.diff(course.time_s[row])
        axes.plot(1e3 * moved, values * unit.factor, **DOT)
    v = seen.belt.speed.value
    for new, style in ((False, OLD), (True, NEW)):
        constants = _values(found, number, v, new=new)
        speed = (
            part.ramps.speed.value
            if new
            else found.machine.feeders[number].settings.speed_ratio * v
        )
        axes.plot(1e3 * t, _course(t, lasted, speed, constants, lag=lag) * unit.factor, **style)
    axes.set_xlabel("since the clutch closed (ms)")
    axes.set_ylabel(f"{'lag' if lag else 'speed'} ({unit.label})")


def _course(
    t: Floats,
    lasted: float,
    v: float,
    values: tuple[float, float, float, float, float],
    *,
    lag: bool,
) -> Floats:
    """Return speed (mm/s) or lag (mm) at times since a closing (MODEL.md, section 6)."""
    delay, ramp_in, ramp_out, gain, forward = values
    bends, slopes = ramp_bends(ramp_in, ramp_out, v)
    starts = bends + delay + np.array([0.0, 0.0, lasted, lasted])
    since = np.maximum(t[None, :] - starts[:, None], 0.0)
    if not lag:
        rising: Floats = slopes @ since
        return rising
    if not math.isfinite(gain):
        return np.zeros_like(t)
    lagging: Floats = slopes @ bend_lag(since, gain=gain, feedforward=forward)
    return lagging


def _values(
    found: Learning, number: int, speed: float, *, new: bool
) -> tuple[float, float, float, float, float]:
    """Return command delay, ramps (s), loop gain and feedforward, old or learned."""
    feeder = found.machine.feeders[number]
    per = 1.0 / speed if feeder.clutch.travel_ramp else 1.0

    def of(key: FeederKey, old: float, factor: float = 1.0) -> float:
        value = found.of_feeder(number, key)
        return factor * (value if new and value is not None else old)

    return (
        of("servo.command_delay", feeder.servo.command_delay_s),
        of("clutch.ramp_in", feeder.clutch.ramp_in, per),
        of("clutch.ramp_out", feeder.clutch.ramp_out, per),
        of("servo.loop_gain", feeder.servo.loop_gain_per_s),
        of("servo.velocity_feedforward", feeder.servo.velocity_feedforward),
    )


def draw_pitches(axes: Axes, found: Learning, units: System) -> None:
    """Draw the pitches of the carriers, and their laws."""
    titled(axes, "pitch of the carriers")
    arrival = found.machine.carriers.arrival
    x = np.array(found.pitches_mm)
    if len(x) < 2:
        nothing(axes, "no carrier eye in the log")
        return
    unit = display_unit("length", units)
    law = found.arrival.found.law if found.arrival is not None else None
    curves: list[tuple[dict[str, Any], Arrival]] = []
    if arrival.name != "recorded":
        curves.append((OLD, arrival))
    pitch = found.of_line("carrier.pitch")
    if law in {"paced", "random"} and pitch is not None:
        sd, gap = found.of_line("carrier.pitch_sd"), found.of_line("carrier.min_gap")
        new = RandomGaps if law == "random" else Paced
        curves.append((NEW, new(arrival.length_mm, pitch, sd or 0.0, gap or 0.0)))
    whole = len(x)
    if law == "paced":  # pitches with a carrier missing lie beyond
        x = x[x < 1.5 * np.median(x)]
    _histogram(axes, x, unit.factor)
    at = np.linspace(*axes.get_xlim(), 500) / unit.factor
    if whole > len(x):
        note = f"{whole - len(x)} of {whole} longer than\n1.5 pitches: not drawn"
        axes.text(0.99, 0.95, note, ha="right", va="top", transform=axes.transAxes, fontsize=8)
    for style, each in curves:
        _law(axes, at, x, each.share_below, each.pitch_mm, each.sd_mm, unit.factor, style)
    axes.set_xlabel(f"leading edge to leading edge ({unit.label})")
    axes.set_ylabel("carriers")


def draw_gaps(
    axes: Axes,
    found: Learning,
    part: FeederInLog,
    number: int,
    units: System,
) -> None:
    """Draw the gaps of a feeder's inserts, and their laws."""
    titled(axes, "gap of the inserts")
    ins = found.machine.feeders[number].inserts
    if part.inserts is None or not part.inserts.single.any():
        nothing(axes, "not in the log")
        return
    unit = display_unit("length", units)
    x = part.inserts.mm[part.inserts.single] - ins.length_mm
    _histogram(axes, x, unit.factor)
    low, high = (end / unit.factor for end in axes.get_xlim())
    reach = 3.0 * ins.gap_sd_mm
    at = np.linspace(min(low, ins.gap_mm - reach), max(high, ins.gap_mm + reach), 500)
    gap, sd = found.of_feeder(number, "insert.gap"), found.of_feeder(number, "insert.gap_sd")
    curves = [(OLD, ins.gap_mm, ins.gap_sd_mm)]
    if gap is not None and sd is not None:
        curves.append((NEW, gap, sd))
    for style, mean, spread in curves:
        law = clipped_at(ins.min_gap_mm, mean=mean, sd=spread)
        _law(axes, at, x, law.share_below, mean, spread, unit.factor, style)
    axes.set_xlabel(f"tail to nose ({unit.label})")
    axes.set_ylabel("inserts")


def _bins(x: Floats) -> int:
    return int(min(60, max(8, math.sqrt(len(x)))))


def _histogram(axes: Axes, x: Floats, factor: float) -> None:
    axes.hist(x * factor, bins=_bins(x), **BARS)


def _law(
    axes: Axes,
    at: Floats,
    x: Floats,
    share_below: Callable[[float], float],
    mean: float,
    spread: float,
    factor: float,
    style: dict[str, Any],
) -> None:
    """Draw how many of x a law expects in the histogram's bar around each place."""
    if spread <= 0.0:
        axes.axvline(mean * factor, **style)
        return
    half = 0.5 * max((x.max() - x.min()) / _bins(x), 1e-9)
    shares = [share_below(a + half) - share_below(a - half) for a in at.tolist()]
    axes.plot(at * factor, len(x) * np.array(shares), **style)


def draw_acts(axes: Axes, found: Learning, number: int, units: System, *, side: SideName) -> None:
    """Draw the closings, or the openings, of a feeder against their points, log beside log.

    Each log has the same width.
    """
    titled(axes, f"each {ACTS[side]}, behind its point")
    shown = []
    for seen in found.seen:
        part = seen.feeders[number]
        acts = part.closings if side == "engage" else part.openings
        if acts is not None and acts.asked is not None and seen.belt is not None:
            shown.append((seen, acts, acts.asked.value, seen.belt.speed.value))
    if not shown:
        nothing(axes, "not in the log")
        return
    unit = display_unit("length", units)
    feeder, cycle_s = found.machine.feeders[number], found.machine.controller.motion_cycle_s
    for place, (_, acts, is_asked, v) in enumerate(shown):
        asked = feeder.settings.travel_mm(side, v)
        begin, end = float(acts.time_s[0]), float(acts.time_s[-1])
        x, left, right = acts.time_s, begin, end
        if len(shown) > 1:
            left, right = place + _BETWEEN, place + 1.0 - _BETWEEN
            x = left + (right - left) * (acts.time_s - begin) / max(end - begin, 1e-9)
        axes.fill_between([left, right], 0.0, cycle_s * v * unit.factor, **BAND)
        axes.plot([left, right], [0.0, 0.0], **OLD)
        axes.plot([left, right], np.full(2, (is_asked - asked) * unit.factor), **NEW)
        axes.plot(x, (acts.travel_mm - asked) * unit.factor, rasterized=True, **DOT)
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
    """Return the label of a log, or a part of one, below its acts."""
    if speed_mm_s is None:
        return seen.name.removeprefix("log ").replace(" from ", "\n")
    return f"{seen.name}\n{display(speed_mm_s, 'speed', units=units, digits=3)}"
