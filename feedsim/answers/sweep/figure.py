"""One overview of a sweep for each feeder, to be pinned to a wall."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from feedsim.answers.sweep import panels
from feedsim.answers.sweep.curves import SweepView, feeders_of, sweep_view
from feedsim.answers.sweep.layout import Panel, Stack, stacked, write_titles
from feedsim.answers.sweep.limits import draw_limits
from feedsim.answers.sweep.marks import Tag, draw_limit_lines, mark_verdicts, marks_legend, tags_of
from feedsim.answers.sweep.scale import scale_of
from feedsim.answers.sweep.shares import draw_jam_risk, draw_missed
from feedsim.answers.sweep.study import highest_accepted
from feedsim.answers.sweep.text import verdict_of
from feedsim.metrics.criteria import Criteria
from feedsim.metrics.plain import Plain
from feedsim.quantities import System, display
from feedsim.render.canvas import A4_LANDSCAPE, house_style
from feedsim.running.axes import Axis
from feedsim.settings.limits import SpeedLimit

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["sweep_figures"]

_LEFT, _RIGHT, _TOP = 0.062, 0.552, 0.925


def sweep_figures(
    points: Sequence[Mapping[str, Plain]],
    *,
    axes: Sequence[Axis],
    limits: Sequence[Sequence[SpeedLimit]],
    title: str,
    criteria: Criteria,
    units: System = "metric",
) -> dict[str, Figure]:
    """Draw a sweep over one axis.

    Panels over one x axis: placement error with its tolerance, missed carriers by cause, jam
    risk by hazard, margins with their zero, and, where the line speed is swept, the speeds that
    each mechanism alone would allow, of which the lowest run through all panels as lines. A
    cross on the x axis marks a point that is not accepted, a ring one that is not decided.

    Parameters
    ----------
    points : sequence of mapping
        The points of ``sweep.json``, in order.
    axes : sequence of Axis
        What the points differ in: one axis.
    limits : sequence of sequence of SpeedLimit
        For each feeder, the lowest first; not drawn where the axis is not the line speed.
    title : str
        Of the scenario.
    criteria : Criteria
        For tolerance and acceptance lines.
    units : {"metric", "inch"}
        Units of everything that is written.

    Returns
    -------
    dict of str to Figure
        By file name without ending: ``sweep``, or ``sweep-0`` and so on for several feeders.

    Raises
    ------
    ValueError
        If there is not one axis.
    """
    (axis,) = axes
    subtitle = _subtitle(points, axis, units)
    names = feeders_of(points)
    with house_style():
        scale = scale_of(axis, units)
        views = [
            sweep_view(points, number, scale=scale, criteria=criteria, units=units)
            for number in range(len(names))
        ]
        return {
            "sweep" if len(names) == 1 else f"sweep-{number}": _figure(
                view, f"{title} · {view.name}", subtitle, tags_of(of, view), by_speed=axis.is_speed
            )
            for number, (view, of) in enumerate(zip(views, limits, strict=True))
        }


def _figure(
    view: SweepView, title: str, subtitle: str, tags: Sequence[Tag], *, by_speed: bool
) -> Figure:
    from matplotlib.figure import Figure

    figure = Figure(figsize=A4_LANDSCAPE)
    write_titles(figure, title, subtitle)
    tags = tags if by_speed else []

    def add() -> Axes:
        axes = figure.add_axes((0.0, 0.0, 0.5, 0.2), label=str(len(figure.axes)))
        axes.set_xlabel(view.scale.label)
        axes.grid(axis="x", color="#dddddd", linewidth=0.6)
        axes.set_axisbelow(True)
        return axes

    draw: list[tuple[Any, float]] = [
        (panels.draw_placement, 1.0),
        (draw_missed, 1.0),
        (draw_jam_risk, 1.15),
    ]
    left = [_panel(add(), view, tags, panel, weight) for panel, weight in draw]
    draw = [
        (panels.draw_margins, 1.0 if by_speed else 1.5),
        (lambda axes, view: panels.draw_margin(axes, view, "speed_mismatch"), 0.42),
        (lambda axes, view: panels.draw_margin(axes, view, "drive_overload"), 0.42),
    ]
    right = [_panel(add(), view, tags, panel, weight) for panel, weight in draw]
    if by_speed:
        axes = add()
        view.scale.set_up(axes)
        right.append(Panel(axes, 1.15, draw_limits(axes, view, tags)))
    bottom = 0.15 if view.scale.slanted else 0.105
    stacked(left, where=Stack(_LEFT, bottom, _TOP))
    stacked(right, where=Stack(_RIGHT, bottom, _TOP))
    marks_legend(figure, view, tags, y=0.024)
    return figure


def _panel(axes: Axes, view: SweepView, tags: Sequence[Tag], draw: Any, weight: float) -> Panel:
    view.scale.set_up(axes)
    rows = draw(axes, view)
    axes.set_xlim(*view.scale.view)
    draw_limit_lines(axes, view, tags)
    mark_verdicts(axes, view)
    return Panel(axes, weight, rows)


def _subtitle(points: Sequence[Mapping[str, Any]], axis: Axis, units: System) -> str:
    plain = {
        "axes": [{"key": axis.key}],
        "points": points,
        "highest_accepted_speed_mm_s": highest_accepted(points) if axis.is_speed else None,
    }
    verdict = verdict_of(plain, units=units)
    per = f"{points[0]['carriers']} carriers each"
    if not axis.is_speed:
        per = f"{display(points[0]['line_speed_mm_s'], 'speed', units=units)}, {per}"
    return f"{verdict.removesuffix('.')} · {per}"
