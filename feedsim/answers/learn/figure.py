"""The old scenario, the learned one and the log in one figure."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from feedsim.answers.learn.study.feeder_rows import asked_mm
from feedsim.answers.learn.study.figures import Learned
from feedsim.answers.learn.study.learned import Learning
from feedsim.answers.learn.study.one_log import FeederInLog, InLog, Side
from feedsim.arrivals import Arrival, Paced, RandomGaps
from feedsim.motion.ramps import bend_lag, ramp_bends
from feedsim.probability.distribution import clipped_at
from feedsim.quantities import System, display_unit
from feedsim.render.canvas import (
    A4_LANDSCAPE,
    BLACK,
    BLUE,
    DASHED,
    GREY,
    SKY,
    VERMILLION,
    above,
    heading,
    house_style,
)
from feedsim.render.layout import one_line

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["learned_figures"]

Floats = NDArray[np.float64]
_OLD: dict[str, Any] = {"color": VERMILLION, "linestyle": DASHED, "linewidth": 1.3}
_NEW: dict[str, Any] = {"color": BLACK, "linewidth": 1.0}
_DOT: dict[str, Any] = {
    "linestyle": "none",
    "marker": ".",
    "color": BLUE,
    "markersize": 4.5,
    "mew": 0.0,
}
_BARS: dict[str, Any] = {"facecolor": SKY, "alpha": 0.6, "edgecolor": "none"}
_BAND: dict[str, Any] = {"facecolor": GREY, "alpha": 0.2, "edgecolor": "none"}
_MOST_CYCLES = 12


def learned_figures(found: Learning, *, units: System) -> dict[str, Figure]:
    """Draw what was learned: ``learn``, or a figure for each of several feeders, ``learn-0`` on.

    On top a logged cycle over the one that the scenario has and the one that was learned: speed of
    the feed, and how far it lags. In the middle the laws of pitch and gap over their histograms.
    Below every act, against the point that the scenario asks for.
    """
    many = len(found.machine.feeders) > 1
    with house_style():
        return {
            f"learn-{number}" if many else "learn": _figure(found, number, units)
            for number in range(len(found.machine.feeders))
        }


def _figure(found: Learning, number: int, units: System) -> Figure:
    from matplotlib.figure import Figure
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    figure = Figure(figsize=A4_LANDSCAPE)
    files = one_line(", ".join(log.file for log in found.logs), 70)
    name = found.scenario.feeder[number].name
    subtitle = f"{name}: {files} against the scenario"
    heading(figure, found.title, subtitle, y=0.962)
    figure.set_label(
        f"{subtitle}. A logged cycle over the scenario's and the learned one, pitches and gaps "
        "over their laws, and how far each act lay behind its point."
    )
    grid = figure.add_gridspec(
        3, 2, left=0.07, right=0.975, bottom=0.12, top=0.87, hspace=0.62, wspace=0.16
    )
    seen = max(found.seen, key=lambda log: log.feeders[number].command is not None)
    part = seen.feeders[number]
    rows = {row.key: row for row in found.learned if row.key}
    _cycle(figure.add_subplot(grid[0, 0]), found, seen, part, number, rows, units, lag=False)
    _cycle(figure.add_subplot(grid[0, 1]), found, seen, part, number, rows, units, lag=True)
    _pitches(figure.add_subplot(grid[1, 0]), found, rows, units)
    _gaps(figure.add_subplot(grid[1, 1]), found, part, number, rows, units)
    acts = (
        seen
        if part.closings is not None
        else max(found.seen, key=lambda log: log.feeders[number].closings is not None)
    )
    for place, (what, side) in enumerate(
        (("closing", acts.feeders[number].closings), ("opening", acts.feeders[number].openings))
    ):
        _residuals(figure.add_subplot(grid[2, place]), found, acts, side, number, units, what=what)
    entries = [
        (Line2D([], [], **_DOT), "log"),
        (Patch(**_BARS), "log, counted"),
        (Line2D([], [], **_OLD), "scenario"),
        (Line2D([], [], **_NEW), "learned"),
        (Patch(**_BAND), "scenario: up to one motion cycle later"),
    ]
    figure.legend(
        [handle for handle, _ in entries],
        [text for _, text in entries],
        loc="lower center",
        bbox_to_anchor=(0.5, 0.012),
        ncols=5,
    )
    return figure


def _nothing(axes: Axes, why: str) -> None:
    axes.text(0.5, 0.5, why, ha="center", va="center", transform=axes.transAxes, color=GREY)
    axes.set_xticks([])
    axes.set_yticks([])


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
    found: Learning, number: int, rows: dict[str, Learned], speed: float, *, new: bool
) -> tuple[float, float, float, float, float]:
    """Return command delay, ramps (s), loop gain and feedforward, old or learned."""
    feeder, path = found.machine.feeders[number], f"feeder.{number}"
    per = 1.0 / speed if feeder.clutch.travel_ramp else 1.0

    def of(key: str, old: float, factor: float = 1.0) -> float:
        row = rows.get(f"{path}.{key}")
        return factor * (row.value if new and row is not None and row.value is not None else old)

    return (
        of("servo.command_delay", feeder.servo.command_delay_s),
        of("clutch.ramp_in", feeder.clutch.ramp_in, per),
        of("clutch.ramp_out", feeder.clutch.ramp_out, per),
        of("servo.loop_gain", feeder.servo.loop_gain_per_s),
        of("servo.velocity_feedforward", feeder.servo.velocity_feedforward),
    )


def _cycle(
    axes: Axes,
    found: Learning,
    seen: InLog,
    part: FeederInLog,
    number: int,
    rows: dict[str, Learned],
    units: System,
    *,
    lag: bool,
) -> None:
    unit = display_unit("length" if lag else "speed", units)
    above(
        axes,
        "what the feed lags behind its command" if lag else "commanded speed of the feed",
        5.0,
        fontsize=9.5,
        fontweight="bold",
    )
    course = part.command
    if course is None or part.ramps is None or seen.belt is None or (lag and part.servo is None):
        _nothing(axes, "not in the log")
        return
    lasted = float(np.median(course.open_s - course.close_s))
    end = float(np.nanmax(course.time_s - course.close_s[:, None]))
    t = np.linspace(-0.005, end, 600)
    for row in range(min(len(course.close_s), _MOST_CYCLES)):
        # moved along by what the cycle was longer than a usual one, so that both ramps lie together
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
        axes.plot(1e3 * moved, values * unit.factor, **_DOT)
    v = seen.belt.speed.value
    for new, style in ((False, _OLD), (True, _NEW)):
        constants = _values(found, number, rows, v, new=new)
        speed = (
            part.ramps.speed.value
            if new
            else found.machine.feeders[number].settings.speed_ratio * v
        )
        axes.plot(1e3 * t, _course(t, lasted, speed, constants, lag=lag) * unit.factor, **style)
    axes.set_xlabel("since the clutch closed (ms)")
    axes.set_ylabel(f"{'lag' if lag else 'speed'} ({unit.label})")


def _pitches(axes: Axes, found: Learning, rows: dict[str, Learned], units: System) -> None:
    above(axes, "pitch of the carriers", 5.0, fontsize=9.5, fontweight="bold")
    arrival = found.machine.carriers.arrival
    x = np.array(found.pitches_mm)
    if len(x) < 2:
        _nothing(axes, "no carrier eye in the log")
        return
    unit = display_unit("length", units)
    law = found.arrival.found.law if found.arrival is not None else None
    curves: list[tuple[dict[str, Any], Arrival]] = []
    if arrival.name != "recorded":
        curves.append((_OLD, arrival))
    pitch, sd = (rows.get(f"carrier.{key}") for key in ("pitch", "pitch_sd"))
    if law in {"paced", "random"} and pitch is not None and pitch.value is not None:
        gap = rows.get("carrier.min_gap")
        curves.append(
            (
                _NEW,
                (RandomGaps if law == "random" else Paced)(
                    arrival.length_mm,
                    pitch.value,
                    sd.value if sd is not None and sd.value is not None else 0.0,
                    gap.value if gap is not None and gap.value is not None else 0.0,
                ),
            )
        )
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


def _bins(x: Floats) -> int:
    return int(min(60, max(8, math.sqrt(len(x)))))


def _histogram(axes: Axes, x: Floats, factor: float) -> None:
    axes.hist(x * factor, bins=_bins(x), **_BARS)


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
    """Draw how many of x a law has in a bar of the histogram about each place."""
    if spread <= 0.0:
        axes.axvline(mean * factor, **style)
        return
    half = 0.5 * max((x.max() - x.min()) / _bins(x), 1e-9)
    shares = [share_below(a + half) - share_below(a - half) for a in at.tolist()]
    axes.plot(at * factor, len(x) * np.array(shares), **style)


def _gaps(
    axes: Axes,
    found: Learning,
    part: FeederInLog,
    number: int,
    rows: dict[str, Learned],
    units: System,
) -> None:
    above(axes, "gap of the inserts", 5.0, fontsize=9.5, fontweight="bold")
    ins = found.machine.feeders[number].inserts
    if part.inserts is None or not part.inserts.single.any():
        _nothing(axes, "not in the log")
        return
    unit = display_unit("length", units)
    x = part.inserts.mm[part.inserts.single] - ins.length_mm
    _histogram(axes, x, unit.factor)
    low, high = (end / unit.factor for end in axes.get_xlim())
    reach = 3.0 * ins.gap_sd_mm
    at = np.linspace(min(low, ins.gap_mm - reach), max(high, ins.gap_mm + reach), 500)
    path = f"feeder.{number}.insert"
    gap, sd = rows.get(f"{path}.gap"), rows.get(f"{path}.gap_sd")
    curves = [(_OLD, ins.gap_mm, ins.gap_sd_mm)]
    if gap is not None and sd is not None and gap.value is not None and sd.value is not None:
        curves.append((_NEW, gap.value, sd.value))
    for style, mean, spread in curves:
        law = clipped_at(ins.min_gap_mm, mean=mean, sd=spread)
        _law(axes, at, x, law.share_below, mean, spread, unit.factor, style)
    axes.set_xlabel(f"tail to nose ({unit.label})")
    axes.set_ylabel("inserts")


def _residuals(
    axes: Axes,
    found: Learning,
    seen: InLog,
    side: Side | None,
    number: int,
    units: System,
    *,
    what: str,
) -> None:
    where = f" ({one_line(seen.file, 32)})" if len(found.seen) > 1 else ""
    above(axes, f"each {what}, behind its point{where}", 5.0, fontsize=9.5, fontweight="bold")
    if side is None or seen.belt is None or side.asked is None:
        _nothing(axes, "not in the log")
        return
    unit = display_unit("length", units)
    v = seen.belt.speed.value
    name = "engage" if what == "closing" else "disengage"
    asked = asked_mm(found.machine.feeders[number], name, v)
    axes.axhspan(0.0, found.machine.controller.motion_cycle_s * v * unit.factor, **_BAND)
    axes.axhline(0.0, **_OLD)
    axes.axhline((side.asked.value - asked) * unit.factor, **_NEW)
    axes.plot(side.time_s, (side.travel_mm - asked) * unit.factor, rasterized=True, **_DOT)
    axes.set_xlabel("time in the log (s)")
    axes.set_ylabel(f"travel ({unit.label})")
