"""Texts of a figure as they are drawn: which are cut, faint, on another or on a mark."""

from __future__ import annotations

from itertools import combinations
from typing import Any

__all__ = ["text_faults"]

_CLEAR = 2.0
"""Pixels at 100 dots per inch that a text keeps from a mark."""


def text_faults(figure: Any) -> list[Any]:
    """Return texts that reach over the page, pairs drawn one over the other, and texts on marks."""
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
    on = [
        (a.get_text(), b.get_text())
        for (a, x), (b, y) in combinations(boxes, 2)
        if x.overlaps(y) and not _slanted(a, b)  # whose boxes overlap though they do not
    ]
    return cut + on + _on_marks(figure, boxes)


def _on_marks(figure: Any, boxes: list[tuple[Any, Any]]) -> list[tuple[str, str]]:
    """Return texts that a mark of a line stands on or touches, with what the line is."""
    from matplotlib.transforms import Bbox

    found = []
    for axes in figure.axes:
        for line in axes.lines:
            if line.get_marker() in (None, "None", "", " ", "|", ".") or not line.get_visible():
                continue
            half = 0.5 * line.get_markersize() * figure.dpi / 72.0 + _CLEAR
            at = line.get_transform().transform(line.get_xydata())
            for x, y in at[line.get_markevery() or slice(None)]:
                mark = Bbox([[x - half, y - half], [x + half, y + half]])
                found += [
                    (text.get_text(), f"mark of {line.get_gid() or line.get_label()}")
                    for text, box in boxes
                    if box.overlaps(mark) and text.axes is axes
                ]
    return found


def _slanted(*texts: Any) -> bool:
    return all(text.get_rotation() % 90.0 for text in texts)
