"""A single file that the user names: checked before any work."""

from __future__ import annotations

import os
from pathlib import Path

from feedsim.errors import Fault, FeedsimError, argument
from feedsim.files.new_files import try_one


def try_file(path: Path, *, force: bool) -> None:
    """Check that a file can be written, and may be if it exists (`force`); leave nothing behind.

    Raises FeedsimError if it is a folder, is there already, or cannot be written.
    """
    name = str(path)
    try:
        is_there = os.path.lexists(path) and bool(path.lstat())
        path.parent.joinpath(f".{path.name}.{os.getpid()}.new").exists()
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or str(error)
        raise FeedsimError(Fault(name[:200], message=f"cannot write this file: {why}")) from None
    if path.is_dir() or not path.name:
        raise FeedsimError(Fault(name, message="this is a folder; give the name of a file"))
    if is_there and not force:
        raise FeedsimError(
            Fault(name, message=f"this file exists; {argument('force', True)} overwrites it")
        )
    try_one(path)
