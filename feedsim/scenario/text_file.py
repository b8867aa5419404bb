"""A user's file as text, with a clear error if it cannot be read."""

from __future__ import annotations

import os
import stat
from pathlib import Path

from feedsim.errors import Fault, FeedsimError


def text_of(path: str | Path, *, largest: int, what: str, utf_16: bool = False) -> str:
    """Read a file as text in UTF-8; ``what`` it should be is for messages, such as ``"record"``.

    ``utf_16``: it may also be UTF-16, with the byte order mark of a spreadsheet. Raises
    FeedsimError, its key the path, if it cannot be read, is larger than ``largest`` (bytes, a few
    millions) or is not UTF-8.
    """
    name = str(path)
    refuse_special(path, what=what)
    try:
        with open(path, "rb") as file:
            raw = file.read(largest + 1)
    except FileNotFoundError:
        raise FeedsimError(Fault(name, message="there is no such file")) from None
    except IsADirectoryError:
        raise FeedsimError(Fault(name, message=f"is a folder, not a {what} file")) from None
    except PermissionError:
        raise FeedsimError(Fault(name, message="may not be read by you")) from None
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or str(error)
        raise FeedsimError(Fault(name, message=f"cannot be read ({why})")) from None
    if len(raw) > largest:
        message = f"is larger than {largest // 1_000_000} MB; that is no {what}"
        raise FeedsimError(Fault(name, message=message))
    encoding = "utf-16" if utf_16 and raw[:2] in {b"\xff\xfe", b"\xfe\xff"} else "utf-8"
    try:
        return raw.decode(encoding).removeprefix("\ufeff")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        message = f"is not UTF-8 text (line {line}); save it as UTF-8"
        raise FeedsimError(Fault(name, message=message)) from None


def refuse_special(path: str | Path, *, what: str) -> None:
    """Refuse a pipe or a device with a FeedsimError, its key the path: reading might never end."""
    try:
        mode = os.stat(path).st_mode
    except (OSError, ValueError):  # reported when it is opened
        return
    if not stat.S_ISREG(mode) and not stat.S_ISDIR(mode):
        message = f"is a pipe or a device, not a {what} file; write it to a file first"
        raise FeedsimError(Fault(str(path), message=message))
