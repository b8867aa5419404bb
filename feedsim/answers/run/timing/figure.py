"""The timing diagram: eyes, clutch, speeds and positions of one feeder on one time axis."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from feedsim.answers.run.timing import lanes
from feedsim.answers.run.timing.curves import belt_speeds, insert_paths, target_paths
from feedsim.answers.run.timing.events import (
    carrier_eye_output,
    insert_eye_output,
    insert_eye_runs,
    instants,
    marks,
    program_input,
    scans,
)
from feedsim.answers.run.timing.labels import label_instants
from feedsim.answers.run.timing.view import AxisUnits, TimingView, view_of
from feedsim.machine import Machine
from feedsim.quantities import System, display, display_unit
from feedsim.records.columns import RunRecords
from feedsim.records.outcome import Outcome
from feedsim.records.trace import Trace
from feedsim.render.canvas import A4_LANDSCAPE, heading, house_style, true_minus
from feedsim.render.layout import one_line
from feedsim.render.wording import length
from feedsim.running.replay.eyes import carrier_eye_runs

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_LEFT, _RIGHT = 0.085, 0.845
_HEIGHTS = (0.55, 0.55, 0.55, 1.1, 3.6)


def timing_figure(
    machine: Machine,
    records: RunRecords,
    trace: Trace,
    *,
    feeder: int,
    carrier: int,
    title: str,
    units: System = "metric",
) -> Figure:
    """Draw what happens at one feeder around one carrier, each by its number, the warm-up counted.

    Lanes, from above: output of the carrier eye; output of the insert eye; engagement of
    the staging clutch; speeds of belt and feed; positions along the insert path. In the
    last one an insert's nose and the target point of its carrier meet at the landing, but
    for the placement error. Times are from the chosen carrier's passing of the carrier eye.

    The machine's settings are solved; records and trace are of one run of it, ``around`` as
    :func:`feedsim.answers.run.timing.view.carriers_around` says. Raises IndexError if there is no
    such feeder or carrier.
    """
    carriers, feeders = len(records.carriers.eye_time_s), len(records.feeders)
    if not (0 <= carrier < carriers and 0 <= feeder < feeders):
        msg = f"no carrier {carrier} of {carriers} at feeder {feeder} of {feeders}"
        raise IndexError(msg)
    view = view_of(machine, records, trace, feeder=feeder, carrier=carrier)
    with house_style():
        return _figure(view, title=title, units=units)


def _figure(view: TimingView, *, title: str, units: System) -> Figure:
    from matplotlib.figure import Figure

    unit, factor = display_unit("length", units)
    scale = AxisUnits(
        zero_s=view.zero_s,
        factor=factor,
        unit=unit,
        window=(view.from_s, view.to_s),
        chosen=view.carrier,
        width_in=A4_LANDSCAPE[0] * (_RIGHT - _LEFT),
    )
    figure = Figure(figsize=A4_LANDSCAPE)
    axes = _make_lanes(figure, scale)
    seen = marks(view)
    carrier_eye, insert_eye = view.machine.carrier_eye, view.machine_feeder.eye
    for lane, runs, output, word, eye, its in (
        (0, carrier_eye_runs, carrier_eye_output, "carrier", carrier_eye, seen.carrier_eye),
        (1, insert_eye_runs, insert_eye_output, "insert", insert_eye, seen.insert_eye),
    ):
        lanes.draw_output(axes[lane], output(view), scale, word=word)
        program = program_input(view, eye, runs(view))
        lanes.draw_input(axes[lane], program, scans(view, eye), scale)
        heights = {"captured": 0.5, "known": 1.0, "stray": 0.5}
        lanes.draw_marks(axes[lane], its, scale, heights=heights)
    lanes.draw_clutch(axes[2], view.feed.engagement(), scale)
    lanes.draw_marks(axes[2], seen.clutch, scale, heights={"closes": 0.0, "opens": 1.0})
    lanes.draw_speeds(axes[3], belt_speeds(view), view.feed.speeds(), scale=scale)
    _draw_positions(axes[4], view, scale)
    landing = view.machine_feeder.insert_eye_to_placement_mm * factor
    lanes.draw_marks(axes[4], seen.landing, scale, heights={"lands": landing})
    label_instants(axes, instants(view), scale)
    _write_title(figure, view, title=title, units=units)
    handles = lanes.legend_handles(axes)
    columns = max(5, math.ceil(len(handles) / 2))
    figure.legend(
        handles=handles,
        loc="lower center",
        bbox_to_anchor=(0.5 * (_LEFT + _RIGHT), 0.008),
        ncols=columns,
        columnspacing=8.0 / columns,
    )
    return figure


def _make_lanes(figure: Figure, scale: AxisUnits) -> list[Axes]:
    grid = figure.add_gridspec(
        len(_HEIGHTS),
        1,
        left=_LEFT,
        right=_RIGHT,
        bottom=0.115,
        top=0.825,
        hspace=0.12,
        height_ratios=_HEIGHTS,
    )
    axes = [figure.add_subplot(grid[row, 0]) for row in range(len(_HEIGHTS))]
    for lane in axes:
        lane.grid(axis="x", color="#E4E4E4", linewidth=0.6)
        lane.set_axisbelow(True)
        lane.set_xlim(*scale.times(scale.window))
        lane.tick_params(axis="x", labelbottom=lane is axes[-1])
    for lane, name in zip(axes, ("carrier\neye", "insert\neye", "clutch"), strict=False):
        lane.set_ylabel(name)
    axes[-1].set_xlabel(
        f"time since carrier {scale.chosen} passed the carrier eye ({scale.time_unit})"
    )
    figure.align_ylabels(axes)
    return axes


def _draw_positions(axes: Axes, view: TimingView, scale: AxisUnits) -> None:
    reach, paths = view.machine_feeder.insert_eye_to_placement_mm, insert_paths(view)
    farthest = max([reach, *(place for path in paths for place in path.nose.values)])
    low, high = -0.22 * reach, farthest + 0.14 * reach
    axes.set_ylim(low * scale.factor, high * scale.factor)
    axes.set_ylabel(f"position along the insert path ({scale.unit})")
    targets = target_paths(view, low_mm=low, high_mm=high)
    lanes.draw_targets(axes, targets, scale)
    lanes.label_targets(axes, targets, scale)
    lanes.draw_paths(axes, paths, scale)
    lanes.draw_limits(axes, view.machine_feeder, scale)


def _write_title(figure: Figure, view: TimingView, *, title: str, units: System) -> None:
    belt_speed = view.trace.belt.speed(view.zero_s)
    words = [
        f"Carrier {view.carrier}",
        display(belt_speed, "speed", units=units),
    ]
    outcome = Outcome(int(view.rows.outcome[view.carrier]))
    if outcome is Outcome.PLACED:
        error = float(view.rows.placement_error_mm[view.carrier])
        words.append(f"placement error {true_minus(length(error, units, sign=True))}")
    else:
        words.append(f"missed: {outcome.cause.replace('_', ' ')}")
    heading(figure, title, ", ".join(words))
    figure.set_label(
        f"{one_line(title, 80)}, lanes over time: the outputs of carrier eye and insert eye, the "
        f"staging clutch, the speeds of belt and feed, and positions along the insert path, where "
        f"the nose of an insert meets the target point of its carrier. {', '.join(words)}."
    )
