"""Text laid out for a terminal: tables, paragraphs, items.

Text fits the terminal, of at least 40 columns: a wide table folds its heads and the words in its
cells, never a number; columns that still do not fit continue below, with the first column repeated.
Without a terminal (a file, a pipe, a notebook) a row of a table is one line, and paragraphs have
100 columns. No line ends in a blank.
"""

from __future__ import annotations

import os
import re
import sys
import textwrap
import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from itertools import zip_longest
from typing import TextIO

_NARROWEST, _READABLE = 40, 100
_LEAST_WORDS = 8
_GAP = "  "
_BEFORE_UNIT = re.compile(
    r"(?<=\d) (?=(?:%|[mµ]?m|in|ms|s|m/min|ft/min|m/s²|in/s²|k?W|N·m|rpm)(?:\W|$))"
    r"|(?<=--carriers) (?=\d)|(?<=--at-most) (?=\d)"
)
_KEPT = "\N{NO-BREAK SPACE}"


def table(
    rows: Iterable[Sequence[str | None]],
    align: str = "lr",
    *,
    indent: int = 2,
    room: int | None = None,
    keys: int = 1,
    widest: int | None = None,
) -> list[str]:
    """Return rows of cells as lines.

    Parameters
    ----------
    rows : iterable of sequence of str or None
        The head is a row too. A cell may have several lines; one followed by None extends over that
        column. Empty columns are left out.
    align : str
        A letter per column, ``l`` or ``r``; the last one applies to all that follow.
    indent : int
        Blanks before each line.
    room : int, optional
        Columns to fit into; by default those of the terminal, unlimited without one.
    keys : int
        Number of columns repeated beside those that continue below.
    widest : int, optional
        Largest width of columns of words, also without a terminal.

    Examples
    --------
    >>> table([("", "mean", "sd"), ("left", "+0.1", "0.4"), ("right-hand", "-12.0", "0.4")])
    ['               mean   sd', '  left         +0.1  0.4', '  right-hand  -12.0  0.4']
    >>> table([("Missed", "not seen by the eye"), ("Late", "0")], "l", room=22)
    ['  Missed  not seen by', '          the eye', '  Late    0']
    """
    given = [[None if cell is None else cell.split("\n") for cell in row] for row in rows]
    columns = max((len(row) for row in given), default=0)
    cells: list[_Row] = [[*row, *[[""]] * (columns - len(row))] for row in given]
    sides = align[:columns] + align[-1] * (columns - len(align))
    return _laid_out(cells, sides, indent, room=room or _room(), keys=keys, widest=widest)


_Row = Sequence[list[str] | None]


def _laid_out(
    cells: list[_Row], sides: str, indent: int, *, room: int | None, keys: int, widest: int | None
) -> list[str]:
    natural = [max(_needed(row, i) for row in cells) for i in range(len(sides))]
    if widest is not None:
        natural = [min(n, widest) if s == "l" else n for n, s in zip(natural, sides, strict=True)]
    widths = natural
    if room:
        widths = _folded_to(cells, natural, sides, room - indent)
        fit = len(sides)
        while fit > keys and _over(natural[:fit], room - indent) > 0:
            fit -= 1
        splits = not any(None in row for row in cells) and keys < fit
        if _over(widths, room - indent) > 0 and splits:
            first, rest = ([*range(fit)], [*range(keys), *range(fit, len(sides))])
            parts = (
                _laid_out(
                    [[row[i] for i in part] for row in cells],
                    "".join(sides[i] for i in part),
                    indent,
                    room=room,
                    keys=keys,
                    widest=widest,
                )
                for part in (first, rest)
            )
            return [*next(parts), "", *next(parts)]
    lines = []
    for row in cells:
        folded = [
            [""] if cell is None else _folded(cell, width) if _needed(row, i) else cell
            for i, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        beside = zip_longest(*folded, fillvalue="")
        lines += [_line(parts, widths, sides, indent) for parts in beside]
    return lines


def _needed(row: _Row, place: int) -> int:
    """Return the width of a cell; one that extends needs no room of its own."""
    cell = row[place]
    if cell is None or None in row[place + 1 : place + 2]:
        return 0
    return max(map(_wide, cell))


def _over(widths: Sequence[int], room: int) -> int:
    """Return how much too wide the columns are together."""
    return sum(widths) + len(_GAP) * (sum(map(bool, widths)) - 1) - room


def _folded_to(cells: list[_Row], natural: Sequence[int], sides: str, room: int) -> list[int]:
    """Return narrower columns, heads of numbers before words, until all fit or none can shrink."""
    widths = [*natural]
    least = [_least(cells, place, side) for place, side in enumerate(sides)]
    while _over(widths, room) > 0:
        wide = [place for place, width in enumerate(widths) if width > least[place]]
        if not wide:
            break
        widths[max(wide, key=lambda place: (sides[place] == "r", widths[place]))] -= 1
    return widths


def _least(cells: list[_Row], place: int, side: str) -> int:
    """Return the least width of a column: its longest word or number below the head."""
    below = [] if side == "l" else cells[1:]
    folding = [cell for row in cells if (cell := row[place]) and _needed(row, place)]
    words = [
        " " * (_set_in(line) + 2 if _set_in(line) else 0) + word
        for cell in folding
        for line in cell
        for word in _BEFORE_UNIT.sub(_KEPT, line).split(" ")
    ]
    return max([_LEAST_WORDS, *map(_wide, words), *(_needed(row, place) for row in below)])


def _folded(cell: list[str], width: int) -> list[str]:
    return [
        part for line in cell for part in (_hung(line, width) if _wide(line) > width else [line])
    ]


def _hung(line: str, width: int) -> list[str]:
    """Fold a line; keep its indent, and indent continuations a little more.

    >>> _hung("    carrier eye response", 18)
    ['    carrier eye', '      response']
    """
    blanks = " " * _set_in(line)
    return wrapped(line.lstrip(), blanks, f"{blanks}  " if blanks else "", room=width)


def _set_in(line: str) -> int:
    return len(line) - len(line.lstrip())


def _line(parts: Iterable[str], widths: Sequence[int], sides: str, indent: int) -> str:
    line, start = "", indent
    for part, width, side in zip(parts, widths, sides, strict=True):
        if part:
            place = start if side == "l" or not width else start + width - _wide(part)
            line += " " * max(place - _wide(line), len(_GAP) if line.strip() else 0) + part
        start += width + len(_GAP) if width else 0
    return line.rstrip()


def _wide(text: str) -> int:
    """Return the width of a text in columns of a terminal."""
    if text.isascii():
        return len(text)
    return sum(
        0 if unicodedata.combining(c) else 2 if unicodedata.east_asian_width(c) in "WF" else 1
        for c in text
    )


def for_screen(text: str, stream: TextIO | None = None) -> str:
    """Break lines at words to fit the terminal, if there is one."""
    room = _room(stream)
    if room is None:
        return text
    return "\n".join(part for line in text.splitlines() for part in _broken(line, room))


def _broken(line: str, room: int) -> list[str]:
    indent = " " * (len(line) - len(line.lstrip()) + 2)
    return wrapped(line.strip(), indent[2:], indent, room=room) if _wide(line) > room else [line]


def _room(stream: TextIO | None = None) -> int | None:
    """Return the columns of the terminal; None if there is none."""
    stream = stream or sys.stdout
    try:
        if stream.isatty():
            return max(_NARROWEST, os.get_terminal_size(stream.fileno()).columns)
    except (AttributeError, OSError, ValueError):  # a notebook's stream, a closed one
        pass
    return None


def wrapped(
    text: str, first: str = "", rest: str | None = None, *, room: int | None = None
) -> list[str]:
    """Break a paragraph into lines, never inside a word or between a number and its unit.

    ``first``, ``rest``: prefix of the first line, and of the others; by default blanks as wide.
    ``room``: columns to fit into; 100, or those of a narrower terminal, if left out.
    """
    lines = textwrap.wrap(
        _BEFORE_UNIT.sub(_KEPT, text),
        room or min(_READABLE, _room() or _READABLE),
        initial_indent=first,
        subsequent_indent=" " * len(first) if rest is None else rest,
        break_long_words=False,
        break_on_hyphens=False,
    )
    return [line.replace(_KEPT, " ") for line in lines]


def items(lines: Iterable[str], mark: str = "-") -> Iterator[str]:
    """Yield paragraphs as items of a list, each behind a mark."""
    for line in lines:
        yield from wrapped(line, f"  {mark} ")


def one_line(text: str, longest: int = _READABLE) -> str:
    """Return a text on one line, shortened with an ellipsis to `longest` characters."""
    line = " ".join("".join(c if c.isprintable() else " " for c in text).split())
    return line if len(line) <= longest else line[: longest - 1].rstrip() + "…"
