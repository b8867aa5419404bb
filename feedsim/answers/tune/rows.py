"""``tune.csv``, a row per knob, and ``fronts.csv``, a row per front and speed."""

from __future__ import annotations

from feedsim.answers.tune.study.after import Front, FrontPoint, Tuning
from feedsim.render.csv_table import Cells, csv_table, ends


def tune_csv(found: Tuning) -> bytes:
    """Return the knobs: what they are set to, what that buys, and how far each may turn.

    Worths are in the unit of what is aimed at: mm/s of speed, mm of spread, else fractions.
    """
    terms = {term.key: term for term in found.terms}
    windows = {window.key: window for window in found.windows}
    rows = []
    for knob in found.knobs:
        row: dict[str, object] = {
            "key": knob.key,
            "now": knob.now,
            "best": knob.best,
            "matters": int(knob.matters),
            "price": knob.price,
        }
        term, window = terms.get(knob.key), windows.get(knob.key)
        row["worth"] = term.worth if term else None
        row |= dict(ends("worth", term.interval if term else None))
        row["window_line_speed_mm_s"] = window.line_speed_mm_s if window else None
        row["window_low"], row["window_high"] = (window.low, window.high) if window else (None,) * 2
        again = window.retuned if window else None
        row["retuned_low"] = again.low if again else None
        row["retuned_high"] = again.high if again else None
        row["accepted"] = " ".join(window.held.accepted) if window else None
        rows.append(row)
    return csv_table(rows)


def fronts_csv(found: Tuning) -> bytes:
    """Return the fronts: ``value`` is a share of the feed cycles, or mm of standard deviation."""
    keys = [knob.key for knob in found.knobs]
    return csv_table(
        [
            dict(_row(front, point, setup, keys))
            for front in found.fronts
            for setup, points in (("best", front.points), ("now", front.now))
            for point in points
        ]
    )


def _row(front: Front, point: FrontPoint, setup: str, keys: list[str]) -> Cells:
    yield "against", front.against
    yield "setup", setup
    yield "line_speed_mm_s", point.line_speed_mm_s
    yield "value", point.value
    yield from ends("value", point.interval)
    yield "met", int(point.met)
    yield from zip(keys, point.values, strict=True)
