"""The set-up sheet: what to type in, why, what it is good for, how to adjust it."""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import ClassVar

from feedsim.answers.answer import Answer
from feedsim.answers.line import Line
from feedsim.answers.setup.study.results import SetUp
from feedsim.answers.setup.study.sheet import set_up_sheet
from feedsim.files.new_files import Content
from feedsim.metrics.plain import LEFT_OUT
from feedsim.quantities import System


@dataclass(frozen=True, slots=True, repr=False)
class Sheet(SetUp, Answer):
    """A set-up sheet."""

    line: Line = field(metadata=LEFT_OUT)
    name: ClassVar[str] = "setup"

    def _text(self, units: System) -> str:
        from feedsim.answers.setup.text import setup_text

        return setup_text(self, units=units, changed=self.line.changed_words)

    def _files(self, units: System) -> dict[str, Content]:
        from feedsim.answers.setup.text import setup_page

        page = setup_page(self, units=units, changed=self.line.changed_words)
        return {"setup.html": page.encode(), "setup.json": self.json().encode()}


def setup(line: Line) -> Sheet:
    """Make the set-up sheet of a line, for its line speed."""
    found = set_up_sheet(line.scenario)
    return Sheet(**{f.name: getattr(found, f.name) for f in fields(found)}, line=line)
