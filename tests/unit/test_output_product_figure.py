"""The product figure: inserts, targets and overlaps stand where they should."""

from __future__ import annotations

from dataclasses import replace

import pytest

from feedsim.answers.run.product.figure import product_figure
from feedsim.answers.run.product.text import share_words
from feedsim.criteria import AllowedOverlap
from feedsim.render.canvas import render
from tests.unit.test_output_overview_figure import texts
from tests.unit.test_products import (
    FULL,
    SEVEN,
    SIX,
    gate_of,
    gated,
    gone,
    on,
    results,
    run_of,
    three,
    with_recipe,
)

INCH = 25.4


def bars(axes, gid):
    return [patch for patch in axes.patches if patch.get_gid() == gid]


@pytest.mark.parametrize(("units", "per_mm"), [("metric", 1.0), ("inch", 1.0 / INCH)])
def test_each_insert_lies_where_it_does_on_average_in_the_order_it_is_laid(units, per_mm):
    """Card at 21 mm (errors 2 and 0), sticker on top of it, leaflet last: layers 0, 1, 2."""
    records = run_of((on(20.0, 2.0), on(100.0), on(60.0)), FULL)
    figure = product_figure(results(records), three(), units=units)
    upper, _ = figure.axes
    for layer, (start, length) in enumerate([(21.0, 85.6), (60.0, 10.0), (100.0, 60.0)]):
        (bar,) = bars(upper, f"insert-{layer}")
        assert bar.get_x() == pytest.approx(start * per_mm)
        assert bar.get_width() == pytest.approx(length * per_mm)
        assert bar.get_y() + bar.get_height() / 2 == pytest.approx(layer)
    assert [label.get_text() for label in upper.get_yticklabels()] == ["card", "sticker", "leaflet"]
    targets = sorted({x for li in upper.lines if li.get_gid() == "target" for x in li.get_xdata()})
    ends = [20.0, 60.0, 70.0, 100.0, 105.6, 160.0]
    assert targets == pytest.approx([end * per_mm for end in ends])


def test_overlaps_are_hatched_and_dimensioned_and_wrong_ones_named():
    """Leaflet on card: 100 to 105.6 mm, sticker on card 60 to 70; the first is wrong."""
    found = results(run_of(FULL), with_recipe(pairs=(AllowedOverlap(0, 1, max_overlap_mm=5.0),)))
    figure = product_figure(found, three())
    spans = {
        (round(p.get_x(), 9), round(p.get_width(), 9)) for p in bars(figure.axes[0], "overlap")
    }
    assert spans == {(100.0, 5.6), (60.0, 10.0)}
    said = texts(figure)
    assert "overlap 5.600 mm, WRONG on 1" in said
    assert "overlap 10.000 mm" in said
    assert "clear 30.000 mm" in said


def test_shares_of_what_is_wrong():
    figure = product_figure(results(run_of(*SIX)), three())
    (partial,) = bars(figure.axes[1], "share-partial")
    assert partial.get_width() == pytest.approx(100.0 / 6.0)
    assert "1: 16.7 %" in texts(figure)
    # empty: none of 6, 1 - 0.05^(1/6) = 0.393 (Hanley & Lippman-Hand 1983, from memory)
    assert "0 (< 39.3 %)" in texts(figure)
    # and so far its line goes
    row = [t.get_text() for t in figure.axes[1].get_yticklabels()].index("wrong overlap")
    assert results(run_of(*SIX)).products.wrong_overlap.count == 0
    (line,) = [c for c in figure.axes[1].collections if c.get_segments()[0][0][1] == row]
    ends = line.get_segments()[0][:, 0]
    assert ends == pytest.approx([0.0, 100.0 * (1.0 - 0.05 ** (1.0 / 6.0))])
    assert not bars(figure.axes[1], "share-bad, passed")


def test_a_share_has_as_many_digits_as_it_has_in_the_text():
    """One of 260: 0.385 %, with a standard error of 0.5 %."""
    found = results(run_of(*[FULL] * 259, SIX[1]))
    (share,) = {found.products.partial.share, found.products.empty.share} - {0.0}
    assert share == 1 / 260
    assert "1: 0.4 %" in texts(product_figure(found, three()))
    assert share_words(
        max(found.products.partial, found.products.empty, key=lambda s: s.count)
    ).startswith("1: 0.4 %")


def test_the_gate_has_bars_of_its_own():
    _, found = gate_of(*gated(*SEVEN))
    figure = product_figure(found, three())
    (passed,) = bars(figure.axes[1], "share-bad, passed")
    assert passed.get_width() == pytest.approx(400.0 / 7.0)


def test_where_nothing_was_placed_the_target_is_drawn():
    figure = product_figure(results(run_of((on(20.0), gone(), on(60.0)))), three())
    (bar,) = bars(figure.axes[0], "insert-2")
    assert (bar.get_x(), bar.get_linestyle()) == (100.0, "--")
    assert "none placed" in texts(figure)


def test_same_bytes_whatever_the_names():
    line = three()
    found = results(run_of(*SIX))
    names = [
        replace(f, name=n) for f, n in zip(found.feeders, ("$a$", "\n", "木" * 90), strict=True)
    ]
    odd = replace(found, feeders=tuple(names), title="x" * 300)
    odd = replace(odd, products=replace(odd.products, overlaps=()))
    for one in (found, odd):
        assert render(product_figure(one, line), "svg") == render(product_figure(one, line), "svg")
