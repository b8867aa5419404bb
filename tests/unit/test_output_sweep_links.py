"""Points of a sweep in its pictures lead to their rows in the report."""

from __future__ import annotations

import html as entities
import re
import shlex
from pathlib import Path
from typing import Any

import pytest

import feedsim
from feedsim.answers.sweep import links
from feedsim.answers.sweep.links import areas_of
from feedsim.running.axes import parse_axis
from tests.unit.sweep_points import SCENARIOS

FEW = {"run.carriers": 60}


@pytest.fixture(scope="module")
def swept() -> Any:
    line = feedsim.load(SCENARIOS / "two_feeders.toml").but(FEW)
    return feedsim.sweep(line, "20,50,150 m/min")


@pytest.fixture(scope="module")
def mapped() -> Any:
    line = feedsim.load(SCENARIOS / "membership_card.toml").but(FEW)
    return feedsim.sweep(line, "60,140 m/min", vary=["feeder.0.insert.gap=60,70,90 mm"])


def on_page(figure: Any, axes: Any, x: float, y: float) -> tuple[float, float]:
    """Return where a place in the axes' data is: from the left and from the top."""
    across, up = axes.transData.transform((x, y))
    return across / figure.bbox.width, 1.0 - up / figure.bbox.height


def hit(areas: Any, place: tuple[float, float]) -> set[tuple[int, int]]:
    x, y = place
    return {
        (s.feeder, s.point)
        for s in areas
        if s.x <= x <= s.x + s.width and s.y <= y <= s.y + s.height
    }


def test_a_mark_of_the_overview_leads_to_its_point(swept: Any) -> None:
    figures = swept.figures()
    for number in (0, 1):
        figure = figures[f"sweep-{number}"]
        areas = areas_of(swept, f"sweep-{number}", figure, units="metric")
        for axes in (figure.axes[0], figure.axes[3]):  # left column and right
            marks = next(x for x in axes.lines if len(x.get_xdata()) == 3)
            for i, (x, y) in enumerate(zip(marks.get_xdata(), marks.get_ydata(), strict=True)):
                assert hit(areas, on_page(figure, axes, x, y)) == {(number, i)}


def test_a_row_leads_to_its_point(swept: Any) -> None:
    figures = swept.figures(units="inch")
    figure = figures["rows-1"]
    areas = areas_of(swept, "rows-1", figure, units="inch")
    for axes in figure.axes:
        for row in range(3):
            x = sum(axes.get_xlim()) / 2.0
            assert hit(areas, on_page(figure, axes, x, row + 0.2)) == {(1, row)}


def test_a_cell_leads_to_its_point(mapped: Any) -> None:
    figures = mapped.figures()
    figure = figures["sweep"]
    areas = areas_of(mapped, "sweep", figure, units="metric")
    for axes in (a for a in figure.axes if not a.get_label().startswith("scale")):
        for row, gap in enumerate((60.0, 70.0, 90.0)):
            for column, speed in enumerate((60.0, 140.0)):
                place = on_page(figure, axes, speed, gap)
                assert hit(areas, place) == {(0, 2 * row + column)}


@pytest.fixture(autouse=True)
def _cheap(monkeypatch: pytest.MonkeyPatch) -> None:
    """Draw no picture: where points stand is known without."""
    from feedsim.render import canvas

    monkeypatch.setattr(canvas, "render", lambda *_: b"")


def test_every_link_has_its_row_and_every_command_is_one(swept: Any, mapped: Any) -> None:
    for answer, feeders, points in ((swept, 2, 3), (mapped, 1, 6)):
        page = answer.files()["report.html"].decode()
        wanted = set(re.findall(r'href="#(point-\d+-\d+)"', page))
        rows = re.findall(r'<tr id="(point-\d+-\d+)"', page)
        assert len(rows) == len(set(rows)) == feeders * points
        assert wanted == set(rows)
        commands = re.findall(r"<code>(feedsim rehearse .*?)</code>", page)
        assert len(commands) == points


def test_the_command_of_a_point_makes_its_page(
    mapped: Any, tmp_path: Path, monkeypatch: Any
) -> None:
    """As a user: save the scenario that stands in the report, and call what it says."""
    from feedsim.cli import main

    page = mapped.files()["report.html"].decode()
    scenario = entities.unescape(re.findall(r"<pre>(.*?)</pre>", page, re.DOTALL)[-1])
    (tmp_path / "swept.toml").write_text(scenario, "utf-8")
    command = entities.unescape(re.findall(r"<code>(feedsim rehearse .*?)</code>", page)[-1])
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("sys.argv", shlex.split(command))
    monkeypatch.setattr(main, "may_copy", lambda: None)  # this process is pytest's
    with pytest.raises(SystemExit) as ended:
        main.main()
    assert not ended.value.code
    assert "90 mm" in (tmp_path / "plots/swept/rehearse/rehearse.html").read_text("utf-8")


def test_very_many_points_have_no_spots(swept: Any, monkeypatch: Any) -> None:
    monkeypatch.setattr(links, "_MOST", 2)
    assert areas_of(swept, "sweep-0", swept.figures()["sweep-0"], units="metric") == ()


def test_words_have_spots_too() -> None:
    line = feedsim.load(SCENARIOS / "membership_card.toml").but(FEW)
    found = feedsim.sweep(line, vary=["carrier_eye.capture=latched,scanned"])
    assert parse_axis("carrier_eye.capture=latched,scanned").values == found.axes[0].values
    figures = found.figures()
    areas = areas_of(found, "sweep", figures["sweep"], units="metric")
    assert {s.point for s in areas} == {0, 1}
    assert all(s.width > 0.0 and s.height > 0.0 for s in areas)
