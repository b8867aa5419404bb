"""Save and export: commands, the sheet, a page to mail, and the scenario as a file."""

from __future__ import annotations

import hashlib
import os
import re
import shlex
import subprocess
from collections.abc import Sequence
from pathlib import Path

from feedsim.answers.line import Line
from feedsim.answers.rehearse.answer import Page
from feedsim.answers.setup.answer import setup
from feedsim.desk.lines import Opened, file_of, read
from feedsim.desk.questions import LineText, Saving
from feedsim.errors import Fault, FeedsimError
from feedsim.files.new_files import write_one
from feedsim.files.one_file import try_file
from feedsim.quantities import System
from feedsim.scenario.reading import read_text
from feedsim.scenario.rewriting import changed_text

_LATEST = 50  # files among which one that holds a text is looked for
_MOST_NAMED, _LONGEST_PART = 3, 50  # changes in the name of a file, characters of each
_PLAIN = re.compile(r"[^\w.+-]+")
_NAME = re.compile(r"\w[\w .+-]{0,100}\.toml")


class AlreadyThere(Exception):  # noqa: N818 - it asks, and says so
    """A file of that name exists; ``over`` permits overwriting it."""

    def __init__(self, name: str, over: str) -> None:
        super().__init__(f"{name} exists already; save again to overwrite it")
        self.name, self.over = name, over


def commands(setup: LineText, files: Sequence[Opened], carriers: int | None) -> dict[str, object]:
    """Return the command lines that give the same numbers."""
    names = {"run": "these figures", "limit": "the limit", "setup": "the set-up sheet"}
    same = _holder(setup, files) is not None
    return {
        "commands": [
            {"for": what, "command": command(setup, files, name, carriers=carriers)}
            for name, what in names.items()
        ],
        "same_file": same,
        "note": "" if same else "No file holds what these values began with: save first.",
    }


def _holder(setup: LineText, files: Sequence[Opened]) -> Path | None:
    """Return the file that holds a question's text: its own, or one saved since beside it."""
    own = file_of(setup, files).path
    try:
        beside = sorted(own.parent.glob("*.toml"), key=lambda path: -path.stat().st_mtime)
    except OSError:
        beside = []
    return next((path for path in (own, *beside[:_LATEST]) if _holds(path, setup.text)), None)


def _holds(path: Path, text: str) -> bool:
    try:
        return path.is_file() and read_text(path) == text
    except FeedsimError:
        return False


def command(
    setup: LineText, files: Sequence[Opened], name: str, *more: str, carriers: int | None
) -> str:
    """Return a command for the line of a question, as typed."""
    changes = (part for change in setup.changes for part in ("--set", change))
    many = [] if carriers is None or name == "setup" else ["--carriers", str(carriers)]
    path = _holder(setup, files) or file_of(setup, files).path
    arguments = ["feedsim", name, str(path), *changes, *many, *more]
    return shlex.join(arguments) if os.name == "posix" else subprocess.list2cmdline(arguments)


def sheet(line: Line, units: System) -> dict[str, object]:
    """Return the set-up sheet, as a page to print."""
    found = setup(line)
    page = found.files(units=units)["setup.html"]
    assert isinstance(page, bytes)  # noqa: S101 - a page is made whole
    name = _file_name(line, "setup")
    return {"name": name, "document": page.decode(), "text": found.text(units=units)}


def _file_name(line: Line, what: str) -> str:
    """Name a file by its line and its changes."""
    turned = dict(change.split("=", 1) for change in line.changes)
    named = [_PLAIN.sub("-", f"{key} {value}").strip("-") for key, value in turned.items()]
    more = [f"and-{len(named) - _MOST_NAMED}-more"] if len(named) > _MOST_NAMED else []
    parts = [line.name, *(part[:_LONGEST_PART] for part in named[:_MOST_NAMED]), *more, what]
    return f"{'_'.join(parts)}.html"


def playing(page: Page, units: System, *, linked: str) -> dict[str, object]:
    """Return the page that plays a stretch of a run."""
    words = page.text(units=units).split("\n")[-1]
    return {"document": page.html(units=units, linked=linked), "words": words}


def mail(page: Page, units: System) -> dict[str, object]:
    """Return the same page as one file that any browser opens from disk."""
    line = page.lines[-1]
    return {"name": _file_name(line, "rehearse"), **playing(page, units, linked="")}


def written(setup: LineText, files: Sequence[Opened]) -> dict[str, object]:
    """Return the scenario with its changes, comments and layout kept, and a free name."""
    file = file_of(setup, files)
    text = _changed(setup, files)
    stem = re.sub(r"-\d+$", "", file.path.stem)
    taken = {path.name for path in file.folder.iterdir()}
    free = (f"{stem}-{number}.toml" for number in range(2, len(taken) + 3))
    return {"text": text, "suggested": next(name for name in free if name not in taken)}


def _changed(setup: LineText, files: Sequence[Opened]) -> str:
    read(setup, files)
    return changed_text(setup.text, setup.changes, folder=file_of(setup, files).folder)


def save(saving: Saving, files: Sequence[Opened]) -> dict[str, object]:
    """Write the changed scenario into its own folder.

    Raises AlreadyThere if a file exists that may not be overwritten yet, FeedsimError if the name
    is not valid, or the file cannot be written.
    """
    folder = file_of(saving, files).folder
    if not _NAME.fullmatch(saving.name):
        allowed = "a plain name that ends in .toml, such as faster.toml"
        raise FeedsimError(Fault("name", repr(saving.name), allowed))
    path = folder / saving.name
    text = _changed(saving, files)
    there = _hash(path)
    if there is not None and saving.over != there:
        raise AlreadyThere(saving.name, there)
    try_file(path, force=there is not None)
    write_one(path, text.encode())
    return {"saved": saving.name, "folder": str(folder.resolve()), "text": text}


def _hash(path: Path) -> str | None:
    """Return the SHA-256 of an existing file; None if there is none.

    Raises FeedsimError if it is not a plain file of this folder, or cannot be read.
    """
    if not os.path.lexists(path):
        return None
    if path.is_symlink() or not path.is_file():
        raise FeedsimError(Fault(path.name, message="is no plain file: take another name"))
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError as error:
        raise FeedsimError(Fault(path.name, message=f"cannot be read: {error.strerror}")) from None
