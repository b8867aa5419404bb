"""The set-up sheet: what to type in, why, what it is good for, how to adjust it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, ClassVar

from feedsim.answers.answer import Answer
from feedsim.answers.line import Line
from feedsim.answers.setup.study import set_up_sheet
from feedsim.files.new_files import Content
from feedsim.quantities import System

__all__ = ["Sheet", "setup"]


@dataclass(frozen=True, slots=True, repr=False)
class Sheet(Answer):
    """A set-up sheet.

    Attributes
    ----------
    line : Line
    sheet : mapping
        As ``setup.json`` holds it.
    """

    line: Line
    sheet: Mapping[str, Any]
    name: ClassVar[str] = "setup"

    def plain(self) -> Mapping[str, Any]:
        """Return what ``setup.json`` holds."""
        return self.sheet

    def _text(self, units: System) -> str:
        """Return the sheet as text; see :meth:`Answer.text`."""
        from feedsim.answers.setup.text import setup_text

        return setup_text(self.sheet, units=units)

    def _files(self, units: System) -> dict[str, Content]:
        """Return the page to print, and its data; see :meth:`Answer.files`."""
        from feedsim.answers.setup.page import setup_page

        page = setup_page(self.sheet, units=units)
        return {"setup.html": page.encode(), "setup.json": self.json().encode()}


def setup(line: Line) -> Sheet:
    """Make the set-up sheet of a line, for its line speed."""
    return Sheet(line, set_up_sheet(line.scenario))
