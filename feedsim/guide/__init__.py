"""The guide: a page for each question that a user asks, in Markdown, shipped with the package."""

from __future__ import annotations

import re
from importlib.resources import files

__all__ = ["PAGES", "for_terminal", "question", "text"]

PAGES = (  # in the order in which a newcomer would read them
    "my-line",
    "desk",
    "faster",
    "which-setup",
    "tune",
    "spread",
    "sheet",
    "trial",
    "learn",
    "logs",
    "products",
    "stops",
    "drive",
    "page",
    "figures",
    "commands",
    "keys",
    "files",
    "python",
    "cluster",
    "cautions",
)

_PICTURE = re.compile(r"!\[([^]]*)\]\([^)]*\)")
_PAGE_LINK = re.compile(r"\[([^]]*)\]\(([a-z-]+)\.md\)")
_OTHER_LINK = re.compile(r"\[([^]]*)\]\((?:\.\./)*([^)]*)\)")


def text(name: str) -> str:
    """Return a page as it is written, in Markdown.

    Raises
    ------
    FeedsimError
        If there is no such page.
    """
    if name not in PAGES:
        raise _no_such_page(name)
    return (files(__name__) / f"{name}.md").read_text("utf-8")


def question(name: str) -> str:
    """Return the question that a page answers: its heading.

    Examples
    --------
    >>> question("drive")
    'Will the servo do it?'
    """
    return text(name).partition("\n")[0].removeprefix("# ")


def for_terminal(markdown: str) -> str:
    """Say what a picture shows and which command shows a linked page: a terminal has neither.

    Examples
    --------
    >>> for_terminal("![A map](../../plots/map.png) in [faster](faster.md), [MODEL](../MODEL.md)")
    '*Picture in the repository: A map.* in `feedsim guide faster`, MODEL (MODEL.md)'
    """
    shown = _PICTURE.sub(r"*Picture in the repository: \1.*", markdown)
    shown = _PAGE_LINK.sub(r"`feedsim guide \2`", shown)
    return _OTHER_LINK.sub(r"\1 (\2)", shown)


def _no_such_page(name: str) -> Exception:
    from difflib import get_close_matches

    from feedsim.errors import Fault, FeedsimError, shortened

    near = get_close_matches(name.lower().removesuffix(".md"), PAGES, n=1, cutoff=0.7)
    hint = f' Did you mean "{near[0]}"?' if near else ""
    said = f'there is no page "{shortened(name)}".{hint} The pages are: {", ".join(PAGES)}'
    return FeedsimError(Fault("guide", message=said))
