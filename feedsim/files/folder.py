"""The folder of a command's files: locked while it is used, its files replaced together."""

from __future__ import annotations

import os
import socket
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from errno import EEXIST
from itertools import takewhile
from pathlib import Path
from types import TracebackType
from typing import Protocol, Self

from feedsim.errors import Fault, FeedsimError, argument
from feedsim.files.lock import InUseError, Lock
from feedsim.files.manifest import Manifest, digest_of
from feedsim.files.new_files import Content, NewFiles, explained, make_room, remove
from feedsim.interrupts import held

_WORK = ".feedsim"
_LOCK = "lock"
_STAYS = {_LOCK, "points"}
_TRIES = 100


class Kept(Protocol):
    """What a command that ends early leaves behind."""

    def words(self) -> str:
        """Say what it is; "" if there is nothing."""

    def forget(self) -> None:
        """Remove it."""


class OutputFolder:
    """A context manager: locks a folder for one command, so that no files are mixed.

    The folder is made, with its parents, if it does not exist. Unfinished files and the lock are in
    a hidden folder in it. On leaving, the hidden folder goes, unless points of a sweep are kept
    there, and so do folders that were made for nothing. ``command`` is the name of the manifest
    too; ``tell`` is called with a message about each thing wrong in the folder. What ``keeps`` has
    is kept if the command ends before it writes its files, and removed once it has.
    """

    def __init__(self, folder: Path, command: str, *, tell: Callable[[str], None]) -> None:
        self.folder = folder
        self.keeps: Kept | None = None
        self._command = command
        self._tell = tell
        self._work = folder / _WORK
        self._made: list[Path] = []
        self._lock: Lock | None = None
        self._manifest = Manifest({})
        self._in_place: tuple[str, ...] = ()

    @property
    def points(self) -> Path:
        """Where a sweep may keep its points from one process to the next."""
        return self._work / "points"

    def __enter__(self) -> Self:
        try:
            self._take()
            self._clear()
            self._look_over()
        except BaseException:
            self._leave()
            raise
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._leave()

    def write(
        self, files: Mapping[str, Content], *, beside: Mapping[Path, Content] | None = None
    ) -> None:
        """Replace the files of this command, all of them or none, and their manifest before them.

        Until all are in place, and for good if the process is killed meanwhile, the manifest
        shows that they do not belong together. A single file needs none. Files ``beside`` are in
        other folders; they are put in place with them, and not in the manifest.

        Raises FeedsimError if a file cannot be written; the folder is then as it was before. Raises
        ValueError if a name is not a plain file name (a defect of the caller).
        """
        for name in files:
            if name in {"", ".", ".."} or Path(name).name != name:
                msg = f"{name!r} is no plain file name"
                raise ValueError(msg)
        others = beside or {}
        older = self._manifest.left_in(self.folder, files)
        manifest = self.folder / Manifest.name(self._command)
        with NewFiles(self._work) as new:
            for path, content in others.items():
                make_room(path)
                new.write(path, content)
            digests = {
                name: digest_of(new.write(self.folder / name, content))
                for name, content in files.items()
            }
            order = [*others, *(self.folder / name for name in files)]
            if len(files) > 1:
                new.write(manifest, Manifest(digests, older).text(self._command).encode())
                order.insert(0, manifest)
            with held():
                new.put(order)
                self._in_place = (*files, *(str(path) for path in others))
                if self.keeps is not None:
                    self.keeps.forget()
        if older:
            names = ", ".join(older)
            self._tell(f"note: from an earlier {self._command}, left as they are: {names}")

    def state(self) -> str:
        """Return what would be in place or kept if the command ended now."""
        if self._in_place:
            return f"in place in {self.folder}: {', '.join(self._in_place)}"
        return "" if self.keeps is None else self.keeps.words()

    def _take(self) -> None:
        who = (
            f"feedsim {self._command}, process {os.getpid()} on {socket.gethostname()}, "
            f"since {time.strftime('%Y-%m-%d %H:%M:%S')}"
        )
        for _ in range(_TRIES):
            with held():
                self._make()
                with explained(self.folder, "write into this folder"):
                    try:
                        self._lock = Lock(self._work / _LOCK, who)
                        break
                    except FileNotFoundError:  # one who leaves has just removed it
                        continue
                    except InUseError as other:
                        message = f"is in use by {str(other) or 'another feedsim'}"
                        where = argument("answer.save")
                        advice = f"wait until that has ended, or give another folder with {where}"
                        fault = Fault(str(self.folder), message=f"{message}; {advice}")
                        raise FeedsimError(fault) from None
        else:
            message = "cannot be locked: it disappears each time that it is made"
            raise FeedsimError(Fault(str(self.folder), message=message))
        if not self._lock.certain:
            self._tell(
                f"note: the file system of {self.folder} has no locks: let one command at a time "
                "write there"
            )
        elif self._lock.left_by:
            self._tell(
                f"note: {self.folder} was in use when a process died, and is taken over from it: "
                f"{self._lock.left_by}"
            )

    def _make(self) -> None:
        missing = takewhile(lambda path: not os.path.lexists(path), self._work.parents)
        self._made = [*dict.fromkeys((*missing, *self._made))]
        # not found: one who leaves has just removed a parent
        with explained(self.folder, "make this folder"), suppress(FileNotFoundError):
            self.folder.mkdir(parents=True, exist_ok=True)
        with explained(self.folder, "write into this folder"), suppress(FileNotFoundError):
            if self._work.is_symlink():
                raise FileExistsError(EEXIST, f"{_WORK} in it is a link")
            self._work.mkdir(exist_ok=True)

    def _clear(self) -> None:
        """Remove what a killed process left behind."""
        with suppress(FileNotFoundError):
            for path in self._work.iterdir():
                if path.name not in _STAYS:
                    remove(path)

    def _look_over(self) -> None:
        """Report files of an earlier run that do not belong together; refuse a blocked name."""
        path = self.folder / Manifest.name(self._command)
        if path.is_dir():
            raise FeedsimError(
                Fault(str(path), message="cannot write this file: a folder has that name")
            )
        self._manifest = Manifest.read(path)
        unlike = self._manifest.unlike(self.folder)
        if unlike:
            self._tell(
                f"note: in {self.folder} not as an earlier {self._command} wrote it (it was "
                f"killed, or the file has changed since): {', '.join(unlike)}"
            )

    def _leave(self) -> None:
        with held():
            if self._lock is not None:
                self._clear()
                self._lock.release()
                self._lock = None
            for made in (self._work, *self._made):
                with suppress(OSError):  # it holds something
                    made.rmdir()
