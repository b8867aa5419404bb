"""Odd lines: no label of a figure is cut or stands on another.

The whole sheet is made in ``tests/benchmarks/test_figure_sheet.py``; here some of it.
"""

from __future__ import annotations

from typing import Any

import pytest

from feedsim.render.fonts import dress
from tests.figure_sheet import SHEET, UNITS
from tests.text_boxes import text_faults

SOME = (
    "run slow", "run one carrier", "explain long names", "sweep words",
    "compare equal", "map", "tune long names",
)  # fmt: skip


def faults(name: str) -> list[Any]:
    """Return what is cut or crowded in the figures of a line of the sheet."""
    answer = SHEET[name]()
    found = []
    for units in UNITS:
        for file, figure in answer.figures(units=units).items():
            dress(figure)
            found += [(units, file, fault) for fault in text_faults(figure)]
            assert figure.get_label(), f"{file} does not say what is seen"
    return found


@pytest.mark.filterwarnings("ignore:Glyph")
@pytest.mark.parametrize("name", SOME)
def test_no_label_is_cut_or_on_another(name: str) -> None:
    assert faults(name) == []


def test_the_check_finds_what_is_cut_and_what_is_crowded() -> None:
    figures = SHEET["sweep words"]().figures()
    rows = figures["rows"]
    title = rows.texts[0]
    x, y = title.get_position()
    rows.text(x, y, "in the way", ha="center", va="center")
    rows.text(0.98, 0.5, "over the edge")
    assert text_faults(rows) == ["over the edge", (title.get_text(), "in the way")]


def test_a_slow_line_counts_in_seconds_and_a_fast_one_in_milliseconds() -> None:
    for name, unit in (("run slow", "s"), ("run fast", "ms")):
        figure = SHEET[name]().figures()["timing"]
        assert figure.axes[-1].get_xlabel().endswith(f"carrier eye ({unit})")
        said = [t.get_text() for t in figure.axes[0].texts if "clutch\ncloses" in t.get_text()]
        assert all(text.endswith(f" {unit}") for text in said)
        assert said


def test_both_of_two_equal_setups_are_seen() -> None:
    figure = SHEET["compare equal"]().figures()["compare"]
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
