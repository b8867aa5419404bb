"""A sum drawn step by step: each bar begins where the one above it ends."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

from feedsim.render.canvas import BLACK, GREY, ORANGE, SKY

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MORE: dict[str, Any] = {"facecolor": ORANGE, "edgecolor": BLACK, "linewidth": 0.6}
"""A bar that adds."""
LESS: dict[str, Any] = MORE | {"facecolor": SKY, "hatch": "////"}
"""A bar that takes away."""
_SUM: dict[str, Any] = {"facecolor": "#4d4d4d", "edgecolor": BLACK, "linewidth": 0.6}
_LARGEST_LETTERS = 8.5
_SPACED = 1.45  # a row by its letters
_ROOM = 0.06  # beside the bars
_BETWEEN = 1.02  # where the columns of numbers begin, a share of the axes


class WaterfallRow(NamedTuple):
    """A row: its name, what it adds (None: a heading for those below), and its numbers."""

    name: str
    size: float | None = None
    told: tuple[str, ...] = ()


def draw_waterfall(
    axes: Axes,
    steps: Sequence[WaterfallRow],
    *,
    last: WaterfallRow,
    heads: Sequence[str],
    column: float,
) -> None:
    """Draw the steps from the top down, and their sum, ``last``, as a bar from 0.

    Room is left at the left of the axes for names and at their right for numbers, under ``heads``,
    in columns of a width that is a share of the axes.
    """
    rows = [*steps, last]
    figure: Any = axes.get_figure()
    tall = 72.0 * figure.get_figheight() * axes.get_position().height / (len(rows) + 1.0)
    letters = min(_LARGEST_LETTERS, tall / _SPACED)
    so_far, ends = 0.0, [0.0, last.size or 0.0]
    for row, step in enumerate(steps):
        if step.size is None:
            continue
        axes.barh(
            row, step.size, left=so_far, height=0.66, gid=f"step {step.name}",
            **(MORE if step.size > 0.0 else LESS),
        )  # fmt: skip
        so_far += step.size
        ends.append(so_far)
        following = next(i for i, s in enumerate(rows) if i > row and s.size is not None)
        axes.plot([so_far] * 2, [row, following], color=GREY, linewidth=0.7, zorder=0.8)
    axes.barh(len(steps), last.size or 0.0, height=0.66, gid="sum", **_SUM)
    axes.axvline(0.0, color=BLACK, linewidth=0.8)
    axes.set_ylim(len(rows) - 0.4, -0.7)
    room = _ROOM * (max(ends) - min(ends)) or 1.0
    axes.set_xlim(min(ends) - room, max(ends) + room)
    names = ["" if step.size is None else step.name for step in rows]
    axes.set_yticks(range(len(rows)), names, fontsize=letters)
    axes.get_yticklabels()[-1].set_fontweight("bold")
    axes.tick_params(axis="y", length=0.0)
    _name_groups(axes, rows, letters)
    axes.spines["left"].set_visible(False)
    axes.grid(axis="x", color="#dddddd", linewidth=0.6)
    axes.set_axisbelow(True)
    look: dict[str, Any] = {"ha": "right", "va": "center_baseline", "fontsize": letters}
    for place, head in enumerate(heads):
        x = _BETWEEN + column * (place + 1)
        axes.text(x, -1.0, head, transform=axes.get_yaxis_transform(), **look)
        for row, step in enumerate(rows):
            if place < len(step.told) and step.told[place]:
                weight = "bold" if step is last else "normal"
                axes.text(
                    x, row, step.told[place], transform=axes.get_yaxis_transform(),
                    fontweight=weight, gid="told", **look,
                )  # fmt: skip


def _name_groups(axes: Axes, rows: Sequence[WaterfallRow], letters: float) -> None:
    """Write the headings, whose rows have no bar, from the left edge of the page."""
    for row, step in enumerate(rows):
        if step.size is None:
            axes.annotate(
                step.name,
                (0.02, row),
                xycoords=("figure fraction", "data"),
                va="center_baseline",
                fontsize=letters,
                fontweight="bold",
                bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0},
            )
