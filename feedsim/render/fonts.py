"""Fonts for names in any script, and the width and colour of drawn text."""

from __future__ import annotations

import unicodedata
import warnings
from collections.abc import Sequence
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from feedsim.errors import NotDrawn

if TYPE_CHECKING:
    from matplotlib.figure import Figure
    from matplotlib.font_manager import FontEntry

HOUSE = "DejaVu Sans"
"""The font of all figures; matplotlib brings it along. It has Latin, Greek, Cyrillic and more."""

_CONTRAST = 7.0
"""Of any text on white, since prints are small and grey: WCAG 2.2, success criterion 1.4.6."""

_UNSEEN = {"Cc", "Cf", "Zs", "Zl", "Zp"}  # kinds of signs that draw nothing


def dress(figure: Figure) -> str:
    """Set each text's fonts and darken its colour; return characters that no font has."""
    from matplotlib.text import Text

    missing = ""
    for text in figure.findobj(Text):
        text.set_color(_dark(text.get_color()))
        said = text.get_text()
        if not said.isascii():
            families, lost = fonts_for("".join(sorted(set(said))))
            missing += lost
            if len(families) > 1:
                text.set_fontfamily(list(families))
    return "".join(sorted(set(missing)))


@lru_cache(maxsize=64)
def _dark(colour: Any) -> Any:
    """Return a colour, darkened until it is legible on white; white stays white."""
    from matplotlib.colors import to_hex, to_rgb

    rgb = to_rgb(colour)
    if min(rgb) == 1.0:
        return colour
    for share in range(100, 0, -2):
        red, green, blue = (0.01 * share * part for part in rgb)
        darker = (red, green, blue)
        if contrast(darker) >= _CONTRAST:
            return colour if share == 100 else to_hex(darker)
    return "#000000"


def contrast(rgb: Sequence[float]) -> float:
    """Return the contrast of a colour (red, green, blue of sRGB, 0 to 1) with white.

    That of WCAG 2.2 ("contrast ratio", "relative luminance"): from 1 for white to 21 for black.
    """
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in rgb]
    luminance = sum(w * c for w, c in zip((0.2126, 0.7152, 0.0722), linear, strict=True))
    return 1.05 / (luminance + 0.05)


def tell_of_missing(signs: str) -> None:
    """Warn of characters that are drawn as boxes."""
    if signs:
        shown = " ".join(signs[:20]) + (" …" if len(signs) > 20 else "")
        note = (
            f"no font here has {shown}: a box stands in the PNG pictures for each; SVG pictures "
            f"have the text, for a viewer whose fonts have it. Install a font of that script and "
            f"draw again"
        )
        warnings.warn(note, NotDrawn, stacklevel=2)


@lru_cache(maxsize=512)
def fonts_for(signs: str) -> tuple[tuple[str, ...], str]:
    """Return the fonts for some characters, the house font first, and the characters none has."""
    from matplotlib import font_manager

    left = {s for s in signs if unicodedata.category(s) not in _UNSEEN}
    left -= _had(font_manager.findfont(HOUSE), left)
    families = [HOUSE]
    for entry in _installed() if left else ():
        found = _had(entry.fname, left)
        if found:
            families.append(entry.name)
            left -= found
        if not left:
            break
    return tuple(families), "".join(sorted(left))


def _had(path: str, signs: set[str]) -> set[str]:
    """Return which of these characters a font has."""
    from matplotlib import font_manager

    try:
        font = font_manager.get_font(path)
        return {sign for sign in signs if font.get_char_index(ord(sign))}
    except (OSError, RuntimeError):  # a font file that cannot be read
        return set()


@lru_cache(maxsize=1)
def _installed() -> list[FontEntry]:
    """Return the fonts of this machine, upright ones without serifs first."""
    from matplotlib import font_manager

    manager = font_manager.fontManager
    known = {entry.fname for entry in manager.ttflist}
    for path in sorted(set(font_manager.findSystemFonts()) - known):  # installed since its cache
        try:
            manager.addfont(path)
        except (OSError, RuntimeError):
            continue

    def order(entry: FontEntry) -> tuple[bool, bool, bool, str]:
        plain = entry.style == "normal" and str(entry.weight) in {"400", "normal", "regular"}
        return not plain, "Serif" in entry.name, "Mono" in entry.name, entry.name

    # a font of last resort has a box for every sign
    return sorted((e for e in manager.ttflist if "Last Resort" not in e.name), key=order)


def width_points(text: str, size: float, *, bold: bool = False) -> float:
    """Return the drawn width of a text (1/72 inch)."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import TextPath

    if not text.strip():
        return 0.0
    families = [HOUSE] if text.isascii() else list(fonts_for("".join(sorted(set(text))))[0])
    font = FontProperties(family=families, weight="bold" if bold else "normal", size=size)
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        warnings.filterwarnings("ignore", message="Matplotlib currently does not support")
        letters = TextPath((0.0, 0.0), text, prop=font).vertices
    return float(max(letters[:, 0], default=0.0))
