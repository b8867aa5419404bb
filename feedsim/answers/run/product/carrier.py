"""The carrier from the side, its inserts in layers, with overlaps and clearances as dimensions."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from textwrap import wrap
from typing import TYPE_CHECKING, NamedTuple

from feedsim.machine import Machine
from feedsim.metrics.overlaps import Overlap
from feedsim.metrics.results import Results
from feedsim.quantities import System, display, display_unit
from feedsim.render.canvas import BLACK, BLUE, GREY, SKY, VERMILLION, true_minus
from feedsim.render.layout import one_line
from feedsim.render.wording import length, length_number

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_HALF = 0.3
_NAMES_POINTS = 230.0  # height of the panel (1/72 inch)
"""Half the height of an insert, where layers are 1 apart."""
_SIGMAS = 3.0
_MANY = 8
_SHIFTS = (0.0, -0.1, 0.1)
"""Shifts of dimensions between the same layers."""


class _Insert(NamedTuple):
    """One feeder's insert on the carrier; lengths in mm behind the leading edge.

    ``mean_mm``: its mean position, or its target if none was placed.
    """

    name: str
    layer: int
    target_mm: float
    mean_mm: float
    sd_mm: float
    length_mm: float
    placed: int

    @property
    def last_mm(self) -> float:
        """Mean position of its tail."""
        return self.mean_mm + self.length_mm


class _Style(NamedTuple):
    """How things are drawn: display units per mm, the units, and the size of small letters."""

    factor: float
    units: System
    small: float


def draw_carrier(axes: Axes, results: Results, machine: Machine, *, units: System) -> None:
    """Draw the carrier with its inserts, later ones higher."""
    unit = display_unit("length", units)
    inserts = _inserts(results, machine)
    look = _Style(unit.factor, units, 8.5 if len(inserts) <= _MANY else 5.5)
    long_mm = machine.carriers.length_mm
    carrier = long_mm * unit.factor
    axes.barh(-1.0, carrier, height=2 * _HALF, color="#E8E8E8", edgecolor=GREY, lw=0.8)
    said = f"carrier, {display(long_mm, 'length', units=units)}"
    axes.text(carrier / 2, -1.0, said, ha="center", va="center", fontsize=look.small)
    for insert in inserts:
        _draw_insert(axes, insert, look)
    _draw_dimensions(axes, inserts, results.products.overlaps, look)
    names = [
        "\n".join(wrap(one_line(insert.name, 80), 24 if insert.name.isascii() else 12))
        for insert in inserts
    ]
    axes.set_yticks(range(len(inserts)), names)
    rows = max(name.count("\n") + 1 for name in names)
    room = _NAMES_POINTS / (len(inserts) + 1.5) / rows
    axes.tick_params("y", length=0.0, labelsize=min(look.small, 0.8 * room))
    axes.set_ylim(-1.6, len(inserts) - 0.2)
    axes.spines["left"].set_visible(False)
    first, last = min(0.0, *(i.mean_mm for i in inserts)), max(i.last_mm for i in inserts)
    first, last = first * unit.factor, max(long_mm, last) * unit.factor
    axes.set_xlim(first - 0.02 * (last - first), last + 0.02 * (last - first))
    axes.set_xlabel(
        f"behind the carrier's leading edge ({unit.label}); the carrier moves to the left, "
        "what is laid later lies higher"
    )
    title = f"Mean position, whiskers of {_SIGMAS:.0f} standard deviations, | target"
    if len(results.products.overlaps) > _MANY:
        title += "; dimensions of neighbours only"
    axes.set_title(title, fontsize=9.5)
    margin = axes.secondary_yaxis("right")
    margin.set_yticks(range(len(inserts)), [_said(insert, units) for insert in inserts])
    margin.tick_params("y", length=0.0, labelsize=look.small)
    margin.spines["right"].set_visible(False)


def _inserts(results: Results, machine: Machine) -> list[_Insert]:
    """Return the inserts in the order of laying."""
    found = []
    for layer, number in enumerate(machine.laying_order):
        feeder, figures = machine.feeders[number], results.feeders[number]
        target, error = feeder.settings.target_offset_mm, figures.placement_error
        found.append(
            _Insert(
                name=figures.name,
                layer=layer,
                target_mm=target,
                mean_mm=target + (error.mean_mm or 0.0),
                sd_mm=error.sd_mm or 0.0,
                length_mm=feeder.inserts.length_mm,
                placed=error.n,
            )
        )
    return found


def _draw_insert(axes: Axes, insert: _Insert, look: _Style) -> None:
    start, end = insert.mean_mm * look.factor, insert.last_mm * look.factor
    axes.barh(
        insert.layer,
        end - start,
        left=start,
        height=2 * _HALF,
        lw=0.9,
        facecolor=SKY if insert.placed else "white",
        edgecolor=BLUE if insert.placed else GREY,
        ls="-" if insert.placed else "--",
        gid=f"insert-{insert.layer}",
    )
    reach = [insert.layer - 0.42, insert.layer + 0.42]
    for place in (insert.target_mm, insert.target_mm + insert.length_mm):
        axes.plot([place * look.factor] * 2, reach, color=BLACK, lw=0.8, gid="target")
    spread = _SIGMAS * insert.sd_mm * look.factor
    for place in (start, end):
        axes.errorbar(place, insert.layer, xerr=spread, color=BLACK, lw=1.2, capsize=3.0)


def _said(insert: _Insert, units: System) -> str:
    """Say where an insert lies, for the margin."""
    if not insert.placed:
        return "none placed"
    first = true_minus(length_number(insert.mean_mm, units))
    text = f"{first} to {_length(insert.last_mm, units)}"
    return f"{text}\nsd {_length(insert.sd_mm, units)}" if insert.sd_mm else text


def _draw_dimensions(
    axes: Axes, inserts: Sequence[_Insert], overlaps: Sequence[Overlap], look: _Style
) -> None:
    """Hatch and dimension every overlap; of very many only those of neighbouring layers."""
    at = {insert.name: insert for insert in inserts}
    used: Counter[float] = Counter()
    for overlap in overlaps:
        low, high = sorted((at[overlap.below], at[overlap.above]), key=lambda i: i.layer)
        ends = sorted((max(low.mean_mm, high.mean_mm), min(low.last_mm, high.last_mm)))
        span = (ends[0] * look.factor, ends[1] * look.factor)
        colour = VERMILLION if overlap.wrong.count else BLACK
        if _value_mm(overlap) > 0.0:
            _hatch(axes, (low.layer, high.layer), span, colour=colour)
        if len(overlaps) <= _MANY or high.layer - low.layer == 1:
            gap = low.layer + 0.5
            y = gap + _SHIFTS[used[gap] % len(_SHIFTS)]
            used[gap] += 1
            reach = [low.layer + _HALF, high.layer - _HALF]
            for place in span:
                axes.plot([place] * 2, reach, color=colour, lw=0.5, ls=":")
            _dimension(axes, overlap, span, y=y, look=look)


def _value_mm(overlap: Overlap) -> float:
    return overlap.nominal_mm if overlap.mean_mm is None else overlap.mean_mm


def _hatch(axes: Axes, layers: Sequence[int], span: tuple[float, float], *, colour: str) -> None:
    for layer in layers:
        axes.barh(
            layer,
            span[1] - span[0],
            left=span[0],
            height=2 * _HALF,
            fill=False,
            hatch="////",
            lw=0.0,
            edgecolor=colour,
            gid="overlap",
        )


def _dimension(
    axes: Axes, overlap: Overlap, span: tuple[float, float], *, y: float, look: _Style
) -> None:
    """Draw an overlap or a clearance as a dimension between the layers of its inserts."""
    colour = VERMILLION if overlap.wrong.count else BLACK
    arrow = {"arrowstyle": "<->", "color": colour, "lw": 0.9, "shrinkA": 0, "shrinkB": 0}
    axes.annotate("", (span[1], y), (span[0], y), arrowprops=arrow)
    value = _value_mm(overlap)
    name = "overlap" if value > 0.0 else "clear"
    text = f"{name} {_length(abs(value), look.units)}"
    if overlap.wrong.count:
        text += f", WRONG on {overlap.wrong.count}"
    axes.annotate(
        text,
        (span[1], y),
        (4.0, 0.0),
        textcoords="offset points",
        ha="left",
        va="center",
        fontsize=look.small,
        color=colour,
    )


def _length(value_mm: float, units: System) -> str:
    return true_minus(length(value_mm, units))
