"""Rows of a CSV file as columns."""

from __future__ import annotations

import csv
import io

from feedsim.answers.answer import Table


def columns_of(table: bytes) -> Table:
    r"""Return the columns of a CSV table by name: numbers where all cells are, else texts.

    An empty cell is None.

    Examples
    --------
    >>> columns_of(b"name,mean_mm\na,0.5\nb,\n")
    {'name': ['a', 'b'], 'mean_mm': [0.5, None]}
    """
    names, *rows = csv.reader(io.StringIO(table.decode()))
    return {name: _values([row[place] for row in rows]) for place, name in enumerate(names)}


def _values(cells: list[str]) -> list[float | str | None]:
    try:
        return [float(cell) if cell else None for cell in cells]
    except ValueError:
        return [cell or None for cell in cells]
