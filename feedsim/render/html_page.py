"""Pages from templates; values shown are escaped as text, never markup."""

from __future__ import annotations

import json
from importlib.resources import files
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from markupsafe import Markup


def html_page(package: str, template: str, **shown: object) -> str:
    """Return the page that a template of a package makes of some values.

    Its ``paper`` are styles for reading and printing: light or dark like the reader's system, dark
    ink on white paper.
    """
    from jinja2 import Environment, StrictUndefined

    page = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    text = page.from_string(str(part(package, template)))
    return text.render(paper=part("feedsim.render", "paper.css"), **shown)


def part(package: str, *names: str) -> Markup:
    """Return our own files unchanged, joined: markup, styles or scripts."""
    from markupsafe import Markup

    found = files(package)
    text = "\n".join(found.joinpath(name).read_text("utf-8") for name in names)
    return Markup(text)  # noqa: S704 - our own files


def embedded(plain: object) -> Markup:
    """Return data as JSON for a script, in which only ``<`` is special: no text can end it."""
    from markupsafe import Markup

    text = json.dumps(plain, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return Markup(text.replace("<", "\\u003c"))  # noqa: S704 - escaped for where it stands
