"""The maps of a sweep over two axes: cells, outline, marks and scales."""

from __future__ import annotations

from dataclasses import replace
from itertools import product
from typing import Any

import numpy as np
import pytest

from feedsim.answers.sweep.curves import outline, shown_ticks, what_fails
from feedsim.answers.sweep.map import sweep_maps
from feedsim.answers.sweep.map_panels import COLOURS
from feedsim.answers.sweep.scale import scale_of
from feedsim.render.canvas import render
from feedsim.running.axes import Axis, parse_axis, parse_speeds
from feedsim.running.run import run_scenario
from feedsim.scenario import load_scenario
from tests.unit.sweep_points import SCENARIOS, by_hand, feeder, level, lines, point, texts

GAP = parse_axis("feeder.0.insert.gap=25.4,50.8 mm")
SPEEDS = parse_speeds("30.48,60.96,91.44 m/min")


def grid_points(first: Axis, last: Axis, **cells: Any) -> list[Any]:
    """Return the points of two axes; a cell r0c1 … is what is given for it, or harmless."""
    made = []
    for (r, row), (c, column) in product(enumerate(first.values), enumerate(last.values)):
        varied = {first.key: row}
        speed = last.numbers[c] if last.is_speed else 1000.0
        if not last.is_speed:
            varied[last.key] = column
        given = dict(cells.get(f"r{r}c{c}", {}))
        made.append(point(speed, given.pop("feeder", feeder()), varied=varied, **given))
    return made


def drawn(points: Any, *axes: Axis, units: Any = "metric") -> Any:
    """Return the axes of the only figure: panels by their places, scales by "scale 0" …."""
    found = sweep_maps(by_hand(points, *axes), units=units)
    (figure,) = found.values()
    return {panel.get_label(): panel for panel in figure.axes}


def cells(panel: Any) -> Any:
    (mesh,) = [c for c in panel.collections if c.get_gid() == "cells"]
    return mesh.get_array()


def segments(panel: Any) -> Any:
    """Return the lines of the outline; it is drawn twice, in black over white."""
    white, black = [c for c in panel.collections if c.get_gid() == "accepted"]
    assert len(white.get_segments()) == len(black.get_segments())
    return {tuple(map(tuple, segment)) for segment in black.get_segments()}


REFUSED = {"accepted": False, "because": {"jam_risk": "card feeder: 2 % …"}}


# -- outline


def test_one_cell_has_four_edges() -> None:
    # row 1, column 2 of a grid: x from 1.5 to 2.5, y from 0.5 to 1.5
    inside = np.zeros((3, 4), dtype=bool)
    inside[1, 2] = True
    found = outline(inside, np.arange(5) - 0.5, np.arange(4) - 0.5)
    assert set(found) == {
        ((1.5, 0.5), (1.5, 1.5)),
        ((2.5, 0.5), (2.5, 1.5)),
        ((1.5, 0.5), (2.5, 0.5)),
        ((1.5, 1.5), (2.5, 1.5)),
    }


@pytest.mark.parametrize(
    ("rows", "edges"),
    [
        (["##", "##"], 8),
        (["##", "#."], 8),
        (["#.", ".#"], 8),
        (["###", "#.#", "###"], 16),  # 12 outside, 4 around the hole
        (["..", ".."], 0),
    ],
)
def test_a_region_has_an_edge_wherever_it_ends(rows: list[str], edges: int) -> None:
    inside = np.array([[c == "#" for c in row] for row in rows])
    assert len(outline(inside, np.arange(4.0), np.arange(4.0))) == edges


def test_every_panel_outlines_what_is_accepted() -> None:
    panels = drawn(grid_points(GAP, SPEEDS, r0c2=REFUSED, r1c1=REFUSED, r1c2=REFUSED), GAP, SPEEDS)
    # accepted: c0 and c1 of the lower row, c0 of the upper one
    # 25.4 and 50.8 mm, 30.48 to 91.44 m/min: cells meet half-way
    x = dict(zip((-0.5, 0.5, 1.5, 2.5), (15.24, 45.72, 76.2, 106.68), strict=True))
    y = dict(zip((-0.5, 0.5, 1.5), (12.7, 38.1, 63.5), strict=True))
    wanted = {
        ((-0.5, -0.5), (-0.5, 0.5)), ((-0.5, 0.5), (-0.5, 1.5)),
        ((-0.5, -0.5), (0.5, -0.5)), ((0.5, -0.5), (1.5, -0.5)),
        ((1.5, -0.5), (1.5, 0.5)), ((0.5, 0.5), (1.5, 0.5)),
        ((0.5, 0.5), (0.5, 1.5)), ((-0.5, 1.5), (0.5, 1.5)),
    }  # fmt: skip
    for place in "012":
        found = segments(panels[place])
        assert len(found) == len(wanted)
        for ends in wanted:
            line = [(x[column], y[row]) for column, row in ends]
            assert any(np.allclose(line, other) for other in found)


def test_a_dot_marks_what_is_not_decided() -> None:
    undecided = {"decided": False}
    points = grid_points(GAP, SPEEDS, r0c2=undecided, r1c0=undecided | REFUSED, r1c2=REFUSED)
    for place in "012":
        (dots,) = lines(drawn(points, GAP, SPEEDS)[place], "undecided")
        found = sorted(zip(dots.get_xdata(), dots.get_ydata(), strict=True))
        assert np.allclose(found, [(30.48, 50.8), (91.44, 25.4)])


# -- axes


@pytest.mark.parametrize(
    ("units", "rows", "columns"),
    [
        ("metric", ["25.4", "50.8"], ["30.48", "60.96", "91.44"]),
        ("inch", ["1", "2"], ["100", "200", "300"]),
    ],
)
def test_values_are_written_in_the_unit_of_their_axis(
    units: Any, rows: list[str], columns: list[str]
) -> None:
    panels = drawn(grid_points(GAP, SPEEDS), GAP, SPEEDS, units=units)
    assert [t.get_text() for t in panels["0"].get_yticklabels()] == rows
    assert [t.get_text() for t in panels["2"].get_xticklabels()] == columns
    unit, speed = ("mm", "m/min") if units == "metric" else ("in", "ft/min")
    assert panels["0"].get_ylabel() == f"feeder.0.insert.gap ({unit})"
    assert panels["2"].get_xlabel() == f"line speed ({speed})"
    assert f"({speed})" in " ".join(texts(panels["3"]))


def test_words_are_rows_the_first_on_top() -> None:
    words = parse_axis("carrier_eye.capture=latched,scanned")
    panel = drawn(grid_points(words, SPEEDS), words, SPEEDS)["0"]
    assert [t.get_text() for t in panel.get_yticklabels()] == ["latched", "scanned"]
    assert list(panel.get_yticks()) == [0, 1]
    assert panel.yaxis_inverted()
    assert not drawn(grid_points(GAP, SPEEDS), GAP, SPEEDS)["0"].yaxis_inverted()


def test_of_many_values_round_ones_are_written() -> None:
    scale = scale_of(parse_speeds("10:205:5 m/min"), "metric")
    shown = shown_ticks(scale, most=11)
    assert [scale.texts[i] for i in shown] == [str(v) for v in range(20, 201, 20)]
    odd = scale_of(parse_axis("seed=1,2,4,7,11,16,22,29,37,46,56,67,79"), "metric")
    assert len(shown_ticks(odd, most=5)) <= 5


# -- colours


def test_cells_hold_percentages_and_nothing_seen_lies_below_the_scale() -> None:
    some = {"feeder": feeder(within=0.95, missed={"merged": 20}, hazards={"double": 5})}
    panels = drawn(grid_points(GAP, SPEEDS, r1c2=some), GAP, SPEEDS)
    for place, value in (("0", 5.0), ("1", 2.0), ("2", 0.5)):
        drawn_cells = cells(panels[place])
        assert drawn_cells.shape == (2, 3)
        assert drawn_cells[1, 2] == pytest.approx(value)
        mesh = panels[place].collections[0]
        rest = np.delete(drawn_cells.ravel(), 5)
        assert np.all(rest < mesh.norm.vmin)
        assert mesh.norm.vmin <= 0.1  # the acceptance figure is on the scale
        assert mesh.to_rgba(rest) == pytest.approx(np.ones((5, 4)))  # white
        assert mesh.norm.vmax >= value


def test_the_acceptance_figure_is_marked_on_its_scale() -> None:
    some = {"feeder": feeder(within=0.5, missed={"merged": 200}, hazards={"double": 50})}
    panels = drawn(grid_points(GAP, SPEEDS, r1c2=some), GAP, SPEEDS)
    for place, limit in (("0", 0.3), ("1", 0.1), ("2", 0.1)):
        bar = panels[f"scale {place}"]
        levels = [list(line.get_ydata()) for line in lines(bar, "acceptance")]
        assert np.array(levels) == pytest.approx(np.full((2, 2), limit))  # black over white
        assert -1e-9 <= level(bar, limit) <= 1.0
        assert f"{limit:g} accepted" in texts(panels[place])[0]


def test_a_cell_without_a_figure_is_no_colour() -> None:
    nothing = {"feeder": feeder(mean=None, sd=None, within=None, missed={"no_insert": 1000})}
    panels = drawn(grid_points(GAP, SPEEDS, r0c1=nothing | REFUSED), GAP, SPEEDS)
    assert np.ma.getmaskarray(cells(panels["0"])).tolist() == [[False, True, False], [False] * 3]
    assert panels["0"].patch.get_hatch()
    below = [text.get_text() for text in panels["0"].figure.legends[0].get_texts()]
    assert "no figure" in below


def test_colours_print_in_grey_from_light_to_dark() -> None:
    from matplotlib import colormaps

    red, green, blue = colormaps[COLOURS](np.linspace(0.0, 1.0, 64))[:, :3].T
    # luma of ITU-R BT.601, as image programs turn to grey
    luma = 0.299 * red + 0.587 * green + 0.114 * blue
    assert np.all(np.diff(luma) < 0.0)
    assert luma[0] < 0.95  # white, where none was seen, stays apart


# -- the fourth panel


def test_the_highest_accepted_speed_of_each_row_and_what_fails_beyond() -> None:
    four = parse_axis("feeder.0.insert.gap=10,20,30,40 mm")
    late = {"accepted": False, "because": {"missed": "card feeder: 1 % …"}}
    points = grid_points(
        four, SPEEDS,
        r0c0=REFUSED, r0c1=REFUSED,
        r1c1=late, r1c2=REFUSED,
        r2c2={**REFUSED, "because": late["because"] | REFUSED["because"]},
    )  # fmt: skip
    panel = drawn(points, four, SPEEDS)["3"]
    written = [text.get_text() for text in panel.texts if text.get_gid() == "highest"]
    assert written == [
        "none: jam risk",
        "30.48, then missed",
        "60.96, then missed, jam risk",
        "91.44, the fastest here",
    ]
    ends = [bar.get_x() + bar.get_width() for bar in panel.patches if bar.get_gid() == "highest"]
    assert ends == pytest.approx([15.24, 30.48, 60.96, 91.44])  # at the speeds themselves


def test_two_keys_show_the_spread_in_place_of_speeds() -> None:
    scan = parse_axis("controller.scan=1,2 ms")
    points = grid_points(GAP, scan, r0c1={"feeder": feeder(sd=25.4)})
    panel = drawn(points, GAP, scan, units="inch")["3"]
    assert cells(panel)[0, 1] == pytest.approx(1.0)
    assert "(in)" in texts(panel)[0]
    assert panel.get_xlabel() == "controller.scan (ms)"
    assert segments(panel)


# -- large, several, the same


def test_a_large_map_stays_clear() -> None:
    scans, speeds = parse_axis("controller.scan=0.25:6.25:0.25 ms"), parse_speeds("10:205:5 m/min")
    every = {f"r{r}c{c}": {"decided": False} for r in range(25) for c in range(40)}
    panels = drawn(grid_points(scans, speeds, **every), scans, speeds)
    figure = panels["0"].figure
    wide, tall = (72.0 * side for side in figure.get_size_inches())
    box = panels["0"].get_position()
    (dots,) = lines(panels["0"], "undecided")
    assert dots.get_markersize() < 0.5 * min(box.width * wide / 40, box.height * tall / 25)
    assert len(panels["2"].get_xticks()) <= 12
    assert len(panels["0"].get_yticks()) <= 15
    sizes = {t.get_fontsize() for t in panels["3"].texts if t.get_gid() == "highest"}
    assert max(sizes) <= box.height * tall / 25


def test_a_page_for_each_feeder_the_same_each_time() -> None:
    two = (feeder(name="a"), feeder(name="b", missed={"merged": 9}))
    points = [
        replace(made, results=replace(made.results, feeders=two))
        for made in grid_points(GAP, SPEEDS)
    ]
    pages = [sweep_maps(by_hand(points, GAP, SPEEDS)) for _ in range(2)]
    assert list(pages[0]) == ["sweep-0", "sweep-1"]
    for name, figure in pages[0].items():
        assert render(figure, "svg") == render(pages[1][name], "svg")
        below = [text.get_text() for text in figure.legends[0].get_texts()]
        assert below[0] == "accepted (line as a whole)"


def test_one_axis_is_no_map() -> None:
    with pytest.raises(ValueError, match="unpack"):
        sweep_maps(by_hand([point(1000.0)], SPEEDS))


# -- what fails


@pytest.mark.parametrize(
    ("changes", "fails"),
    [
        ((), ()),
        (("acceptance.placement_tolerance=0.1 mm",), ("tolerance",)),
        (("carrier_eye.missed=20 %",), ("missed",)),
        (("feeder.0.nose_limit=60 mm",), ("jam risk",)),
        (("feeder.0.insert.misfeed=100 %",), ("missed", "nothing placed")),
    ],
)
def test_what_fails_is_said_briefly(changes: tuple[str, ...], fails: tuple[str, ...]) -> None:
    scenario = load_scenario(
        SCENARIOS / "membership_card.toml", overrides=["run.carriers=200", *changes]
    )
    assert what_fails(run_scenario(scenario).results) == fails


def test_cells_are_as_wide_as_their_steps() -> None:
    uneven = parse_speeds("20,30,60 m/min")
    panel = drawn(grid_points(GAP, uneven), GAP, uneven)["0"]
    (mesh,) = [c for c in panel.collections if c.get_gid() == "cells"]
    # half-way between 20, 30 and 60; as far outside as inside at the ends
    assert np.allclose(mesh.get_coordinates()[0, :, 0], [15.0, 25.0, 45.0, 75.0])
