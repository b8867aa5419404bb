"""Panels of a sweep that are shares: missed carriers by cause, jam risk by hazard."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from feedsim.answers.sweep.curves import SweepView
from feedsim.answers.sweep.layout import head, say
from feedsim.answers.sweep.panels import LIMIT, STYLES, some
from feedsim.answers.sweep.scale import round_numbers
from feedsim.arrays import Bools, Floats
from feedsim.metrics.cycle_hazards import HAZARDS, HazardName
from feedsim.records.outcome import Outcome
from feedsim.render.canvas import BLACK, BLUE, GREEN, GREY, ORANGE, SKY, VERMILLION
from feedsim.render.wording import hazard_name

if TYPE_CHECKING:
    from matplotlib.axes import Axes


_CAUSES = (
    (Outcome.NOT_STAGED, BLUE, ""),
    (Outcome.LATE_MARK, ORANGE, "//"),
    (Outcome.MARK_MEMORY_FULL, GREEN, "xx"),
    (Outcome.NOT_SEEN, SKY, ".."),
    (Outcome.MERGED, VERMILLION, "\\\\"),
    (Outcome.NO_INSERT, GREY, "++"),
    (Outcome.LINE_STOP, BLACK, ""),
)
_EVEN = 5.0  # limits up to which the axis of missed carriers is even
_FLOOR, _HIGHEST_FLOOR = 1e-6, 1e-4
_BOUND: dict[str, Any] = {
    "linestyle": "none",
    "markerfacecolor": "white",
    "marker": "v",
    "color": BLACK,
    "label": "none seen: at most, 95 %",
    "gid": "bound",
}
_INTERVAL: dict[str, Any] = {"color": BLACK, "linestyle": "none", "capsize": 2.0}


def draw_missed(axes: Axes, view: SweepView) -> int:
    """Missed carriers by cause, stacked, with the interval of all of them.

    If bars are much taller than the acceptance figure, the axis is even up to twice that figure and
    logarithmic above. A bar is divided in proportion to its causes.
    """
    limit = 100.0 * view.criteria.missed
    total = 100.0 * view.column(lambda f: f.missed.share)
    low, high = (100.0 * end for end in view.ends(lambda f: f.missed.ci95))
    upper = 100.0 * view.column(lambda f: f.missed.upper95)
    axes.axhline(limit, **LIMIT, label="acceptance", gid="acceptance")
    even = _missed_axis(axes, limit, np.concatenate((total, high, upper)))
    _stack(axes, view, total)
    _interval(axes, view, view.x, total, ends=(low, high), label="all, 95 %")
    _bounds(axes, view, upper)
    return head(axes, f"Missed carriers (%){even}")


def _missed_axis(axes: Axes, limit: float, values: Floats) -> str:
    """Scale the axis so that the limit is readable; return a note about it."""
    values = values[values > 0.0]
    top = float(max([limit, *values], default=0.0)) or 1.0
    least = limit or float(min(values, default=1.0))
    if top <= _EVEN * least:
        axes.set_ylim(0.0, 1.15 * top)
        return ""
    even = 2.0 * least
    axes.set_yscale("symlog", linthresh=even, linscale=max(1.0, float(np.log10(top / even))))
    axes.set_ylim(0.0, min(1.3 * top, 120.0))
    ticks = [0.0, least, even, *round_numbers(1.6 * even, min(1.3 * top, 100.0), decades=1.2)]
    axes.set_yticks(ticks, [f"{t:.3g}" for t in ticks])
    axes.minorticks_off()
    axes.axhline(even, color=GREY, linewidth=0.6, linestyle=":", gid="even")
    return f"; linear to {even:.3g} %, then logarithmic"


def _stack(axes: Axes, view: SweepView, total: Floats) -> None:
    """Divide each bar on paper in proportion to its causes."""
    scale = axes.yaxis.get_transform()
    heights = scale.transform(np.nan_to_num(total))
    counts = view.column(lambda f: f.missed.count)
    done = np.zeros(len(total))
    for outcome, colour, hatch in _CAUSES:
        count = view.missed(outcome)
        if not np.any(count > 0):
            continue
        ends = done, done + count / np.maximum(counts, 1.0)
        bottom, top = (scale.inverted().transform(heights * end) for end in ends)
        look: dict[str, Any] = {
            "facecolor": colour,
            "hatch": hatch,
            "edgecolor": "white",
            "linewidth": 0.0,
            "label": outcome.cause.replace("_", " "),
        }
        left, right = view.scale.bars
        if view.scale.flowing:
            axes.fill_between(view.x, bottom, top, step="mid", **look)
        else:
            axes.bar(left, top - bottom, right - left, bottom=bottom, align="edge", **look)
        done = ends[1]


def _interval(
    axes: Axes,
    view: SweepView,
    x: Floats,
    share: Floats,
    *,
    ends: tuple[Floats, Floats],
    label: str,
) -> None:
    seen = np.nan_to_num(share) > 0.0
    if not seen.any():
        return
    low, high = (np.where(seen, end, np.nan) for end in ends)
    if view.scale.flowing:
        for edge, name in ((low, label), (high, None)):
            axes.plot(x, edge, color=BLACK, linewidth=0.7, linestyle=":", label=name)
        seen = _alone(seen)
        label = "_"
    bars = np.maximum([share - low, high - share], 0.0)[:, seen]
    axes.errorbar(x[seen], share[seen], yerr=bars, label=label, gid="interval", **_INTERVAL)


def _bounds(axes: Axes, view: SweepView, upper: Floats) -> None:
    known = ~np.isnan(upper)
    if not known.any():
        return
    if view.scale.flowing:
        known &= some(view) | _alone(known)
    axes.plot(view.x[known], upper[known], markersize=4.0, **_BOUND)


def draw_jam_risk(axes: Axes, view: SweepView) -> int:
    """Share of feed cycles with each hazard on a log axis: as seen, else its normal tail."""
    limit = view.criteria.jam_risk
    risk = view.column(lambda f: f.jam_risk.share)
    low, high = view.ends(lambda f: f.jam_risk.ci95)
    upper = view.column(lambda f: f.jam_risk.upper95)
    axes.set_yscale("log")
    seen = np.nan_to_num(risk) > 0.0
    total = np.where(seen, risk, np.nan)
    floor = _floor(view, limit)
    axes.axhline(limit or floor, **LIMIT, label="acceptance", gid="acceptance")
    look: dict[str, Any] = {"color": BLACK, "linewidth": 2.4, "zorder": 1.5, "gid": "jam risk"}
    if seen.any():
        x = view.scale.beside(0, len(HAZARDS) + 1)
        flowing = view.scale.flowing
        axes.plot(
            x,
            total,
            linestyle="-" if view.scale.joined else "none",
            marker="." if flowing else "o",
            markersize=2.5 if flowing else 4.0,
            label="jam risk, 95 %",
            **look,
        )
        _interval(axes, view, x, risk, ends=(low, high), label="_")
    for shift, name in enumerate(HAZARDS):
        _hazard(axes, view, name, floor=floor, shift=shift)
    _bounds(axes, view, upper)
    axes.set_ylim(floor, 1.6)
    if np.isnan(risk).all():
        say(axes, "no feed cycle")
    decades = [10.0**k for k in range(round(np.log10(floor)), 1)]
    axes.set_yticks(decades, [f"{100.0 * share:.4g}" for share in decades])
    axes.minorticks_off()
    return head(axes, "Jam risk (% of feed cycles); open marks: normal tail, none seen")


def _floor(view: SweepView, limit: float) -> float:
    """Return the lowest share drawn: a decade below what is shown, within reason."""
    shown = [limit, *view.column(lambda f: f.jam_risk.share)]
    for name in HAZARDS:
        shown += [
            *view.hazard(name, lambda h: h.share),
            *view.hazard(name, lambda h: h.tail_probability),
        ]
    least = min((share for share in shown if share > _FLOOR), default=1.0)
    return float(10.0 ** np.clip(np.floor(np.log10(0.5 * least)), -6.0, np.log10(_HIGHEST_FLOOR)))


def _hazard(axes: Axes, view: SweepView, name: HazardName, *, floor: float, shift: int) -> None:
    """Draw one hazard: filled marks where it was seen, open ones for its normal tail."""
    colour, marker, style = STYLES[name]
    share = np.nan_to_num(view.hazard(name, lambda h: h.share))
    tail = np.nan_to_num(view.hazard(name, lambda h: h.tail_probability))
    shown = np.where(share > 0.0, share, tail)
    shown = np.where(shown > floor, shown, np.nan)
    if np.isnan(shown).all():
        return
    line = style if view.scale.joined else "none"
    label = hazard_name(name)
    look: dict[str, Any] = {"color": colour, "marker": marker, "markersize": 4.0}
    # the legend always has the filled mark
    axes.plot([], [], linestyle=line, label=label, **look)
    x = view.scale.beside(shift + 1, len(HAZARDS) + 1)
    axes.plot(x, shown, linestyle=line, color=colour, gid=name)
    known = ~np.isnan(shown)
    marked = known & (some(view, shift=shift) | _alone(known))
    for which, face in ((marked & (share > 0.0), colour), (marked & (share == 0.0), "white")):
        axes.plot(x[which], shown[which], linestyle="none", markerfacecolor=face, **look)


def _alone(known: Bools) -> Bools:
    """Return which points have no neighbour for a line to join."""
    padded = np.concatenate(([False], known, [False]))
    return padded[1:-1] & ~padded[:-2] & ~padded[2:]
