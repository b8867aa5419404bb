"""The page loads from disk, quietly and by itself, and fits the screens that it is meant for."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

EVIL = """<img src=x onerror="document.title='bad'"> <b id='evil'>&amp; "co"</b>"""

CARD = ("membership_card", ())
TWO_SETUPS = ("membership_card", (), ('line.speed="80 m/min"',))


@pytest.mark.parametrize(
    "setups", [CARD, ("two_feeders", ()), ("bench", ()), ("hand_fed", ()), TWO_SETUPS]
)
def test_it_loads_without_a_word_and_asks_for_nothing(
    setups: tuple[Any, ...], browser: Any, page_of: Callable[..., Path]
) -> None:
    page = page_of(*setups)
    browser.open(page)
    browser.keys("m", "d", "f", "n", "l", " ")
    browser.drawn_at(browser.js("return rehearsal.clock.to"))
    assert browser.console() == []
    assert [address for address in browser.requests() if address != "data:,"] == [page.as_uri()]


def test_markup_in_a_title_shows_as_text(browser: Any, page_of: Callable[..., Path]) -> None:
    named = (f"{key}='''{EVIL}'''" for key in ("title", "feeder.0.name", "product.pair.0.below"))
    setup = tuple(named)
    browser.open(page_of("two_feeders", setup))
    assert browser.text("h1") == EVIL
    assert browser.js("return document.title") == f"{EVIL}: rehearsal"
    assert browser.js("return document.getElementById('evil')") is None
    assert browser.js("return document.images.length") == 0
    assert EVIL in browser.text("fieldset label")
    assert f"at {EVIL}" in browser.text("#story-head")
    assert browser.console() == []


def test_it_begins_paused(browser: Any, page_of: Callable[..., Path]) -> None:
    browser.open(page_of(*CARD))
    before = browser.js("return rehearsal.clock.at")
    browser.driver.execute_async_script("setTimeout(arguments[0], 300)")
    assert browser.js("return [rehearsal.clock.playing, rehearsal.clock.at]") == [False, before]


def test_an_address_may_say_where_to_begin(browser: Any, page_of: Callable[..., Path]) -> None:
    browser.open(page_of(*CARD), "#t=6.25")
    assert browser.js("return rehearsal.clock.at") == 6.25
    assert browser.text("#clock") == "6.250 s"


@pytest.mark.parametrize("size", [(1280, 720), (1024, 768), (768, 1024), (1920, 1080)])
@pytest.mark.parametrize("setups", [CARD, ("two_feeders", ()), TWO_SETUPS])
def test_every_control_can_be_reached_on_every_screen(
    size: tuple[int, int], setups: tuple[Any, ...], browser: Any, page_of: Callable[..., Path]
) -> None:
    """Nothing runs out at the side; on a wide screen nothing below either."""
    browser.size(*size)
    browser.open(page_of(*setups))
    width, height = browser.js(
        "const e = document.documentElement; return [e.scrollWidth, e.scrollHeight]"
    )
    assert width <= size[0]
    if size[0] > size[1]:
        assert height <= size[1]
    if browser.shows("#more"):
        browser.click("#more")
    boxes = browser.js(
        """
        const all = document.querySelectorAll("header button, footer button, footer input");
        const there = [...all].filter((e) => e.checkVisibility());
        return there.map((e) => {
          const box = e.getBoundingClientRect();
          return [e.outerHTML, box.left, box.top, box.right, box.bottom];
        });
        """
    )
    assert len(boxes) > 18
    for what, left, top, right, bottom in boxes:
        assert 0 <= left < right <= size[0], what
        assert 0 <= top < bottom <= size[1], what
    for i, (one, left, top, right, bottom) in enumerate(boxes):
        for other, l2, t2, r2, b2 in boxes[i + 1 :]:
            apart = right <= l2 + 1 or r2 <= left + 1 or bottom <= t2 + 1 or b2 <= top + 1
            assert apart, (one, other)
    canvases = browser.js(
        """
        return [...document.querySelectorAll("main canvas")].map((c) => {
          const box = c.getBoundingClientRect();
          return [box.width, box.height];
        });
        """
    )
    assert all(w > 500 and h > 90 for w, h in canvases)


def test_light_and_dark_follow_the_system_until_one_is_chosen(
    browser: Any, page_of: Callable[..., Path]
) -> None:
    theme = "return document.documentElement.dataset.theme"
    paper = "return rehearsal.page.ink.paper"
    browser.open(page_of(*CARD))
    assert browser.js(theme) == "light"
    light = browser.js(paper)
    browser.size(1280, 720, dark=True)
    browser.settle()
    assert browser.js(theme) == "dark"
    assert browser.js(paper) != light
    browser.click('[data-do="theme"]')
    assert browser.js(theme) == "light"
    assert browser.js(paper) == light


def test_the_picture_is_drawn_anew_in_another_size(
    browser: Any, page_of: Callable[..., Path]
) -> None:
    """A canvas that changes its size is blank until it is drawn on again, even while paused."""
    browser.open(page_of(*CARD))
    for width in (1000, 1280):
        browser.size(width, 700)
        browser.settle()
        for name in ("picture-0", "strip-0", "timeline"):
            columns, shown, inked = browser.js(
                """
                const canvas = document.getElementById(arguments[0]);
                const pen = canvas.getContext("2d");
                const { data } = pen.getImageData(0, 0, canvas.width, canvas.height);
                let inked = 0;
                for (let i = 0; i < data.length; i += 4) inked += data[i] < 128;
                return [canvas.width, canvas.getBoundingClientRect().width, inked];
                """,
                name,
            )
            assert columns == round(shown)
            assert inked > 15


SPLIT = """
const bottom = (css) => document.querySelector(css).getBoundingClientRect().bottom;
return [bottom(".story"), bottom("aside")];
"""


@pytest.mark.parametrize("setups", [CARD, ("two_feeders", ()), TWO_SETUPS])
def test_the_whole_story_of_a_carrier_can_be_seen_at_once(
    setups: tuple[Any, ...], browser: Any, page_of: Callable[..., Path]
) -> None:
    browser.open(page_of(*setups))
    end = browser.js("return rehearsal.clock.to")
    browser.drawn_at(end)
    carrier = browser.js("return rehearsal.setups.at(-1).chosen[1]")
    browser.js("rehearsal.page.chosen = arguments[0]", carrier)
    browser.drawn_at(end)
    assert "next insert staged" in browser.text("#events")
    story, room = browser.js(SPLIT)
    assert story <= room + 0.5


INKED = """
const canvas = document.getElementById("picture-0");
const { width, height } = canvas;
const { data } = canvas.getContext("2d").getImageData(0, 0, width, height);
let top = height;
for (let i = 0; i < data.length && top === height; i += 4)
  if (data[i] + data[i + 1] + data[i + 2] < 500) top = Math.floor(i / 4 / width);
const { fontSize } = getComputedStyle(document.body);
return [top / height, rehearsal.pictures[0].zoom, parseFloat(fontSize)];
"""


def test_text_and_pictures_grow_with_the_room(browser: Any, page_of: Callable[..., Path]) -> None:
    browser.open(page_of(*CARD))
    top, zoom, font = browser.js(INKED)
    assert zoom == pytest.approx(1.0, abs=0.01)
    assert font == pytest.approx(14.0, abs=0.1)
    browser.size(1920, 1080)
    browser.settle()
    higher, larger, bigger = browser.js(INKED)
    assert larger == pytest.approx(1.25, abs=0.01)  # half as fast as the room, which is 1.5 times
    assert bigger == pytest.approx(1.25 * 14.0, abs=0.1)
    assert max(top, higher) < 0.4  # the upper half of the picture is not empty


@pytest.mark.parametrize(
    "size", [(640, 360, 2), (640, 400, 2), (960, 540, 2), (360, 740, 1), (320, 740, 1)]
)
@pytest.mark.parametrize("setups", [CARD, ("two_feeders", ()), TWO_SETUPS])
def test_the_footer_leaves_the_room_to_the_page_when_it_is_small(
    size: tuple[int, int, int],
    setups: tuple[Any, ...],
    browser: Any,
    page_of: Callable[..., Path],
) -> None:
    """At 200 % (half the pixels of a screen), on a phone, and at 320 px (criterion 1.4.10)."""
    browser.size(size[0], size[1], ratio=size[2])
    browser.open(page_of(*setups))
    footer, slider, wide = browser.js(
        """
        const box = (css) => document.querySelector(css).getBoundingClientRect();
        return [box("footer").height, box("#time").width, document.documentElement.scrollWidth];
        """
    )
    assert footer <= 0.2 * size[1]
    assert slider > 0.85 * size[0]
    assert wide <= size[0]
    assert not browser.shows("#pace")
    browser.click("#more")
    assert browser.shows("#pace")


LABELS = """
const { drawn } = rehearsal;
const pen = document.getElementById("picture-0").getContext("2d");
const said = [];
const { fillText } = pen;
pen.fillText = (text, x, y) => {
  const { width } = pen.measureText(text);
  const left = { left: x, right: x - width, center: x - width / 2 }[pen.textAlign];
  said.push([text, left, left + width]);
};
rehearsal.redrawNow();
pen.fillText = fillText;
return said;
"""


@pytest.mark.parametrize("size", [(360, 740), (390, 844), (820, 1180), (1280, 720)])
@pytest.mark.parametrize("setups", [CARD, ("imperial", ()), ("two_feeders", ())])
def test_no_distance_is_cut_at_the_side(
    size: tuple[int, int],
    setups: tuple[Any, ...],
    browser: Any,
    page_of: Callable[..., Path],
) -> None:
    browser.size(*size)
    browser.open(page_of(*setups))
    wide = browser.js("return rehearsal.pictures[0].width")
    said = browser.js(LABELS)
    texts = [text for text, _, _ in said]
    assert any(text.startswith("placement") for text in texts)
    for text, left, right in said:
        assert 0.0 <= left < right <= wide, text


BOXES = """
const said = [];
const { fillText } = CanvasRenderingContext2D.prototype;
CanvasRenderingContext2D.prototype.fillText = function (text, x, y) {
  const { width } = this.measureText(text);
  const left = { left: x, right: x - width, center: x - width / 2 }[this.textAlign];
  const tall = parseFloat(/([\\d.]+)px/.exec(this.font)[1]);
  const top = this.textBaseline === "middle" ? y - tall / 2 : y - 0.8 * tall;
  said.push([this.canvas.id, text, left, left + width, top, top + 0.9 * tall]);
  fillText.call(this, text, x, y);
};
rehearsal.redrawNow();
CanvasRenderingContext2D.prototype.fillText = fillText;
return said.filter(([, text]) => text.trim());
"""


@pytest.mark.parametrize("size", [(360, 740), (390, 844), (820, 1180), (880, 640), (1280, 720)])
@pytest.mark.parametrize("setups", [CARD, ("imperial", ()), ("two_feeders", ())])
def test_no_text_of_a_picture_stands_on_another(
    size: tuple[int, int],
    setups: tuple[Any, ...],
    browser: Any,
    page_of: Callable[..., Path],
) -> None:
    """But for the number of an insert, which goes where the insert goes."""
    browser.size(*size)
    browser.open(page_of(*setups))
    begin, end = browser.js("return [rehearsal.clock.from, rehearsal.clock.to]")
    for share in (0.3, 0.5, 0.7):
        browser.drawn_at(begin + share * (end - begin))
        said = [box for box in browser.js(BOXES) if not box[1].isdigit()]
        assert len({box[0] for box in said}) == 3, "picture, error and diagram"
        for i, (canvas, text, left, right, top, bottom) in enumerate(said):
            for other, words, first, last, high, low in said[i + 1 :]:
                apart = right <= first or last <= left or bottom <= high or low <= top
                assert canvas != other or apart, (text, words)
