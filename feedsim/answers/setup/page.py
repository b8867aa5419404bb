"""``setup.html``: the set-up sheet as a page to print and to take to the machine."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from feedsim.answers.limit.study.closed import FeederLimit
from feedsim.answers.limit.text import binding_words
from feedsim.answers.setup.words import (
    adjusting,
    derivations,
    good_for,
    limit_rows,
    not_for_production,
    reading_off,
    settings_rows,
    steps,
)
from feedsim.quantities import System, display
from feedsim.render.cautions import CAUTIONS

__all__ = ["setup_page"]


def setup_page(sheet: Mapping[str, Any], *, units: System = "metric") -> str:
    """Return the page; every text from the scenario is escaped.

    Parameters
    ----------
    sheet : mapping
        As :func:`feedsim.answers.setup.study.set_up_sheet` makes it.
    units : {"metric", "inch"}
        Units of the tables; settings are given in all.
    """
    from importlib.resources import files

    from jinja2 import Environment, StrictUndefined

    text = files("feedsim.answers.setup").joinpath("page.html").read_text("utf-8")
    page = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    return page.from_string(text).render(
        title=sheet["title"],
        feedsim=sheet["feedsim"],
        above=not_for_production(sheet, units),
        speed=display(sheet["line_speed_mm_s"], "speed", units=units),
        words=sheet["words"],
        warnings=[*sheet["warnings"], *(w for f in sheet["feeders"] for w in f["warnings"])],
        feeders=[_feeder(feeder, sheet, units) for feeder in sheet["feeders"]],
        cautions=CAUTIONS,
    )


def _feeder(feeder: Mapping[str, Any], sheet: Mapping[str, Any], units: System) -> dict[str, Any]:
    keys = next(f for f in sheet["scenario"]["feeder"] if f["name"] == feeder["name"])
    corrected = keys["settings"]["stage_correction"]
    heads, rows = good_for(feeder, units)
    return {
        "name": feeder["name"],
        "words": feeder["words"],
        "settings": settings_rows(feeder),
        "corrected": corrected,
        "only_here": feeder["right_at_line_speed_only"],
        "notes": feeder["notes"],
        "derivations": list(derivations(feeder)),
        "heads": heads,
        "rows": rows,
        "limits": limit_rows(feeder, units),
        "binding": binding_words([FeederLimit(**row) for row in feeder["limits"]], units=units),
        "rules": adjusting(feeder, count_mm=sheet["count_mm"], corrected=corrected),
        "reading_off": reading_off(feeder, units=units, count_mm=sheet["count_mm"]),
        "steps": steps(feeder, sheet["scenario"], units),
    }
