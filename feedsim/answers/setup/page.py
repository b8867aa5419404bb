"""``setup.html``: the set-up sheet as a page to print and to take to the machine."""

from __future__ import annotations

from feedsim.answers.setup.study.results import SetUp
from feedsim.answers.setup.study.sheet import told_in
from feedsim.answers.setup.words import feeders_in_words, not_for_production
from feedsim.quantities import System
from feedsim.render.cautions import CAUTIONS
from feedsim.render.wording import speed

__all__ = ["setup_page"]


def setup_page(sheet: SetUp, *, units: System = "metric") -> str:
    """Return the page; every text from the scenario is escaped."""
    from importlib.resources import files

    from jinja2 import Environment, StrictUndefined

    text = files("feedsim.answers.setup").joinpath("page.html").read_text("utf-8")
    page = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    told = told_in(units, sheet)
    return page.from_string(text).render(
        sheet=told,
        above=not_for_production(sheet, units),
        speed=speed(sheet.line_speed_mm_s, units),
        feeders=feeders_in_words(told, units),
        cautions=CAUTIONS,
    )
