"""``feedsim new``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

__all__ = ["new"]


def new(
    path: Annotated[
        Path, typer.Argument(metavar="FILE", help="Where to write it, such as my_line.toml.")
    ],
    force: Annotated[
        bool, typer.Option("--force", help="Write over a file that is there.")
    ] = False,
) -> None:
    """Write a commented scenario to start from."""
    from feedsim.errors import Fault, FeedsimError
    from feedsim.output.files import write_all
    from feedsim.scenario import starter_text

    if path.is_dir():
        raise FeedsimError(Fault(str(path), message="this is a folder; give the name of a file"))
    if path.exists() and not force:
        raise FeedsimError(
            Fault(str(path), message="this file is there already; --force writes over it")
        )
    write_all(path.parent, {path.name: starter_text().encode()})
    typer.echo(f"wrote {path}; look it over with: feedsim check {path}")
