"""Figures of a drive: speed and torque over a cycle, and the cycle inside each motor's limits."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from feedsim.answers.drive.study.results import (
    Candidate,
    FeederSizing,
    SizedFeeder,
    Sizing,
)
from feedsim.drivetrain.course import Course, course, typical_cycle
from feedsim.drivetrain.cycles import Cycles
from feedsim.drivetrain.demand import RPM, Demand
from feedsim.drivetrain.law import shaft_per_metre
from feedsim.drivetrain.limits import continuous_torque, short_time_torque
from feedsim.quantities import System, display, display_unit
from feedsim.render.canvas import (
    BLACK,
    BLUE,
    DASHED,
    GREY,
    VERMILLION,
    house_style,
    page,
    true_minus,
)
from feedsim.render.layout import one_line

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_MOST_PANELS = 12
_LONGEST = 28
_WRAP = 40


def drive_figures(sizing: Sizing, *, units: System) -> dict[str, Figure]:
    """Draw the drives of a scenario at its line speed, or at the highest speed sized.

    ``drive-time``, and ``drive-limits`` where there are candidates; with the feeder's number where
    there are several drives.
    """
    figures: dict[str, Figure] = {}
    for feeder in sizing.feeders:
        view = _drive_view(sizing, feeder, units)
        if view is None:
            continue
        suffix = "" if len(sizing.feeders) == 1 else f"-{feeder.number}"
        with house_style():
            figures[f"drive-time{suffix}"] = _time(view)
            if feeder.candidates:
                figures[f"drive-limits{suffix}"] = _limits(view)
    return figures


def _time(view: _DriveView) -> Figure:
    cycle, motor = view.one_cycle, view.motor
    with_motor = f"with {one_line(motor.name, 60)}" if motor else "without a motor"
    about = f"one feed cycle of the simulated motion, {with_motor}"
    figure = page(view.title, about, y=0.96)
    figure.set_label(
        f"Feed speed above, motor torque below, over {about}, with the RMS torque of all cycles"
        f"{' and the continuous torque of the motor' if motor else ''}."
    )
    room = {"left": 0.07, "right": 0.93, "top": 0.88, "bottom": 0.08, "hspace": 0.12}
    upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=(1.0, 1.6), gridspec_kw=room)
    whole = course(cycle, rotor_kg_m2=motor.motor.rotor_inertia_kg_m2 if motor else 0.0)
    _draw_speed(upper, whole, view)
    _draw_torque(lower, whole, cycle, view)
    lower.set_xlabel("time from where the clutch begins to close (ms)")
    lower.set_xlim(0.0, 1000.0 * cycle.duration_s)
    return figure


def _draw_speed(axes: Axes, whole: Course, view: _DriveView) -> None:
    label, factor = display_unit("speed", view.units)
    axes.plot(1000.0 * whole.time_s, whole.feed_speed_mm_s * factor, color=BLUE)
    axes.set_ylabel(f"feed speed ({label})")
    axes.set_ylim(bottom=0.0)
    _pulling(axes, view, words=True)
    per = shaft_per_metre(view.feeder.drive) * RPM / 1000.0 / factor
    right = axes.secondary_yaxis("right", functions=(_times(per), _times(1.0 / per)))
    right.set_ylabel("motor speed (rpm)")


def _times(factor: float) -> Callable[[ArrayLike], ArrayLike]:
    return lambda values: np.asarray(values, dtype=np.float64) * factor


def _draw_torque(axes: Axes, whole: Course, cycle: Cycles, view: _DriveView) -> None:
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


def _pulling(axes: Axes, view: _DriveView, *, words: bool) -> None:
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


@dataclass(frozen=True, slots=True)
class _DriveView:
    """One feeder at one speed, with what its figures need.

    ``motor``: the candidate drawn over time, None without any; ``asked``: what is asked of it.
    """

    title: str
    feeder: FeederSizing
    point: SizedFeeder
    motor: Candidate | None
    asked: Demand
    one_cycle: Cycles
    units: System


def _drive_view(sizing: Sizing, feeder: FeederSizing, units: System) -> _DriveView | None:
    """Return the view at the scenario's line speed, or at the highest speed sized.

    None where the feed never moves.
    """
    moving = [(point, point.moving) for point in feeder.speeds if point.moving is not None]
    if not moving:
        return None
    own = sizing.line_speed_mm_s
    at_own = (
        (point, there)
        for point, there in moving
        if math.isclose(point.line_speed_mm_s, own, rel_tol=1e-9)
    )
    point, there = next(at_own, moving[-1])
    speed = display(point.line_speed_mm_s, "speed", units=units)
    shown = _shown(feeder, point)
    motor = None if shown is None else feeder.candidates[shown]
    rotor = motor.motor.rotor_inertia_kg_m2 if motor else 0.0
    return _DriveView(
        title=one_line(f"{sizing.title} · {feeder.name} · {speed}", 200),
        feeder=feeder,
        point=point,
        motor=motor,
        asked=there.load_alone if shown is None else point.candidates[shown].demand,
        one_cycle=typical_cycle(there.stretches, rotor_kg_m2=rotor),
        units=units,
    )


def _shown(feeder: FeederSizing, point: SizedFeeder) -> int | None:
    """Return the chosen motor, else the smallest that passes, else the first."""
    if feeder.drive.chosen >= 0:
        return feeder.drive.chosen
    passing = [n for n, one in enumerate(point.candidates) if one.passes]
    smallest = sorted(passing, key=lambda n: feeder.candidates[n].motor.rated_power_w)
    return next(iter(smallest or range(len(feeder.candidates))), None)


def _limits(view: _DriveView) -> Figure:
    """Draw a panel for each motor."""
    every, service = len(view.feeder.candidates), view.feeder.service_factor
    shown = min(every, _MOST_PANELS)
    columns = min(4, shown)
    more = f"; {every - shown} more are not drawn" if every > shown else ""
    said = "torque against speed over a feed cycle; limits divided by the service factor"
    figure = page(view.title, f"{said} {service:g}{more}", y=0.96)
    passing = [one_line(one.name, 60) for one in view.point.candidates if one.passes]
    figure.set_label(
        f"For each motor, {said} {service:g}{more}. Passing: {', '.join(passing) or 'none'}."
    )
    room = {"left": 0.06, "right": 0.98, "top": 0.85, "bottom": 0.13, "wspace": 0.25, "hspace": 0.5}
    grid = figure.subplots(math.ceil(shown / columns), columns, squeeze=False, gridspec_kw=room)
    for place, axes in enumerate(grid.flat):
        if place >= shown:
            axes.set_visible(False)
            continue
        _limits_panel(axes, view, place, left=place % columns == 0)
    for place in range(max(0, shown - columns), shown):
        grid.flat[place].set_xlabel("motor speed (rpm)")
    handles, labels = grid.flat[0].get_legend_handles_labels()
    figure.legend(
        handles, labels, loc="lower center", ncols=len(labels), bbox_to_anchor=(0.5, 0.02)
    )
    return figure


def _limits_panel(axes: Axes, view: _DriveView, number: int, *, left: bool) -> None:
    motor, candidate = view.feeder.candidates[number].motor, view.point.candidates[number]
    label, factor = display_unit("torque", view.units)
    scaled = factor / view.feeder.service_factor
    speed = np.linspace(0.0, motor.max_speed_rpm, 200)
    short = short_time_torque(motor, speed) * scaled
    lasting = continuous_torque(motor, speed) * scaled
    for limit, color, name in (
        (short, "#e4e4e4", "short-time limit"),
        (lasting, "#b9d5ea", "continuous limit"),
    ):
        axes.fill_between(speed, -limit, limit, color=color, linewidth=0.0, label=name)
    edge = np.concatenate((short, -short[::-1]))
    axes.plot(np.concatenate((speed, speed[::-1])), edge, color=GREY, linewidth=0.8)
    whole = course(view.one_cycle, rotor_kg_m2=motor.rotor_inertia_kg_m2)
    torque = whole.torque_n_m * factor
    axes.plot(whole.speed_rpm, torque, color=BLACK, linewidth=1.1, label="one feed cycle")
    asked = candidate.demand
    mark: dict[str, Any] = {"marker": "D", "markersize": 5.0, "linestyle": "none"}
    mark["label"] = "RMS torque at the mean speed"
    rms = [asked.rms_torque_n_m * factor]
    axes.plot([asked.mean_speed_rpm], rms, color=VERMILLION, **mark)
    verdict = "pass" if candidate.passes else "FAIL"
    title = one_line(f"{candidate.name}: {verdict}", _LONGEST)
    axes.set_title(title, loc="left", fontweight="bold")
    why = candidate.criteria.failing
    if why:
        axes.annotate(
            textwrap.fill(", ".join(why), _WRAP),
            (0.0, 1.0),
            (4.0, -2.0),
            xycoords="axes fraction",
            textcoords="offset points",
            fontsize=8.0,
            va="top",
        )
    most = max(float(short.max()), float(np.abs(whole.torque_n_m).max()) * factor)
    axes.set_ylim(-1.15 * most, 1.35 * most)
    axes.set_xlim(0.0, 1.05 * max(motor.max_speed_rpm, float(whole.speed_rpm.max())))
    axes.yaxis.set_major_formatter(lambda value, _: true_minus(f"{value:g}"))
    if left:
        axes.set_ylabel(f"torque ({label})")
