"""What a rehearsal page calls things: outcomes, hazards, events."""

from __future__ import annotations

from feedsim.metrics.cycle_hazards import HAZARDS
from feedsim.quantities import System, display_unit
from feedsim.records.outcome import Outcome

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


def page_words(units: System) -> dict[str, object]:
    """Return the words of a page, and its units.

    Returns
    -------
    dict
        ``outcomes``: by number. ``causes``, ``hazards``: by name. ``margins``: unit of each
        hazard's margin, None where it has none. ``events``: by part and event. ``none``: why there
        is nothing to jump to. ``units``: label, factor from mm (mm/s, mm/s²) and decimal places.
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
