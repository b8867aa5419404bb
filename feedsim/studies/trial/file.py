"""A CSV file as spreadsheets write it: its text, its separator, its rows."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator
from pathlib import Path

from feedsim.errors import Fault, FeedsimError
from feedsim.scenario.csv_numbers import delimiter_of
from feedsim.scenario.text_file import refuse_special

__all__ = ["cells_of", "file_text", "has_decimal_commas"]

_LARGEST = 300_000_000  # bytes
_SEPARATOR_LINE = re.compile(r"sep=([,;\t|])\s*", re.IGNORECASE)


def file_text(path: str | Path) -> str:
    """Read a file as text.

    Raises
    ------
    FeedsimError
        If it cannot be read, or is no text.
    """
    name = str(path)
    refuse_special(path, what="CSV")
    try:
        with open(path, "rb") as file:
            raw = file.read(_LARGEST + 1)
    except FileNotFoundError:
        raise FeedsimError(Fault(name, message="there is no such file")) from None
    except IsADirectoryError:
        raise FeedsimError(Fault(name, message="is a folder, not a CSV file")) from None
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or str(error)
        raise FeedsimError(Fault(name, message=f"cannot be read ({why})")) from None
    if len(raw) > _LARGEST:
        raise FeedsimError(Fault(name, message="is larger than 300 MB; that is no trial"))
    encoding = "utf-16" if raw[:2] in {b"\xff\xfe", b"\xfe\xff"} else "utf-8-sig"
    try:
        text = raw.decode(encoding)
    except UnicodeDecodeError as error:
        row = raw.count(b"\n", 0, error.start) + 1
        message = f"is not UTF-8 text (row {row}); save it as CSV in UTF-8"
        raise FeedsimError(Fault(name, message=message)) from None
    if "\0" in text:
        row = text.count("\n", 0, text.index("\0")) + 1
        message = f"has a NUL character (row {row}); that is no CSV file"
        raise FeedsimError(Fault(name, message=message))
    return text


def _first_line(text: str) -> str:
    """Return the line of the head, or a line such as ``sep=;`` before it."""
    for line in io.StringIO(text):
        if line.strip(" \t\r\n,;") and not line.lstrip('" ').startswith("#"):
            return line
    return ""


def _separator(text: str) -> str:
    line = _first_line(text)
    if said := _SEPARATOR_LINE.fullmatch(line.strip()):
        return str(said.group(1))
    return delimiter_of(line) if line else ","


def has_decimal_commas(text: str) -> bool:
    """Tell whether a comma within a cell can only be a decimal one."""
    return _separator(text) != ","


def cells_of(text: str, name: str) -> Iterator[tuple[int, list[str]]]:
    """Yield (row of the file, its cells); empty rows and those that begin with # are left out."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=_separator(text), strict=True)
    try:
        for cells in reader:
            first = cells[0].lstrip() if cells else ""
            if not first and not any(map(str.strip, cells)):
                continue
            if first.startswith("#") or first[:4].lower() == "sep=":
                continue
            yield reader.line_num, cells
    except csv.Error as error:
        message = f"is no sound CSV there ({error}); are its quotes closed?"
        raise FeedsimError(Fault(f"{name}, row {reader.line_num}", message=message)) from None
