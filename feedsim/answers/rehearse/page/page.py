"""``rehearse.html``: a stretch of a run to play and inspect, one file without any address."""

from __future__ import annotations

from collections.abc import Sequence

from feedsim.answers.rehearse.study.scene import Scene
from feedsim.measures import QuantityError, parse
from feedsim.metrics.cycle_hazards import HAZARDS
from feedsim.quantities import Kind, System, display, display_unit
from feedsim.records.outcome import Outcome
from feedsim.render.cautions import CAUTIONS
from feedsim.render.html_page import embedded, html_page, part

_HERE = "feedsim.answers.rehearse.page"
SCRIPTS = (
    "columns",
    "motion",
    "setup",
    "positions",
    "signals",
    "totals",
    "standing",
    "facts",
    "jumps",
    "numbers",
    "ink",
    "view",
    "gate",
    "line",
    "feeder",
    "picture",
    "strip",
    "timeline",
    "error",
    "panel",
    "clock",
    "controls",
    "parts",
    "choice",
    "deeds",
    "show",
    "start",
)
"""In the order in which the page reads them."""

_JUMPS = ("event", "miss", "outside", "hazard", "stop")
_DRAWING = (
    "The mark on a carrier points to where the leading edge of its insert should lie. An insert "
    "is pale until the clutch closes for it, and dashed where it strays. Along the belt, "
    "and along the insert path, everything is to scale; thicknesses, heights and the slope of the "
    "path are not. Where the model does not say in which spot a carrier falls "
    "back, it does so evenly between its eye and the first placement point. Inserts are not bent "
    "by anything but the picture."
)
_GATE = " A carrier that the divert gate has taken off is drawn empty and dotted from there on."
_MOST_DIFFERENCES = 12
_KINDS: tuple[Kind, ...] = ("length", "speed", "time", "acceleration")
EVENTS = {
    "line starts": "belt starts",
    "line trips": "line stops",
    "line at_rest": "belt at rest",
    "line cleared": "line cleared",
    "line homed": "encoder homed",
    "line restarts": "line restarts",
    "line gives_up": "run given up",
    "operator adjusts": "settings adjusted",
    "carrier_eye switches": "carrier eye switches",
    "carrier_eye output_on": "carrier eye's output comes on",
    "carrier_eye input_on": "carrier eye's input comes on",
    "carrier_eye too_short": "carrier gone before the program saw it",
    "carrier_eye known": "mark known",
    "carrier_eye not_seen": "carrier not seen",
    "carrier_eye merged": "carrier merged with the one before",
    "feeder.clutch closes": "clutch closes",
    "feeder.clutch opens": "clutch opens",
    "feeder.clutch staged": "next insert staged",
    "feeder.clutch search_ends": "search ends without an insert",
    "feeder.clutch jog_starts": "jog starts",
    "feeder.clutch jog_refused": "jog refused",
    "feeder.servo lands": "insert lands",
    "feeder.insert_eye switches": "insert eye switches",
    "feeder.insert_eye output_on": "insert eye's output comes on",
    "feeder.insert_eye input_on": "insert eye's input comes on",
    "feeder.insert_eye too_short": "insert gone before the program saw it",
    "feeder.insert_eye known": "next insert known",
    "feeder.insert_eye stray": "insert strays past its eye",
    "feeder.insert_eye rejected": "double taken out",
    "feeder.recovery kept": "staged insert kept",
    "feeder.recovery refilled": "magazine refilled",
    "feeder.recovery inserts_cleared": "inserts taken out",
    "feeder.recovery staged": "insert staged anew",
    "feeder.recovery search_failed": "no insert found",
    "feeder.magazine warns": "magazine nearly empty",
    "feeder.magazine full": "magazine full",
}
"""By part, without the number of the feeder, and event."""

_NONE = {
    "event": "there is no event among the chosen carriers",
    "miss": "no carrier is missed among the chosen ones",
    "outside": "no insert among the chosen carriers lies out of tolerance",
    "hazard": "no hazard among the chosen carriers",
    "stop": "the line does not stop among the chosen carriers",
    "difference": "every chosen carrier comes out alike in both",
}
_PLACES = {"metric": 3, "inch": 4}


def rehearse_page(
    scenes: Sequence[Scene],
    *,
    differences: Sequence[tuple[str, str, str]] = (),
    changed: str = "",
    units: System = "metric",
    linked: str = "",
) -> str:
    """Return the page of one scene, or of two side by side; texts of a scenario are never markup.

    ``differences``: keys in which two setups differ, with the value in either. ``changed``: what
    differs from the scenario's file. ``linked``: where a server has :func:`linked_parts`, with a
    slash at its end; if empty, the page is one file that a browser opens from disk.
    """
    two = len(scenes) > 1
    feeders = [feeder.name for feeder in max((scene.feeders for scene in scenes), key=len)]
    text = html_page(
        _HERE,
        "page.html",
        title=_title(scenes),
        about=_about(scenes, units),
        changed=changed,
        setups=[scene.name for scene in scenes],
        feeders=feeders,
        differences=_difference_lines(differences, units),
        jumps=[*_JUMPS, "difference"] if two else _JUMPS,
        stops=any(scene.stops for scene in scenes),
        drawing=_DRAWING + (_GATE if any(scene.gate for scene in scenes) else ""),
        cautions=CAUTIONS,
        linked=linked,
        style=part(_HERE, "page.css"),
        script=_script(),
        words=embedded(page_words(units) | {"feeders": feeders}),
        scenes=embedded([scene.plain() for scene in scenes]),
    )
    # half of a surrogate pair, from a broken command line, cannot be written in UTF-8
    return text.encode("utf-8", errors="backslashreplace").decode("utf-8")


def linked_parts() -> dict[str, str]:
    """Return the parts that a linked page asks for, by name."""
    script = f'(() => {{\n"use strict";\n{_script()}\n}})();\n'
    return {"playing.css": str(part(_HERE, "page.css")), "playing.js": script}


def _script() -> str:
    return part(_HERE, *(f"{name}.js" for name in SCRIPTS))


def _title(scenes: Sequence[Scene]) -> str:
    titles = list(dict.fromkeys(scene.title for scene in scenes))
    return " and ".join(titles)


def _about(scenes: Sequence[Scene], units: System) -> str:
    first, last = scenes[0].chosen
    speeds = (display(scene.line_speed_mm_s, "speed", units=units) for scene in scenes)
    seeds = list(dict.fromkeys(str(scene.seed) for scene in scenes))
    words = [
        f"carriers {first} to {last}" if last > first else f"carrier {first}",
        " and ".join(dict.fromkeys(speeds)),
        f"seed {seeds[0]}"
        if len(seeds) == 1
        else f"seeds {' and '.join(seeds)}: other random numbers",
        f"feedsim {scenes[0].feedsim}",
    ]
    if len(scenes) > 1:
        focus = scenes[0].focus
        zero = first if focus is None else focus
        words.append(f"one clock, 0 as carrier {zero} passes the carrier eye of each")
    return ", ".join(words) + ". A simulation, no safety function."


def _difference_lines(differences: Sequence[tuple[str, str, str]], units: System) -> list[str]:
    lines = [
        f"{key}: {_readable(one, units)} → {_readable(other, units)}"
        for key, one, other in differences[:_MOST_DIFFERENCES]
    ]
    more = len(differences) - len(lines)
    return [*lines, f"and {more} more"] if more else lines


def _readable(text: str, units: System) -> str:
    """Write a quantity in the units of the page; any other text as it is."""
    for kind in _KINDS:
        try:
            return display(parse(text, kind), kind, units=units, digits=6)
        except QuantityError:
            continue
    return text


def page_words(units: System) -> dict[str, object]:
    """Return the words of a page, and its units.

    ``outcomes``: by number. ``causes``, ``hazards``: by name. ``margins``: unit of each hazard's
    margin, None for none. ``events``: by part and event. ``none``: why there is nothing to jump to.
    ``units``: label, factor from mm (mm/s, mm/s²) and decimal places.
    """
    causes = {outcome.cause: outcome.cause.replace("_", " ") for outcome in Outcome}
    given_up = {f"feeder.program {cause}": f"given up: {text}" for cause, text in causes.items()}
    length, speed = display_unit("length", units), display_unit("speed", units)
    acceleration = display_unit("acceleration", units)
    return {
        "outcomes": [causes[outcome.cause] for outcome in Outcome],
        "causes": causes,
        "hazards": {name: name.replace("_", " ") for name in HAZARDS},
        "margins": dict(HAZARDS),
        "events": EVENTS | given_up,
        "none": _NONE,
        "units": {
            "length": {"label": length.label, "factor": length.factor, "places": _PLACES[units]},
            "speed": {"label": speed.label, "factor": speed.factor},
            "acceleration": {"label": acceleration.label, "factor": acceleration.factor},
        },
    }
