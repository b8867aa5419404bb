"""Files that are replaced together: each in one step, all of them or none."""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from errno import EISDIR
from itertools import takewhile
from pathlib import Path
from types import TracebackType
from typing import BinaryIO, Self

from feedsim.errors import Fault, FeedsimError, printable
from feedsim.interrupts import held

Content = bytes | Callable[[BinaryIO], None]
"""The bytes of a file, or a function that writes them into an open one."""


class NewFiles:
    """New files, written aside until all are whole; those not put in place are removed.

    A context manager. It does not protect against a power cut. ``aside``: a folder that nobody else
    writes to. New files for its parent are written there, all others under a hidden name beside
    their own.
    """

    def __init__(self, aside: Path | None = None) -> None:
        self._aside = aside
        self._new: dict[Path, Path] = {}
        self._old: dict[Path, Path] = {}

    def write(self, path: Path, content: Content) -> Path:
        """Write a new file aside, and return where it is meanwhile.

        Raises FeedsimError if it cannot be written, or if a folder has its name.
        """
        with explained(path, "write this file"):
            if path.is_dir():
                raise IsADirectoryError(EISDIR, "a folder has that name")
            aside = self._spare(path, "new")
            with held():  # what is there is known, so that it goes again
                self._new[path] = aside
                file = aside.open("wb")
            with file:
                if callable(content):
                    content(file)
                else:
                    file.write(content)
        return aside

    def put(self, paths: Sequence[Path]) -> None:
        """Put the written files in place, in this order; all of them or none.

        Each replaces an older one in one step. Interrupts wait until all is done. If one cannot be
        replaced, those before it are put back (FeedsimError).
        """
        with held():
            done: list[Path] = []
            try:
                for path in paths:
                    with explained(path, "replace this file"):
                        if os.path.lexists(path):
                            self._old[path] = self._spare(path, "old")
                            _second_name(path, self._old[path])
                        os.replace(self._new[path], path)
                    done.append(path)
            except BaseException:
                for path in reversed(done):
                    if path in self._old:
                        os.replace(self._old[path], path)
                    else:
                        path.unlink()
                raise

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        with held():
            for spare in (*self._new.values(), *self._old.values()):
                with suppress(OSError):
                    spare.unlink(missing_ok=True)

    def _spare(self, path: Path, what: str) -> Path:
        if self._aside is not None and path.parent == self._aside.parent:
            return self._aside / f"{path.name}.{what}"
        return path.with_name(f".{path.name}.{os.getpid()}.{what}")


def write_one(path: Path, content: bytes) -> None:
    """Write one file, whole or not at all; remove what a killed process left of it.

    Raises FeedsimError if its folder cannot be made, or it cannot be written.
    """
    make_room(path)
    with NewFiles() as new:
        new.write(path, content)
        new.put([path])


def try_one(path: Path) -> None:
    """Check that a file can be written (else FeedsimError), and leave nothing behind."""
    missing = [*takewhile(lambda folder: not os.path.lexists(folder), path.parents)]
    try:
        make_room(path)
        with NewFiles() as new:
            new.write(path, b"")
    finally:
        for folder in missing:
            with suppress(OSError):
                folder.rmdir()


def make_room(path: Path) -> None:
    """Make the folder of a file (or FeedsimError); remove what a killed process left beside it."""
    with explained(path.parent, "make this folder"):
        path.parent.mkdir(parents=True, exist_ok=True)
    form = re.compile(rf"\.{re.escape(path.name)}\.(\d+)\.(new|old)")
    with suppress(OSError):
        for other in path.parent.iterdir():
            match = form.fullmatch(other.name)
            if match and not _lives(int(match[1])):
                other.unlink()


def remove(path: Path) -> None:
    """Remove whatever has this name, if possible."""
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path, ignore_errors=True)
    else:
        with suppress(OSError):
            path.unlink()


def _lives(process: int) -> bool:
    try:
        os.kill(process, 0)
    except (ProcessLookupError, OverflowError):
        return False
    except OSError:
        return True
    return True


def _second_name(path: Path, other: Path) -> None:
    """Link a file under a second name, to restore it from; copy it if links fail."""
    other.unlink(missing_ok=True)
    try:
        os.link(path, other, follow_symlinks=False)
    except (OSError, NotImplementedError):
        shutil.copy2(path, other, follow_symlinks=False)


@contextmanager
def explained(path: Path, deed: str) -> Iterator[None]:
    """Turn an OSError into a FeedsimError."""
    try:
        yield
    except OSError as error:
        reason = error.strerror or str(error) or type(error).__name__
        if isinstance(error, FileExistsError):
            reason = "a file has that name"
        raise FeedsimError(
            Fault(printable(str(path)), message=f"cannot {deed}: {reason}")
        ) from error
