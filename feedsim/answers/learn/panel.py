"""What all panels of the figure of learned values share: styles, title, an empty panel."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

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


def titled(axes: Axes, title: str) -> None:
    """Write a title above a panel."""
    above(axes, title, 5.0, fontsize=9.5, fontweight="bold")


def nothing(axes: Axes, why: str) -> None:
    """Say in an empty panel why it is empty."""
    axes.text(0.5, 0.5, why, ha="center", va="center", transform=axes.transAxes, color=GREY)
    axes.set_xticks([])
    axes.set_yticks([])
