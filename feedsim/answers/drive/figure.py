"""Figures of a drive: speed and torque over a cycle, and the cycle inside each motor's limits."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from feedsim.answers.drive.limits_figure import limits_figure
from feedsim.answers.drive.study.results import Sizing
from feedsim.answers.drive.view import DriveView, drive_view
from feedsim.drivetrain.course import Course, course
from feedsim.drivetrain.cycles import Cycles
from feedsim.drivetrain.law import shaft_per_metre
from feedsim.quantities import System, display, display_unit
from feedsim.render.canvas import (
    A4_LANDSCAPE,
    BLACK,
    BLUE,
    DASHED,
    GREY,
    VERMILLION,
    heading,
    house_style,
    true_minus,
)
from feedsim.render.layout import one_line

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


def drive_figures(sizing: Sizing, *, units: System = "metric") -> dict[str, Figure]:
    """Draw the drives of a scenario, at its line speed if that was looked at, else the highest.

    ``drive-time``, and ``drive-limits`` where there are candidates; with the feeder's number where
    there are several drives.
    """
    figures: dict[str, Figure] = {}
    for feeder in sizing.feeders:
        view = drive_view(sizing, feeder, units)
        if view is None:
            continue
        suffix = "" if len(sizing.feeders) == 1 else f"-{feeder.number}"
        with house_style():
            figures[f"drive-time{suffix}"] = _time(view)
            if feeder.candidates:
                figures[f"drive-limits{suffix}"] = limits_figure(view)
    return figures


def _time(view: DriveView) -> Figure:
    from matplotlib.figure import Figure

    figure = Figure(figsize=A4_LANDSCAPE)
    cycle, motor = view.one_cycle, view.motor
    with_motor = f"with {one_line(motor.name, 60)}" if motor else "without a motor"
    about = f"one feed cycle of the simulated motion, {with_motor}"
    heading(figure, view.title, about, y=0.96)
    figure.set_label(
        f"Feed speed above, motor torque below, over {about}, with the RMS torque of all cycles"
        f"{' and the torque that the motor can give without end' if motor else ''}."
    )
    room = {"left": 0.07, "right": 0.93, "top": 0.88, "bottom": 0.08, "hspace": 0.12}
    upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=(1.0, 1.6), gridspec_kw=room)
    whole = course(cycle, rotor_kg_m2=motor.motor.rotor_inertia_kg_m2 if motor else 0.0)
    _draw_speed(upper, whole, view)
    _draw_torque(lower, whole, cycle, view)
    lower.set_xlabel("time from where the clutch begins to close (ms)")
    lower.set_xlim(0.0, 1000.0 * cycle.duration_s)
    return figure


def _draw_speed(axes: Axes, whole: Course, view: DriveView) -> None:
    label, factor = display_unit("speed", view.units)
    axes.plot(1000.0 * whole.time_s, whole.feed_speed_mm_s * factor, color=BLUE)
    axes.set_ylabel(f"feed speed ({label})")
    axes.set_ylim(bottom=0.0)
    _pulling(axes, view, words=True)
    per = shaft_per_metre(view.feeder.drive) * 30.0 / math.pi / 1000.0 / factor
    right = axes.secondary_yaxis("right", functions=(_times(per), _times(1.0 / per)))
    right.set_ylabel("motor speed (rpm)")


def _times(factor: float) -> Callable[[ArrayLike], ArrayLike]:
    return lambda values: np.asarray(values, dtype=np.float64) * factor


def _draw_torque(axes: Axes, whole: Course, cycle: Cycles, view: DriveView) -> None:
    label, factor = display_unit("torque", view.units)
    milliseconds = 1000.0 * whole.time_s

    def level(torque: float, name: str, **style: Any) -> None:
        said = display(torque, "torque", units=view.units, digits=3)
        axes.axhline(torque * factor, label=f"{name}, {said}", **style)

    if view.motor is not None:
        load = course(cycle, rotor_kg_m2=0.0).torque_n_m * factor
        alone: dict[str, Any] = {"color": GREY, "linestyle": DASHED}
        axes.plot(milliseconds, load, label="the mechanism alone", **alone)
    axes.plot(milliseconds, whole.torque_n_m * factor, color=BLACK, label="motor torque")
    axes.axhline(0.0, color=GREY, linewidth=0.6)
    rms = view.asked.rms_torque_n_m
    level(rms, "RMS over all cycles", color=BLUE, linestyle=(0, (8, 2, 2, 2)))
    if view.motor is not None:
        motor, dotted = view.motor.motor, (0, (1, 1.5))
        hot = motor.rated_torque_n_m * motor.over_temperature_factor
        level(hot, "continuous torque", color=VERMILLION, linestyle=dotted, linewidth=1.6)
    _pulling(axes, view, words=False)
    low, high = axes.get_ylim()
    axes.set_ylim(low, high + 0.14 * (high - low))
    axes.set_ylabel(f"torque ({label})")
    axes.yaxis.set_major_formatter(lambda value, _: true_minus(f"{value:g}"))
    axes.legend(loc="upper right", ncols=2)


def _pulling(axes: Axes, view: DriveView, *, words: bool) -> None:
    """Shade where the magazine holds an insert back."""
    cycle = view.one_cycle
    held = [s for s in cycle.stretches if s.pulling]
    if not held:
        return
    start = 1000.0 * (held[0].start_s - cycle.begin_s[0])
    end = 1000.0 * (held[-1].start_s + held[-1].length_s - cycle.begin_s[0])
    axes.axvspan(start, end, color="#eeeeee", linewidth=0.0, zorder=0.0)
    if words:
        axes.annotate(
            "the magazine holds an insert back",
            (0.5 * (start + end), 0.0),
            (0.0, 4.0),
            xycoords=("data", "axes fraction"),
            textcoords="offset points",
            ha="center",
            fontsize=8.0,
        )
