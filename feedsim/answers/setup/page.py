"""``setup.html``: the set-up sheet as a page to print and to take to the machine."""

from __future__ import annotations

from feedsim.answers.setup.study.results import SetUp
from feedsim.answers.setup.study.sheet import told_in
from feedsim.answers.setup.words import feeders_in_words, not_for_production
from feedsim.quantities import System
from feedsim.render.cautions import CAUTIONS
from feedsim.render.html_page import html_page
from feedsim.render.wording import speed

__all__ = ["setup_page"]


def setup_page(sheet: SetUp, *, units: System = "metric") -> str:
    """Return the page; every text from the scenario is escaped."""
    told = told_in(units, sheet)
    return html_page(
        "feedsim.answers.setup",
        "page.html",
        sheet=told,
        above=not_for_production(sheet, units),
        speed=speed(sheet.line_speed_mm_s, units),
        feeders=feeders_in_words(told, units),
        cautions=CAUTIONS,
    )
