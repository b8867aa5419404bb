"""The set-up sheet: what to type in, why, what it achieves, how to adjust it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, fields
from typing import ClassVar

from feedsim.answers.answer import Answer
from feedsim.answers.given import typed
from feedsim.answers.line import Line
from feedsim.answers.setup.study.results import SetUp
from feedsim.answers.setup.study.sheet import set_up_sheet, told_in
from feedsim.answers.setup.words import FeederWords, feeders_in_words, not_for_production
from feedsim.files.new_files import Content
from feedsim.metrics.plain import LEFT_OUT
from feedsim.quantities import System
from feedsim.render.cautions import CAUTIONS
from feedsim.render.html_page import html_page
from feedsim.render.layout import items, table, wrapped
from feedsim.render.wording import speed


@dataclass(frozen=True, slots=True, repr=False)
class Sheet(SetUp, Answer):
    """A set-up sheet."""

    line: Line = field(metadata=LEFT_OUT)
    name: ClassVar[str] = "setup"

    def _text(self, units: System) -> str:
        return _setup_text(self, units=units, changed=self.line.changed_words)

    def _files(self, units: System) -> dict[str, Content]:
        page = _setup_page(self, units=units, changed=self.line.changed_words)
        return {"setup.html": page.encode(), "setup.json": self.json().encode()}


@typed
def setup(line: Line) -> Sheet:
    """Make the set-up sheet of a line, for its line speed."""
    found = set_up_sheet(line.scenario)
    return Sheet(**{f.name: getattr(found, f.name) for f in fields(found)}, line=line)


def _setup_text(sheet: SetUp, *, units: System, changed: str) -> str:
    """Return the whole sheet; `changed`: what differs from the scenario's file."""
    told = told_in(units, sheet)
    lines = [f"SET-UP SHEET  {sheet.title}", f"for {speed(sheet.line_speed_mm_s, units)}"]
    lines += [*wrapped(changed), ""]
    if above := not_for_production(sheet, units):
        lines = [*wrapped(above), "", *lines]
    for feeder in feeders_in_words(told, units):
        lines += _feeder(feeder)
    if told.all_warnings:
        lines += ["Warnings", *items(told.all_warnings, "!"), ""]
    lines += ["Cautions", *items(CAUTIONS)]
    return "\n".join(lines)


def _feeder(feeder: FeederWords) -> Iterator[str]:
    yield f"{feeder.name}: type in"
    yield from table(feeder.settings, "lrrrl")
    if feeder.only_here:
        yield from wrapped(f"({feeder.only_here})", "  ")
    yield from items(feeder.notes)
    yield ""
    yield "Where they come from"
    for name, terms in feeder.derivations:
        yield f"  {name}"
        yield from table(terms, indent=4)
    yield ""
    yield "What they achieve"
    yield from table(feeder.good_for)
    yield ""
    yield "Up to which speed, with these settings"
    yield from table(feeder.limits, "rl")
    yield from wrapped(feeder.binding, "  ")
    yield ""
    yield "Adjusting at the machine"
    yield from items(feeder.rules)
    if feeder.reading_off:
        yield from items([feeder.reading_off])
        yield from table(feeder.corrections)
    yield ""
    yield "Commissioning, in this order"
    for number, step in enumerate(feeder.steps, start=1):
        yield from items([step.do], f"{number}.")
        yield from items([f"Expect: {step.expect}", f"Stop at: {step.stop}"], "  ")
    yield ""


def _setup_page(sheet: SetUp, *, units: System, changed: str) -> str:
    """Return the page; every text from the scenario is escaped."""
    told = told_in(units, sheet)
    return html_page(
        "feedsim.answers.setup",
        "page.html",
        sheet=told,
        above=not_for_production(sheet, units),
        speed=speed(sheet.line_speed_mm_s, units),
        changed=changed,
        feeders=feeders_in_words(told, units),
        cautions=CAUTIONS,
    )
