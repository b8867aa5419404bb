"""The figures of a tune; here all knobs on a page: their ranges, accepted parts and worths."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from feedsim.answers.tune.pages import fronts_figure, windows_figure
from feedsim.answers.tune.study.after import ChangeWorth, KnobWindow, Tuning
from feedsim.answers.tune.words import at_words, best_words, gain, judged_words, number_of, shown
from feedsim.answers.tune.words import unit_of as unit_of_aim
from feedsim.quantities import System, display_unit
from feedsim.render.canvas import BLACK, BLUE, GREY, ORANGE, SKY, house_style, page
from feedsim.render.layout import one_line

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_HELD: dict[str, Any] = {"facecolor": SKY, "edgecolor": BLUE, "linewidth": 0.8}
_AGAIN: dict[str, Any] = {"facecolor": "none", "edgecolor": BLUE, "linewidth": 0.8, "hatch": "////"}
_NOW: dict[str, Any] = {
    "marker": "o", "markerfacecolor": "white", "markeredgecolor": BLACK, "markersize": 9.0
}  # fmt: skip
_BEST: dict[str, Any] = {"marker": "D", "color": BLACK, "markersize": 4.5}


def tune_figures(found: Tuning, *, units: System) -> dict[str, Figure]:
    """Draw a tune by file name without ending; nothing if no setup is accepted.

    ``tune``: values, windows and worths; ``windows``: each knob turned; ``fronts``.
    """
    if not found.windows:
        return {}
    with house_style():
        figures = {"tune": _setup_figure(found, units)}
        if any(window.values for window in found.windows):
            figures["windows"] = windows_figure(found, units)
        if found.fronts:
            figures["fronts"] = fronts_figure(found, units)
    return figures


def _setup_figure(found: Tuning, units: System) -> Figure:
    """Draw the page: at the left each knob along its range, at the right what it buys."""
    rows = _rows_of(found, units)
    terms = {term.key: term for term in found.terms}
    about = f"{best_words(found.best, found, units)}, now {judged_words(found.now, found, units)}"
    figure = page(found.title, about)
    at = at_words(found, units)
    figure.set_label(
        f"{about}. Left, for each knob its choices, the value now and the best one, and where "
        f"it stays accepted at {at}. Right, what is lost if one change alone is taken back."
    )
    left = figure.add_axes((0.27, 0.17, 0.36, 0.68))
    right = figure.add_axes((0.68, 0.17, 0.27, 0.68))
    _draw_knobs(left, rows, f"the choices, and which of them are accepted\nat {at}")
    _draw_worths(right, rows, terms, found, units)
    _legend(figure)
    return figure


def _draw_knobs(axes: Axes, rows: Sequence[_Row], title: str) -> None:
    from matplotlib.patches import Rectangle

    for place, row in enumerate(rows):
        axes.plot([0.0, 1.0], [place, place], color=GREY, linewidth=0.8, zorder=1.0)
        for span, height, look in ((row.retuned, 0.34, _AGAIN), (row.held, 0.22, _HELD)):
            if span is not None:
                wide = max(span[1] - span[0], 0.004)
                axes.add_patch(
                    Rectangle((span[0], place - height / 2), wide, height, zorder=1.5, **look)
                )
        axes.plot([row.now_at], [place], linestyle="none", zorder=3.0, **_NOW)
        axes.plot([row.best_at], [place], linestyle="none", zorder=3.5, **_BEST)
        small: dict[str, Any] = {"fontsize": 8.0, "va": "center_baseline"}
        axes.text(-0.045, place, row.first, ha="right", **small)
        axes.text(1.045, place, row.last, ha="left", **small)
        if row.now_at != row.best_at:
            axes.text(row.now_at, place + 0.3, f"now {row.now}", ha=_side(row.now_at), **small)
        bold: dict[str, Any] = small | {"fontweight": "bold"}
        axes.text(row.best_at, place - 0.3, row.best, ha=_side(row.best_at), **bold)
    axes.set_xlim(-0.2, 1.2)
    axes.set_ylim(len(rows) - 0.45, -0.55)
    axes.set_xticks([])
    axes.set_yticks(range(len(rows)), [_short(one_line(row.key, 48)) for row in rows])
    axes.tick_params(axis="y", length=0.0)
    for side in ("left", "bottom"):
        axes.spines[side].set_visible(False)
    axes.set_title(title, fontsize=9.0)


def _side(at: float) -> str:
    return "left" if at < 0.08 else "right" if at > 0.92 else "center"


def _short(key: str) -> str:
    """Write a long key on two lines."""
    if len(key) <= 24:
        return key
    before, _, last = key.rpartition(".")
    return f"{before}.\n{last}" if before else key


def _draw_worths(
    axes: Axes, rows: Sequence[_Row], terms: dict[str, ChangeWorth], found: Tuning, units: System
) -> None:
    factor, unit = _scale(found, units)
    ends = [0.0]
    for place, row in enumerate(rows):
        term = terms.get(row.key)
        if term is None or term.worth is None:
            continue
        size = factor * term.worth
        look: dict[str, Any] = {"facecolor": ORANGE, "edgecolor": BLACK, "linewidth": 0.6}
        axes.barh(place, size, height=0.34, gid=f"worth {row.key}", **look)
        ends.append(size)
        if term.interval is not None:
            low, high = (factor * end for end in term.interval)
            axes.plot([low, high], [place, place], color=BLACK, linewidth=1.4, marker="|")
            ends += [low, high]
    room = 0.05 * (max(ends) - min(ends)) or 1.0
    for place, row in enumerate(rows):
        said = _said(row, terms.get(row.key), found, units)
        if said:
            axes.text(0.0, place - 0.3, f" {said}", fontsize=8.0, va="center_baseline", gid="told")
    axes.axvline(0.0, color=BLACK, linewidth=0.8)
    axes.set_xlim(min(ends) - room, max(ends) + room)
    axes.set_ylim(len(rows) - 0.45, -0.55)
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    axes.grid(axis="x", color="#dddddd", linewidth=0.6)
    axes.set_axisbelow(True)
    axes.set_xlabel(f"worth of the change ({unit})")
    axes.set_title("what is lost if one change alone is taken back", fontsize=9.0)


def _scale(found: Tuning, units: System) -> tuple[float, str]:
    if found.aim == "speed":
        there = display_unit("speed", units)
    elif found.aim == "spread":
        there = display_unit("length", units)
    else:
        return 100.0, "%"
    return there.factor, there.label


def _said(row: _Row, term: ChangeWorth | None, found: Tuning, units: System) -> str:
    if not row.matters:
        return "does not matter"
    if term is None:
        return "stays as it is"
    if not term.possible:
        return "cannot be taken back alone"
    if term.worth is None:
        return "without it nothing is accepted"
    text = f"{gain(term.worth, found.aim, units)} {unit_of_aim(found.aim, units)}"
    return text if term.interval is None or term.told_apart else f"{text}, perhaps nothing"


def _legend(figure: Figure) -> None:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    handles = [
        Line2D([], [], linestyle="none", **_NOW),
        Line2D([], [], linestyle="none", **_BEST),
        Patch(**_HELD),
        Patch(**_AGAIN),
        Patch(facecolor=ORANGE, edgecolor=BLACK, linewidth=0.6),
        Line2D([], [], color=BLACK, linewidth=1.4, marker="|"),
    ]
    labels = [
        "now",
        "best",
        "accepted, the others held",
        "accepted, the others re-tuned",
        "worth of a change",
        "its 95 % interval",
    ]
    figure.legend(handles, labels, loc="center", bbox_to_anchor=(0.5, 0.055), ncols=6)


@dataclass(frozen=True, slots=True)
class _Row:
    """One knob along its range, its first value at 0 and its last at 1.

    ``held`` and ``retuned`` are where it stays accepted; None for nowhere, or for words. ``first``,
    ``last``, ``now`` and ``best`` are texts.
    """

    key: str
    first: str
    last: str
    now: str
    best: str
    now_at: float
    best_at: float
    held: tuple[float, float] | None
    retuned: tuple[float, float] | None
    matters: bool


def _rows_of(found: Tuning, units: System) -> list[_Row]:
    """Return a row for each knob that has a window."""
    windows = {window.key: window for window in found.windows}
    rows = []
    for knob in found.knobs:
        window = windows.get(knob.key)
        if window is None:
            continue
        at = _Scale(window)
        rows.append(
            _Row(
                key=knob.key,
                first=shown(window.had[0], units),
                last=shown(window.had[1], units),
                now=shown(knob.now, units),
                best=shown(knob.best, units),
                now_at=at.place(knob.now),
                best_at=at.place(knob.best),
                held=at.span(window.low, window.high),
                retuned=at.span(window.retuned.low, window.retuned.high),
                matters=knob.matters,
            )
        )
    return rows


class _Scale:
    def __init__(self, window: KnobWindow) -> None:
        ends = [number_of(text) for text in window.had]
        self._low, self._high = (ends[0], ends[1]) if window.values else (None, None)
        self._words = [window.had[0], *window.held.accepted, window.had[1]]

    def place(self, text: str) -> float:
        value = number_of(text)
        if self._low is None or self._high is None or value is None or self._low == self._high:
            return 0.0 if text == self._words[0] else 1.0 if text == self._words[-1] else 0.5
        return (value - self._low) / (self._high - self._low)

    def span(self, low: str | None, high: str | None) -> tuple[float, float] | None:
        if low is None or high is None or self._low is None:
            return None
        return self.place(low), self.place(high)
