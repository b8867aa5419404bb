"""Pages from templates; values shown are escaped as text, never markup."""

from __future__ import annotations

import json
from importlib.resources import files
from typing import Any


def html_page(package: str, template: str, **shown: Any) -> str:
    """Return a page.

    Parameters
    ----------
    package, template : str
        Where the template lies; its ``paper`` are styles for what is read and printed: light or
        dark as the reader has it, dark ink on white paper.
    **shown
        Values that the template shows.
    """
    from jinja2 import Environment, StrictUndefined

    page = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    text = page.from_string(str(part(package, template)))
    return text.render(paper=part("feedsim.render", "paper.css"), **shown)


def part(package: str, *names: str) -> Any:
    """Return files of our own as they are, one after the other: markup, styles or scripts."""
    from markupsafe import Markup

    found = files(package)
    text = "\n".join(found.joinpath(name).read_text("utf-8") for name in names)
    return Markup(text)  # noqa: S704 - our own files


def embedded(plain: object) -> Any:
    """Return data as JSON that no text in it can end: inside a script, only ``<`` is special."""
    from markupsafe import Markup

    text = json.dumps(plain, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return Markup(text.replace("<", "\\u003c"))  # noqa: S704 - escaped for where it stands
