"""The style of feedsim's figures, and their conversion to bytes."""

from __future__ import annotations

import logging
import os
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from html import escape
from io import BytesIO
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from feedsim.beside import beside
from feedsim.errors import FeedsimError, NoCache
from feedsim.render.fonts import HOUSE, dress, tell_of_missing, width_points
from feedsim.render.layout import one_line

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

# Colours distinct for people with any common colour vision: Okabe and Ito, "Color
# universal design", 2008. Lines and marks differ in style as well, for print in grey.
BLACK = "#000000"
ORANGE = "#E69F00"
SKY = "#56B4E9"
GREEN = "#009E73"
BLUE = "#0072B2"
VERMILLION = "#D55E00"
GREY = "#767676"

DASHED = (0, (5, 3))
"""A line style."""

A4_LANDSCAPE = (11.69, 8.27)
"""Inches."""

_Kind = Literal["png", "svg"]
_KINDS: tuple[_Kind, ...] = ("png", "svg")
_DPI = 150
_NOTHING: Any = {"Date": None, "Creator": None, "Format": None, "Type": None}
_LONGEST = 790.0  # of a heading (1/72 inch)
_MOST_LETTERS = 200
_STYLE: Any = {
    "figure.dpi": 100.0,
    "font.sans-serif": [HOUSE],
    "font.size": 9.0,
    "axes.titlesize": 9.5,
    "axes.labelsize": 9.0,
    "axes.linewidth": 0.7,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.unicode_minus": True,
    "axes.formatter.useoffset": False,
    "axes.formatter.limits": [-5, 12],  # a large number is written out
    "xtick.labelsize": 8.5,
    "ytick.labelsize": 8.5,
    "xtick.direction": "out",
    "legend.fontsize": 8.0,
    "legend.frameon": False,
    "hatch.linewidth": 0.7,
    "lines.linewidth": 1.2,
    "text.hinting": "none",  # a fifth less time, and letters stand where the SVG has them
    "text.parse_math": False,  # a dollar sign in a title is a dollar sign
    "svg.hashsalt": "feedsim",
    "svg.fonttype": "none",  # text stays text: it can be searched, copied and read out
    "path.simplify": True,
}


_PRINTED: Any = {  # NumPy's own; SVG names its parts after arrays as they print
    "precision": 8,
    "threshold": 1000,
    "edgeitems": 3,
    "linewidth": 75,
    "suppress": False,
    "nanstr": "nan",
    "infstr": "inf",
    "sign": "-",
    "formatter": None,
    "floatmode": "maxprec",
    "legacy": False,
}


def try_pictures() -> None:
    """Check, before a long run, that figures can be drawn; FeedsimError if matplotlib cannot."""
    backend = os.environ.pop("MPLBACKEND", None)  # no window is ever opened
    try:
        _load_matplotlib()
        from matplotlib.figure import Figure

        with house_style():
            figure = Figure((1.0, 1.0))
            figure.text(0.5, 0.5, "1")
        _drawn({"": figure}, [("", kind) for kind in _KINDS])
    except Exception as error:
        message = f"{type(error).__name__}: {error}"
        advice = "look at its own settings, such as a file matplotlibrc"
        raise FeedsimError(f"matplotlib cannot draw ({message}); {advice}") from error
    finally:
        if backend is not None:
            os.environ["MPLBACKEND"] = backend


@contextmanager
def _cache_in_words() -> Iterator[None]:
    """Warn once (NoCache) if matplotlib logs, as it loads, that its folders cannot be written."""
    said: list[logging.LogRecord] = []

    def is_other(record: logging.LogRecord) -> bool:
        if record.funcName != "_get_config_or_cache_dir":
            return True
        said.append(record)
        return False

    log = logging.getLogger("matplotlib")
    log.addFilter(is_other)
    try:
        yield
    finally:
        log.removeFilter(is_other)
    if said:
        note = "matplotlib cannot write into its cache folder, so it may load more slowly"
        warnings.warn(note, NoCache, stacklevel=2)


@_cache_in_words()
def _load_matplotlib() -> None:
    """Load it without the help texts of its classes, which take a quarter of the time."""
    from matplotlib import artist

    named = vars(artist)
    helps = named.get("kwdoc")
    try:
        named["kwdoc"] = lambda _: ""
        import matplotlib.backends.backend_agg
        import matplotlib.backends.backend_svg
        import matplotlib.figure  # noqa: F401
    finally:
        named["kwdoc"] = helps


@contextmanager
def house_style() -> Iterator[None]:
    """Draw with these settings only, whatever the user has set for matplotlib."""
    import matplotlib as mpl

    with mpl.rc_context():
        mpl.rcdefaults()
        mpl.rcParams.update(_STYLE)
        yield


def page(title: str, subtitle: str = "", *, y: float = 0.962) -> Figure:
    """Return a sheet of A4 on its side with its heading; `y`: see :func:`heading`."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=A4_LANDSCAPE)
    heading(figure, title, subtitle, y=y)
    return figure


def one_each(name: str, feeders: int, draw: Callable[[int], Figure | None]) -> dict[str, Figure]:
    """Draw a figure for each feeder, in the house style; None: nothing to draw.

    By file name without ending: `name`, or ``name-0`` and so on for several feeders.
    """
    with house_style():
        drawn = {f"{name}-{n}" if feeders > 1 else name: draw(n) for n in range(feeders)}
    return {name: figure for name, figure in drawn.items() if figure is not None}


def heading(figure: Figure, title: str, subtitle: str = "", *, y: float = 0.966) -> None:
    """Write title and subtitle at the top of a page, smaller if they are long.

    ``y``: of the middle of the title, a share of the height.
    """
    for text, at, points, bold in ((title, y, 13.0, True), (subtitle, y - 0.033, 10.0, False)):
        if text:
            told = one_line(text, _MOST_LETTERS)
            smaller = min(1.0, _LONGEST / max(1.0, width_points(told, points, bold=bold)))
            weight = "bold" if bold else "normal"
            look: Any = {"ha": "center", "va": "center", "fontweight": weight}
            figure.text(0.5, at, told, fontsize=points * smaller, **look)


def seen_in(figure: Figure) -> str:
    """Return the description of a figure: its label, set by the code that draws it."""
    return str(figure.get_label())


def render(figure: Figure, kind: _Kind) -> bytes:
    """Return a figure as the bytes of a file; the same figure gives the same bytes.

    Its first text is the title of the file, its label what is seen there. PNG is at 150 dots per
    inch, SVG has its letters as text.
    """
    buffer = BytesIO()
    title, seen = figure.texts[0].get_text() if figure.texts else "", seen_in(figure)
    more: dict[str, Any] = {"metadata": _NOTHING | ({"Title": title} if title else {})}
    if kind == "png":  # no maker either, so that bytes can be compared
        named = {"Title": title, "Description": seen}
        more = {
            "metadata": {"Software": None} | {k: v for k, v in named.items() if v},
            "pil_kwargs": {"compress_level": 3},
        }
    with house_style(), np.printoptions(**_PRINTED), warnings.catch_warnings():
        # a title may be in a script that no font has; it then shows boxes
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        warnings.filterwarnings("ignore", message="Matplotlib currently does not support")
        figure.savefig(buffer, format=kind, dpi=_DPI, **more)
    drawn = buffer.getvalue()
    if kind == "png" or not seen:
        return drawn
    return drawn.replace(b"</title>", f"</title>\n <desc>{escape(seen)}</desc>".encode(), 1)


def pictures(figures: Mapping[str, Figure]) -> dict[str, bytes]:
    """Return the files of some figures: for each name, a PNG and an SVG.

    Warns of characters that no font has (:class:`feedsim.errors.NotDrawn`).
    """
    tell_of_missing("".join(sorted({s for fig in figures.values() for s in dress(fig)})))
    files = [(name, kind) for name in figures for kind in _KINDS]
    mine, others = files[::4] + files[3::4], files[1::4] + files[2::4]  # as many PNGs in each
    with beside(lambda: _drawn(figures, others)) as rest:
        drawn = _drawn(figures, mine) | rest()
    return {file: drawn[file] for file in (f"{name}.{kind}" for name, kind in files)}


def _drawn(figures: Mapping[str, Figure], files: Sequence[tuple[str, _Kind]]) -> dict[str, bytes]:
    return {f"{name}.{kind}": render(figures[name], kind) for name, kind in files}


def above(axes: Axes, text: str, points: float, *, x: float | None = None, **look: Any) -> None:
    """Write a text above the axes, in their middle or at a value of the x axis.

    ``points``: distance from the top of the axes (1/72 inch).
    """
    axes.annotate(
        text,
        (0.5 if x is None else x, 1.0),
        (0.0, points),
        xycoords="axes fraction" if x is None else axes.get_xaxis_transform(),
        textcoords="offset points",
        **({"ha": "center"} | look),
    )


def true_minus(text: str) -> str:
    """Write the sign of negative numbers as the minus that axes use."""
    return text.replace("-", "\u2212")


def spread_out(places: list[float], *, gap: float, low: float, high: float) -> list[float]:
    """Spread rising places of labels apart by a gap, so that they do not touch, from low to high.

    Without enough room the gap shrinks. Groups that move keep their middle, if the ends allow.

    >>> spread_out([0.0, 10.0, 10.0], gap=2.0, low=0.0, high=20.0)
    [0.0, 9.0, 11.0]
    """
    if len(places) > 1:
        gap = min(gap, (high - low) / (len(places) - 1))
    groups: list[tuple[list[float], float]] = []  # wanted places, first label's place
    for place in places:
        members, start = [place], place
        while True:
            start = min(max(start, low), high - gap * (len(members) - 1))
            if not groups or groups[-1][1] + gap * len(groups[-1][0]) <= start + 1e-12:
                break
            members = groups.pop()[0] + members
            start = sum(p - gap * i for i, p in enumerate(members)) / len(members)
        groups.append((members, start))
    return [start + gap * i for members, start in groups for i in range(len(members))]
