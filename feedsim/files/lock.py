"""A file that one process holds at a time; the system releases it when the process ends."""

from __future__ import annotations

import errno
import os
import stat
from pathlib import Path

try:
    import fcntl
except ImportError:  # a system without such locks
    fcntl = None  # type: ignore[assignment]

_FLAGS = os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)
_LONGEST = 300
_NO_LOCKS = {errno.ENOSYS, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOLCK, errno.EINVAL}

_held: set[int] = set()


def _leave_to_first_process() -> None:
    for file in _held:
        os.close(file)
    _held.clear()


if hasattr(os, "register_at_fork"):  # else a copy would hold on to what a killed process had
    os.register_at_fork(after_in_child=_leave_to_first_process)


class InUseError(Exception):
    """Somebody holds the lock; the text says who."""


class Lock:
    """A lock that is held, until :meth:`release` or the end of the process.

    The lock is the system's (``flock``), not that the file exists: a file that a dead process has
    left is no lock, whatever number that process had. The file is created if missing, and removed
    with the lock; others read in it ``who`` holds it. ``left_by``: who held it last, if that
    process ended without releasing it; else "". ``certain``: false where the file system has no
    locks, so that others are not kept out.

    Raises InUseError if another process, or another lock of this one, holds it; FileNotFoundError
    if the file or its folder was removed meanwhile (try again); OSError if it cannot be created.
    """

    def __init__(self, path: Path, who: str) -> None:
        self._path = path
        self._file = os.open(path, _FLAGS, 0o666)
        try:
            self.certain = self._lock()
            self.left_by = self._read()
            os.ftruncate(self._file, 0)
            os.lseek(self._file, 0, os.SEEK_SET)
            os.write(self._file, who.encode("utf-8", "replace"))
        except BaseException:
            os.close(self._file)
            raise
        _held.add(self._file)

    def _lock(self) -> bool:
        if not stat.S_ISREG(os.fstat(self._file).st_mode):
            raise OSError(errno.EEXIST, "something else has the name of its lock")
        if fcntl is None:
            return False
        try:
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise InUseError(self._read()) from None
        except OSError as error:
            if error.errno in _NO_LOCKS:
                return False
            raise
        # the one who held it may have removed the file since we opened it
        if not os.path.samestat(os.stat(self._path), os.fstat(self._file)):
            raise FileNotFoundError(errno.ENOENT, "gone meanwhile")
        return True

    def _read(self) -> str:
        text = os.read(self._file, _LONGEST).decode("utf-8", "replace")
        return "".join(c if c.isprintable() else "?" for c in text)

    def release(self) -> None:
        """Release it and remove the file; in a forked copy do nothing."""
        if self._file not in _held:
            return
        self._path.unlink(missing_ok=True)
        _held.remove(self._file)
        os.close(self._file)
