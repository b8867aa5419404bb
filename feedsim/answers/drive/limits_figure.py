"""A feed cycle, torque against speed, inside the limits of each motor."""

from __future__ import annotations

import math
import textwrap
from typing import TYPE_CHECKING, Any

import numpy as np

from feedsim.answers.drive.view import DriveView
from feedsim.drivetrain.course import course
from feedsim.drivetrain.limits import continuous_torque, short_time_torque
from feedsim.quantities import display_unit
from feedsim.render.canvas import A4_LANDSCAPE, BLACK, GREY, VERMILLION, heading, true_minus
from feedsim.render.layout import one_line

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_MOST_PANELS = 12
_LONGEST = 28
_WRAP = 40


def limits_figure(view: DriveView) -> Figure:
    """Draw a panel for each motor."""
    from matplotlib.figure import Figure

    every, service = len(view.feeder.candidates), view.feeder.service_factor
    shown = min(every, _MOST_PANELS)
    columns = min(4, shown)
    figure = Figure(figsize=A4_LANDSCAPE)
    more = f"; {every - shown} more are not drawn" if every > shown else ""
    said = "torque against speed over a feed cycle; limits divided by the service factor"
    heading(figure, view.title, f"{said} {service:g}{more}", y=0.96)
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
        _panel(axes, view, place, left=place % columns == 0)
    for place in range(max(0, shown - columns), shown):
        grid.flat[place].set_xlabel("motor speed (rpm)")
    handles, labels = grid.flat[0].get_legend_handles_labels()
    figure.legend(
        handles, labels, loc="lower center", ncols=len(labels), bbox_to_anchor=(0.5, 0.02)
    )
    return figure


def _panel(axes: Axes, view: DriveView, number: int, *, left: bool) -> None:
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
