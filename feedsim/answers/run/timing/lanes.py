"""The lanes of the timing diagram, drawn one below the other on one time axis."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from feedsim.answers.run.timing.curves import InsertPath, TargetPath
from feedsim.answers.run.timing.events import Instant
from feedsim.answers.run.timing.labels import fitting, name_at_right
from feedsim.answers.run.timing.view import AxisUnits, Curve
from feedsim.machine import Feeder
from feedsim.records.outcome import Outcome
from feedsim.render.canvas import BLACK, BLUE, DASHED, GREEN, GREY, ORANGE, SKY, VERMILLION
from feedsim.running.replay.eyes import OnInterval

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_Style = dict[str, Any]

_CLEAR: _Style = {"facecolor": "white", "edgecolor": "none", "pad": 0.6}
"""Behind a name, so that no line runs through it."""

NOSE: _Style = {"color": BLUE, "linestyle": "-"}
TAIL: _Style = {"color": BLUE, "linestyle": (0, (1, 2)), "linewidth": 1.1}
TARGET: _Style = {"color": VERMILLION, "linestyle": DASHED}
MARKS: dict[str, _Style] = {
    "captured": {"marker": "o", "markersize": 5.0, "color": BLACK},
    "known": {"marker": "D", "markersize": 4.5, "color": BLACK, "markerfacecolor": "white"},
    "closes": {"marker": "^", "markersize": 6.0, "color": BLACK},
    "opens": {"marker": "v", "markersize": 6.0, "color": BLACK, "markerfacecolor": "white"},
    "staged": {"marker": "s", "markersize": 5.0, "color": BLACK, "markerfacecolor": "white"},
    "lands": {"marker": "*", "markersize": 9.0, "color": BLACK},
    "stray": {"marker": "x", "markersize": 7.0, "color": VERMILLION},
}


def draw_output(axes: Axes, blocked: list[OnInterval], scale: AxisUnits, *, word: str) -> None:
    """Draw an eye's output, clear or blocked, with the numbers of the cards."""
    times, levels = steps(blocked, scale.window)
    look: _Style = {"color": BLACK, "linewidth": 1.1, "drawstyle": "steps-post"}
    axes.plot(scale.times(times), levels, gid="output", **look)
    for number, start, end in blocked:
        left, right = scale.times((start, end))
        axes.fill_between((left, right), 0, 1, color=SKY, alpha=0.45, linewidth=0)
        text = fitting((f"{word} {number}", str(number)), scale.inches(end - start))
        axes.text((left + right) / 2, 0.47, text, ha="center", va="center", fontsize=8)
    axes.set_ylim(-0.18, 1.35)
    axes.set_yticks([0, 1], ["clear", "blocked"])


def steps(blocked: list[OnInterval], window: tuple[float, float]) -> tuple[list[float], list[int]]:
    """Return the changes of an output in a window, and its states; overlapping cards are one."""
    runs: list[tuple[float, float]] = []
    for _, start, end in blocked:
        if runs and start <= runs[-1][1]:
            runs[-1] = runs[-1][0], max(end, runs[-1][1])
        else:
            runs.append((start, end))
    first, last = window
    on = bool(runs) and runs[0][0] <= first
    inner = [t for t in (t for run in runs for t in run) if first < t < last]
    levels = [(n + on) % 2 for n in range(len(inner) + 1)]
    return [first, *inner, last], [*levels, levels[-1]]


def draw_input(axes: Axes, levels: list[OnInterval], scans: list[float], scale: AxisUnits) -> None:
    """Draw what the program sees of a filtered or polled output, and its scans."""
    for _, start, end in levels:
        left, right = scale.times((start, end))
        bar: _Style = {"color": BLACK, "linewidth": 0, "zorder": 5, "gid": "input"}
        axes.fill_between((left, right), -0.13, 0.1, **bar)
    if scans:
        times = scale.times(scans)
        look: _Style = {"linestyle": "none", "markersize": 4.0, "color": VERMILLION, "zorder": 6}
        axes.plot(times, [1.2] * len(times), marker="|", gid="mark-scan", **look)


def draw_clutch(axes: Axes, engagement: Curve, scale: AxisUnits) -> None:
    """Draw how far the clutch is engaged."""
    times = scale.times(engagement.times_s)
    axes.fill_between(times, engagement.values, color=ORANGE, alpha=0.45, linewidth=0)
    axes.plot(times, engagement.values, color=BLACK, linewidth=1.1, gid="engagement")
    axes.set_ylim(-0.18, 1.35)
    axes.set_yticks([0, 1], ["0 open", "1 closed"])


def draw_speeds(axes: Axes, belt: Curve, feed: Curve, *, scale: AxisUnits) -> None:
    """Draw belt and feed speed."""
    belt_speeds, feed_speeds = scale.lengths(belt.values), scale.lengths(feed.values)
    axes.plot(scale.times(belt.times_s), belt_speeds, linewidth=1.3, gid="belt-speed", **TARGET)
    axes.plot(scale.times(feed.times_s), feed_speeds, linewidth=1.3, gid="feed-speed", **NOSE)
    top = max((*belt_speeds, *feed_speeds)) or 1.0
    axes.set_ylim(-0.08 * top, 1.2 * top)
    axes.set_ylabel(f"speed ({scale.unit}/s)")
    ends = [(belt_speeds[-1], "belt", TARGET), (feed_speeds[-1], "feed", NOSE)]
    name_at_right(axes, [(value, name, look["color"]) for value, name, look in ends])


def draw_paths(axes: Axes, paths: list[InsertPath], scale: AxisUnits) -> None:
    """Draw nose and tail of the inserts along the insert path."""
    for path in paths:
        own = path.carrier == scale.chosen
        for what, curve, look in (
            ("nose", path.nose, NOSE | {"linewidth": 2.4 if own else 1.2}),
            ("tail", path.tail, TAIL),
        ):
            if curve.times_s:
                axes.plot(
                    scale.times(curve.times_s),
                    scale.lengths(curve.values),
                    zorder=4 if own else 3,
                    gid=f"{what}-{path.carrier}" if path.carrier >= 0 else f"{what}-unused",
                    **look,
                )
        start, end = max(path.staged_s, scale.window[0]), min(path.closes_s, scale.window[1])
        if scale.window[0] <= path.staged_s <= scale.window[1]:
            staged = scale.times((path.staged_s,)), (path.stage_mm * scale.factor,)
            axes.plot(*staged, linestyle="none", zorder=7, gid="mark-staged", **MARKS["staged"])
        (place,) = scale.times(((start + end) / 2,))
        axes.annotate(
            fitting((f"insert {path.insert}", str(path.insert)), scale.inches(end - start)),
            (place, path.stage_mm * scale.factor),
            (0, 4),
            textcoords="offset points",
            ha="center",
            fontsize=8,
            fontweight="bold" if own else "normal",
            color=BLUE,
            bbox=_CLEAR,
            zorder=6,
        )


def draw_targets(axes: Axes, targets: list[TargetPath], scale: AxisUnits) -> None:
    """Draw the target points of the carriers; a missed carrier's line is thin."""
    for target in targets:
        own, placed = target.carrier == scale.chosen, target.outcome == Outcome.PLACED
        axes.plot(
            scale.times(target.curve.times_s),
            scale.lengths(target.curve.values),
            linewidth=(2.0 if own else 1.2) if placed else 0.9,
            zorder=4 if own else 3,
            gid=f"target-{target.carrier}",
            **TARGET,
        )


def label_targets(axes: Axes, targets: list[TargetPath], scale: AxisUnits) -> None:
    """Write the carrier's number at the lower end of each target line, as room allows."""
    before = scale.window[0]
    for target in targets:
        start = target.curve.times_s[0]
        name, texts = f"carrier {target.carrier}", [f"carrier {target.carrier}"]
        if target.outcome != Outcome.PLACED:
            cause = target.outcome.cause.replace("_", " ")
            texts = [f"{name}\nmissed: {cause}", f"{name}\nmissed", f"{target.carrier}\nmissed"]
        text = fitting((*texts, str(target.carrier)), scale.inches(start - before))
        before = start
        axes.annotate(
            text,
            (scale.times((start,))[0], target.curve.values[0] * scale.factor),
            (-4, 3),
            textcoords="offset points",
            ha="right",
            va="bottom",
            fontsize=8,
            fontweight="bold" if target.carrier == scale.chosen else "normal",
            color=VERMILLION,
            bbox=_CLEAR,
            zorder=6,
        )


def draw_limits(axes: Axes, feeder: Feeder, scale: AxisUnits) -> None:
    """Draw the important places on the insert path, named at the right."""
    dotted, dash_dot, short = (0, (1, 1.5)), (0, (8, 2, 1, 2)), (0, (3, 2))
    named: list[tuple[float, str, _Style]] = [
        (0.0, "insert eye", {"color": GREY, "linestyle": "-"}),
        (feeder.settings.stage_position_mm, "stage", {"color": GREY, "linestyle": dotted}),
        (feeder.nose_limit_mm, "nose limit", {"color": BLACK, "linestyle": dash_dot}),
        (feeder.grip_end_mm, "grip end", {"color": BLACK, "linestyle": short}),
        (feeder.insert_eye_to_placement_mm, "placement point", {"color": GREEN, "linestyle": "-"}),
    ]
    for place, name, look in named:
        axes.axhline(place * scale.factor, linewidth=0.9, zorder=1, gid=name, **look)
    texts = [
        (place * scale.factor, f"{name} {place * scale.factor:.4g} {scale.unit}", look["color"])
        for place, name, look in named
    ]
    name_at_right(axes, texts)


def draw_marks(
    axes: Axes, marks: list[Instant], scale: AxisUnits, *, heights: dict[str, float]
) -> None:
    """Draw a mark for each event, at the height (in data) of its kind."""
    for kind, height in heights.items():
        times = scale.times(time_s for time_s, label in marks if label == kind)
        if times:
            axes.plot(
                times,
                [height] * len(times),
                linestyle="none",
                zorder=7,
                clip_on=False,
                gid=f"mark-{kind}",
                **MARKS[kind],
            )


def legend_handles(lanes: list[Axes]) -> list[Any]:
    """Return the handles of the figure's legend: the lines, and the marks drawn."""
    from matplotlib.lines import Line2D

    words = {
        "captured": "edge captured",
        "known": "known to the program",
        "closes": "clutch closes",
        "opens": "clutch opens",
        "staged": "staged",
        "lands": "insert lands",
        "stray": "stray insert",
    }
    lines: list[tuple[_Style, str]] = [
        (NOSE, "insert's nose"),
        (TAIL, "insert's tail, clutch closed"),
        (TARGET, "carrier's target point"),
    ]
    return [
        *(Line2D([], [], label=label, **look) for look, label in lines),
        *_input_handles(lanes),
    ] + [
        Line2D([], [], linestyle="none", label=words[kind], **look)
        for kind, look in MARKS.items()
        if any(line.get_gid() == f"mark-{kind}" for lane in lanes for line in lane.lines)
    ]


def _input_handles(lanes: list[Axes]) -> list[Any]:
    """Return the legend's entries for filtered and polled eyes, if there are any."""
    from matplotlib.lines import Line2D

    handles = []
    if any(drawn.get_gid() == "input" for lane in lanes for drawn in lane.collections):
        bar: _Style = {"color": BLACK, "linewidth": 5.0}
        handles.append(Line2D([], [], label="eye as the program has it", **bar))
    if any(line.get_gid() == "mark-scan" for lane in lanes for line in lane.lines):
        tick: _Style = {"linestyle": "none", "marker": "|", "color": VERMILLION}
        handles.append(Line2D([], [], label="scan", **tick))
    return handles
