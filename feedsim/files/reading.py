"""Files that feedsim wrote, read back without trusting their content."""

from __future__ import annotations

import errno
import os
import stat
from io import BufferedReader
from pathlib import Path

_FLAGS = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)


def regular_file(path: Path) -> BufferedReader:
    """Open a regular file for reading; OSError if it is none (a pipe, a device), or unreadable."""
    number = os.open(path, _FLAGS)
    if not stat.S_ISREG(os.fstat(number).st_mode):
        os.close(number)
        raise OSError(errno.EINVAL, "no regular file")
    return os.fdopen(number, "rb")
