"""``feedsim guide``."""

from __future__ import annotations

import sys
from typing import Annotated

import typer


def guide(
    page: Annotated[
        str | None,
        typer.Argument(metavar="PAGE", help="Which page. [default: the list of pages]"),
    ] = None,
) -> None:
    """Show a page of the guide, or the list of pages with the question each answers.

    On a terminal it is formatted; piped, it is plain Markdown.
    """
    from feedsim.guide import PAGES, for_terminal, question, text
    from feedsim.render.layout import table

    if page is None:
        lines = table([(name, question(name)) for name in PAGES], "l", indent=0)
        typer.echo("\n".join([*lines, "", "Show one with: feedsim guide PAGE"]))
    elif sys.stdout.isatty():
        from rich.console import Console
        from rich.markdown import Markdown

        Console(highlight=False).print(Markdown(for_terminal(text(page)), hyperlinks=False))
    else:
        typer.echo(text(page), nl=False)
