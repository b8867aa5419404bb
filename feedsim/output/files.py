"""Files that appear whole or not at all."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from errno import EISDIR
from itertools import count, takewhile
from pathlib import Path
from typing import BinaryIO

from feedsim.errors import Fault, FeedsimError

__all__ = ["Content", "try_folder", "write_all"]

Content = bytes | Callable[[BinaryIO], None]
"""The bytes of a file, or what writes them into an open one."""


def write_all(folder: Path, files: Mapping[str, Content]) -> None:
    """Write the files of one run, all of them or none.

    Every file is first written under a hidden name in the folder; only when all are
    complete do they take their names. Should anything fail, the folder is left as it was:
    older files of the same names stay, and a folder that was made for the run goes again.
    A failure of the machine itself, such as a power cut, is not guarded against.

    Parameters
    ----------
    folder : Path
        Made, with its parents, if it does not exist.
    files : mapping of str to bytes or callable
        By name, without a path. A callable is given the open file to write to.

    Raises
    ------
    FeedsimError
        If the folder cannot be made or a file cannot be written.
    ValueError
        If a name is not a plain file name (a defect of the caller).
    """
    for name in files:
        if name in {"", ".", ".."} or Path(name).name != name:
            msg = f"{name!r} is no plain file name"
            raise ValueError(msg)
    made = _missing(folder)
    try:
        with _explained(folder, "make this folder"):
            folder.mkdir(parents=True, exist_ok=True)
        _write_and_move(folder, files)
    except BaseException:
        for new in made:
            with suppress(OSError):
                new.rmdir()
        raise


def try_folder(folder: Path) -> None:
    """Find out, before a long run, whether its files could be written; leave nothing behind.

    Raises
    ------
    FeedsimError
        If the folder cannot be made, or a file in it cannot be written.
    """
    made = _missing(folder)
    try:
        with _explained(folder, "make this folder"):
            folder.mkdir(parents=True, exist_ok=True)
        with _explained(folder, "write into this folder"):
            spare = _spare_name(folder, "try")
            _write(spare, b"")
            spare.unlink()
    finally:
        for new in made:
            with suppress(OSError):
                new.rmdir()


def _missing(folder: Path) -> list[Path]:
    """Return the folders that making this one would make, innermost first."""
    return list(takewhile(lambda path: not os.path.lexists(path), (folder, *folder.parents)))


def _write_and_move(folder: Path, files: Mapping[str, Content]) -> None:
    new: dict[str, Path] = {}
    old: dict[str, Path] = {}
    moving: list[str] = []
    try:
        for name, content in files.items():
            with _explained(folder / name, "write this file"):
                if (folder / name).is_dir():
                    raise IsADirectoryError(EISDIR, "a folder has that name")
                new[name] = _spare_name(folder, name)
                _write(new[name], content)
        for name in files:
            with _explained(folder / name, "replace this file"):
                if os.path.lexists(folder / name):
                    old[name] = _spare_name(folder, name)
                    os.replace(folder / name, old[name])
                moving.append(name)
                os.replace(new[name], folder / name)
    except BaseException:
        for name in moving:
            if not os.path.lexists(new[name]):
                (folder / name).unlink()
        _put_back(folder, old)
        raise
    finally:
        _remove(new)
    _remove(old)


def _put_back(folder: Path, old: Mapping[str, Path]) -> None:
    for name, spare in old.items():
        if os.path.lexists(spare):
            os.replace(spare, folder / name)


def _remove(files: Mapping[str, Path]) -> None:
    for path in files.values():
        path.unlink(missing_ok=True)


def _write(path: Path, content: Content) -> None:
    with path.open("xb") as file:
        if callable(content):
            content(file)
        else:
            file.write(content)


def _spare_name(folder: Path, name: str) -> Path:
    """Return a hidden name that nothing has yet and no other process will take."""
    tries = (folder / f".{name}.{os.getpid()}-{i}.part" for i in count())
    return next(path for path in tries if not os.path.lexists(path))


@contextmanager
def _explained(path: Path, deed: str) -> Iterator[None]:
    """Turn what the system refuses into an error for people."""
    try:
        yield
    except OSError as error:
        reason = error.strerror or str(error) or type(error).__name__
        shown = "".join(c if c.isprintable() else "?" for c in str(path))
        raise FeedsimError(Fault(shown, message=f"cannot {deed}: {reason}")) from error
