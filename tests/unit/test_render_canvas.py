"""Pictures as files: text that is text, a title, what is seen in words, any script."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from typing import Any

import pytest

from feedsim.errors import NotDrawn
from feedsim.render import fonts
from feedsim.render.canvas import heading, house_style, pictures, render

SVG = "{http://www.w3.org/2000/svg}"


def a_figure(title: str = "Cards at $5 <to> $6 & more") -> Any:
    from matplotlib.figure import Figure

    with house_style():
        figure = Figure((11.69, 8.27))
        heading(figure, title, "60 m/min")
        figure.set_label("A page with <one> heading & nothing else.")
    return figure


def test_an_svg_has_its_text_as_text_its_title_and_what_is_seen() -> None:
    root = ET.fromstring(render(a_figure(), "svg"))  # noqa: S314 - our own
    assert root.findtext(f"{SVG}title") == "Cards at $5 <to> $6 & more"
    assert root.findtext(f"{SVG}desc") == "A page with <one> heading & nothing else."
    said = {text.text for text in root.iter(f"{SVG}text")}
    assert {"Cards at $5 <to> $6 & more", "60 m/min"} <= said


def test_a_png_says_the_same() -> None:
    from io import BytesIO

    from PIL import Image

    with Image.open(BytesIO(render(a_figure(), "png"))) as image:
        told = image.info
    assert told["Title"] == "Cards at $5 <to> $6 & more"
    assert told["Description"] == "A page with <one> heading & nothing else."


def test_a_long_heading_is_smaller_and_whole() -> None:
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    title = "Wide words " * 18
    figure = a_figure(title)
    canvas = FigureCanvasAgg(figure)
    box = figure.texts[0].get_window_extent(canvas.get_renderer())
    assert figure.texts[0].get_text() == title.strip()
    assert 0.0 <= box.x0 <= box.x1 <= figure.bbox.width


@pytest.fixture
def no_other_font(monkeypatch: pytest.MonkeyPatch) -> Any:
    """A machine whose only font is that of the house."""
    fonts.fonts_for.cache_clear()
    monkeypatch.setattr(fonts, "_installed", list)
    yield
    fonts.fonts_for.cache_clear()


@pytest.mark.usefixtures("no_other_font")
def test_what_no_font_has_is_said() -> None:
    with pytest.warns(NotDrawn, match="no font here has 刺 名: a box stands in the PNG"):
        drawn = pictures({"card": a_figure("名刺 card")})
    assert "名刺 card" in drawn["card.svg"].decode()  # for a viewer that has the font


def test_a_font_that_has_a_sign_is_asked_for() -> None:
    # the position indicator: matplotlib brings a STIX font that has it, its DejaVu Sans has not
    families, missing = fonts.fonts_for("a\u2316")
    assert families[0] == fonts.HOUSE
    assert not missing
    assert len(families) == 2
    figure = a_figure("a\u2316")
    pictures({"sign": figure})
    assert figure.texts[0].get_fontfamily() == list(families)


def test_blanks_and_marks_of_direction_need_no_font() -> None:
    assert fonts.fonts_for("a\u200e\u00a0\u2009") == ((fonts.HOUSE,), "")


def test_a_figure_without_a_word_is_drawn() -> None:
    from matplotlib.figure import Figure

    figure = Figure((1.0, 1.0))
    assert b"<title>" not in render(figure, "svg")
    assert render(figure, "png").startswith(b"\x89PNG")
