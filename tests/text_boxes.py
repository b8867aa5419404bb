"""Texts of a figure as they are drawn: which are cut by the page, and which stand on another."""

from __future__ import annotations

from itertools import combinations
from typing import Any

__all__ = ["text_faults"]


def text_faults(figure: Any) -> list[Any]:
    """Return texts that reach over the page, and pairs that are drawn one over the other."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.text import Text

    from feedsim.render.canvas import house_style

    with house_style():
        renderer = FigureCanvasAgg(figure).get_renderer()
        figure.draw(renderer)
    hidden = set()
    for axes in figure.axes:
        if not axes.get_visible():
            hidden |= set(axes.findobj(Text))
        for axis in (axes.xaxis, axes.yaxis):
            low, high = sorted(axis.get_view_interval())
            for tick in axis.get_major_ticks():
                if not low <= tick.get_loc() <= high:
                    hidden |= {tick.label1, tick.label2}
    boxes = [
        (text, Text.get_window_extent(text, renderer).padded(-0.5))
        for text in figure.findobj(Text)
        if text not in hidden and text.get_visible() and text.get_text().strip()
    ]
    page = figure.bbox.padded(0.5)
    cut = [
        text.get_text()
        for text, box in boxes
        if not (page.x0 <= box.x0 and box.x1 <= page.x1 and page.y0 <= box.y0 and box.y1 <= page.y1)
    ]
    return cut + [
        (a.get_text(), b.get_text())
        for (a, x), (b, y) in combinations(boxes, 2)
        if x.overlaps(y) and not _slanted(a, b)  # whose boxes overlap though they do not
    ]


def _slanted(*texts: Any) -> bool:
    return all(text.get_rotation() % 90.0 for text in texts)
