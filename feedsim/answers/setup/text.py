"""The set-up sheet as text for a terminal, and as a page to print and take to the machine."""

from __future__ import annotations

from collections.abc import Iterator

from feedsim.answers.setup.study.results import SetUp
from feedsim.answers.setup.study.sheet import told_in
from feedsim.answers.setup.words import FeederWords, feeders_in_words, not_for_production
from feedsim.quantities import System
from feedsim.render.cautions import CAUTIONS
from feedsim.render.html_page import html_page
from feedsim.render.layout import items, table, wrapped
from feedsim.render.wording import speed


def setup_text(sheet: SetUp, *, units: System = "metric", changed: str = "") -> str:
    """Return the whole sheet; `changed`: what is other than in the scenario's file."""
    told = told_in(units, sheet)
    lines = [f"SET-UP SHEET  {sheet.title}", f"for {speed(sheet.line_speed_mm_s, units)}"]
    lines += [*wrapped(changed), ""]
    if above := not_for_production(sheet, units):
        lines = [*wrapped(above), "", *lines]
    for feeder in feeders_in_words(told, units):
        lines += _feeder(feeder)
    if told.all_warnings:
        lines += ["Mind", *items(told.all_warnings, "!"), ""]
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
    yield "What they are good for"
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


def setup_page(sheet: SetUp, *, units: System = "metric", changed: str = "") -> str:
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
