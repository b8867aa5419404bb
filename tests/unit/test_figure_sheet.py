"""Odd lines: no label of a figure is cut or stands on another.

The whole sheet is made in ``tests/benchmarks/test_figure_sheet.py``; here some of it.
"""

from __future__ import annotations

from typing import Any

import pytest
from matplotlib.colors import to_rgb
from matplotlib.text import Text

from feedsim.render.fonts import dress
from tests.figure_sheet import UNITS, answer
from tests.text_boxes import text_faults

SOME = (
    "run slow", "run one carrier", "explain long names", "sweep words",
    "compare equal", "map", "tune long names",
)  # fmt: skip


def faults(name: str) -> list[Any]:
    """Return what is cut or crowded in the figures of a line of the sheet."""
    found = []
    for units in UNITS:
        for file, figure in answer(name).figures(units=units).items():
            dress(figure)
            found += [(units, file, fault) for fault in text_faults(figure)]
            assert figure.get_label(), f"{file} does not say what is seen"
    return found


@pytest.mark.filterwarnings("ignore:Glyph")
@pytest.mark.parametrize("name", SOME)
def test_no_label_is_cut_or_on_another(name: str) -> None:
    assert faults(name) == []


def test_the_check_finds_what_is_cut_and_what_is_crowded() -> None:
    figures = answer("sweep words").figures()
    rows = figures["rows"]
    title = rows.texts[0]
    x, y = title.get_position()
    rows.text(x, y, "in the way", ha="center", va="center")
    rows.text(0.98, 0.5, "over the edge")
    assert text_faults(rows) == ["over the edge", (title.get_text(), "in the way")]
    fan = rows.axes[-1]
    mark = next(line for line in fan.lines if line.get_marker() == "o")
    fan.text(*mark.get_xydata()[0], "touched", ha="right", va="center")
    assert ("touched", f"mark of {mark.get_gid() or mark.get_label()}") in text_faults(rows)


def test_every_text_is_dark_enough_to_be_read_in_a_grey_print() -> None:
    # WCAG 2.2, "relative luminance" and success criterion 1.4.6
    def grey(colour: Any) -> float:
        parts = [
            c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in to_rgb(colour)
        ]
        return 0.2126 * parts[0] + 0.7152 * parts[1] + 0.0722 * parts[2]

    figure = answer("run one carrier").figures()["timing"]
    texts = [text for text in figure.findobj(Text) if text.get_text().strip()]
    faint = [text for text in texts if 1.05 / (grey(text.get_color()) + 0.05) < 7.0]
    assert faint  # the colours of the lines that they name
    dress(figure)
    assert [t.get_text() for t in faint if 1.05 / (grey(t.get_color()) + 0.05) < 7.0] == []
    reds = [t for t in faint if to_rgb(t.get_color())[0] > 0.4]
    assert reds  # darker, and still of that hue


def test_a_slow_line_counts_in_seconds_and_a_fast_one_in_milliseconds() -> None:
    for name, unit in (("run slow", "s"), ("run fast", "ms")):
        figure = answer(name).figures()["timing"]
        assert figure.axes[-1].get_xlabel().endswith(f"carrier eye ({unit})")
        said = [t.get_text() for t in figure.axes[0].texts if "clutch\ncloses" in t.get_text()]
        assert all(text.endswith(f" {unit}") for text in said)
        assert said


def test_both_of_two_equal_setups_are_seen() -> None:
    figure = answer("compare equal").figures()["compare"]
    first, second = (
        next(line for line in figure.axes[2].lines if line.get_gid() == f"setup {letter}")
        for letter in "AB"
    )
    assert first.get_ydata() == pytest.approx(second.get_ydata())
    # the later one lies within the earlier, and covers neither its line nor its marks
    assert second.get_zorder() >= first.get_zorder()
    assert second.get_linewidth() < 0.6 * first.get_linewidth()
    assert second.get_markersize() < 0.6 * first.get_markersize()
    assert second.get_markerfacecolor() == "none"
