"""What every answer can do: be read, be drawn, be taken as data, be saved."""

from __future__ import annotations

import csv
import html
import io
import warnings
from abc import ABC, abstractmethod
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

from feedsim.answers.given import typed
from feedsim.files.folder import OutputFolder
from feedsim.files.new_files import Content
from feedsim.metrics.plain import Plain, as_object
from feedsim.quantities import System
from feedsim.render.json_text import json_text
from feedsim.render.layout import for_screen

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from feedsim.answers.line import Line

Table = Mapping[str, Any]
"""Columns by name, the unit in the name: NumPy arrays or lists, all of one length."""


class Answer(ABC):
    """An answer to a question about a line.

    ``print(answer)`` shows :meth:`text`; a notebook shows it as it is.
    """

    __slots__ = ()

    name: ClassVar[str]
    """Of the question; of its JSON file too."""
    command: ClassVar[str] = ""
    """The command that writes the same files, where that has another name."""
    line: Line
    """The line that was asked about; an answer without it has `units` of its own."""

    def plain(self) -> Mapping[str, Plain]:
        """Return what the JSON file holds: dicts, lists, numbers, strings and None."""
        return as_object(self)

    @property
    def units(self) -> System:
        """The units in which it is shown, unless others are asked for: those of the line."""
        return self.line.units

    @typed
    def text(self, *, units: System | None = None) -> str:
        """Return the answer in words and tables, as a terminal shows it."""
        return for_screen(self._text(units or self.units))

    @abstractmethod
    def _text(self, units: System) -> str: ...

    def tables(self) -> dict[str, Table]:
        """Return the tables of the answer by name: ``pandas.DataFrame`` takes each."""
        return {name: columns_of(text) for name, text in self._csv().items()}

    def _csv(self) -> dict[str, bytes]:
        """Return the tables that are among the files, by name, as they stand there."""
        return {}

    @typed
    def figures(self, *, units: System | None = None) -> dict[str, Figure]:
        """Return the figures of the answer by name."""
        return self._figures(units or self.units)

    def _figures(self, units: System) -> dict[str, Figure]:
        del units
        return {}

    @typed
    def files(self, *, units: System | None = None) -> dict[str, Content]:
        """Return the files of the answer by name.

        Parameters
        ----------
        units : {"metric", "inch"}, optional
            Of pictures and pages; data is metric, with the units in its names.
        """
        return self._files(units or self.units)

    def _files(self, units: System) -> dict[str, Content]:
        return {**self._data(), **self.pictures(units=units)}

    def _data(self) -> dict[str, Content]:
        """Return the files that programs read: the JSON and the tables."""
        tables = {f"{name}.csv": text for name, text in self._csv().items()}
        return {f"{self.name}.json": self.json().encode(), **tables}

    def json(self) -> str:
        """Return :meth:`plain` as the text of a JSON file."""
        return json_text(self.plain())

    @typed
    def pictures(self, *, units: System | None = None) -> dict[str, Content]:
        """Return the figures as PNG and SVG files by name."""
        from feedsim.render.canvas import pictures

        return {**pictures(self.figures(units=units))}

    @typed
    def save(self, folder: str | Path, *, units: System | None = None) -> list[Path]:
        """Write the files of the answer, all of them or none; return where they are.

        A manifest is written with them, as the commands do it. What is found amiss in the folder
        is warned of.

        Parameters
        ----------
        folder : str or Path
            Made if it does not exist.

        Raises
        ------
        FeedsimError
            If the folder is in use or a file cannot be written; it is then left as it was.
        """
        files = self.files(units=units)
        with OutputFolder(Path(folder), self.command or self.name, tell=warnings.warn) as out:
            out.write(files)
        return [Path(folder) / name for name in files]

    def __str__(self) -> str:
        return self.text()

    def __repr__(self) -> str:
        return f"<{type(self).__name__}: print() shows it>"

    def _repr_html_(self) -> str:
        return f"<pre>{html.escape(self.text())}</pre>"


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
