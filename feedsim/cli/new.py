"""``feedsim new``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def new(
    path: Annotated[
        Path, typer.Argument(metavar="FILE", help="Where to write it, such as my_line.toml.")
    ],
    force: Annotated[bool, typer.Option("--force", help="Overwrite an existing file.")] = False,
) -> None:
    """Write a commented scenario to start from."""
    from feedsim.files.new_files import write_one
    from feedsim.files.one_file import try_file
    from feedsim.scenario import starter_text

    try_file(path, force=force)
    write_one(path, starter_text().encode())
    typer.echo(f"wrote {path}; look it over with: feedsim check {path}")
