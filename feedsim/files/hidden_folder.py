"""A hidden folder in an output folder for unfinished files."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

from feedsim.files.new_files import explained, remove


def make_folder(folder: Path) -> None:
    """Make a folder, in place of a link or a file of that name; FeedsimError if that cannot be."""
    with explained(folder, "make this folder"):
        if folder.is_symlink() or not folder.is_dir():
            remove(folder)
        folder.mkdir(parents=True, exist_ok=True)


def forget_folder(folder: Path) -> None:
    """Remove a folder with its contents; to others it disappears in one step."""
    gone = folder.with_name("forgotten")
    remove(gone)
    with suppress(OSError):
        folder.rename(gone)
    remove(gone)
