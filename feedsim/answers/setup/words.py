"""The set-up sheet's tables, rules and steps in words; the text and the page are made of them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from feedsim.answers.limit.text import FIGURES
from feedsim.quantities import System, display, display_unit
from feedsim.render.wording import length_number

__all__ = [
    "Step",
    "adjusting",
    "derivations",
    "good_for",
    "limit_rows",
    "not_for_production",
    "reading_off",
    "settings_rows",
    "steps",
]

_SIDES = (
    ("engage_distance", "Engage distance", "mm"),
    ("engage_lead", "Engage lead", "ms"),
    ("disengage_distance", "Disengage distance", "mm"),
    ("disengage_lead", "Disengage lead", "ms"),
)
_BAND = 3.0  # standard deviations within which a single insert is expected
Feeder = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Step:
    """A step of commissioning: what to do, what to expect, what to stop at."""

    do: str
    expect: str
    stop: str


def settings_rows(feeder: Feeder) -> list[tuple[str, ...]]:
    """Return name, mm, inches, counts (or ms) of each setting; a note where it was typed in."""
    s = feeder["settings"]
    rows = [
        _length_row("Target offset", s["target_offset_mm"], None, ""),
        _length_row("Stage position", s["stage_position_mm"], None, ""),
    ]
    for key, name, unit in _SIDES:
        note = _typed_note(feeder, key, unit)
        if unit == "mm":
            counts = s[f"{key}_counts"]
            rows.append(_length_row(name, s[f"{key}_mm"], counts, note))
        else:
            rows.append((name, "", "", "", f"{s[f'{key}_ms']:.3f} ms", note))
    rows.append(("Speed ratio", "", "", "", f"{s['speed_ratio']:.6g}", ""))
    return rows


def _length_row(name: str, mm: float, counts: int | None, note: str) -> tuple[str, ...]:
    shown = "" if counts is None else f"{counts} counts"
    return name, f"{mm:.3f} mm", f"{mm / 25.4:.4f} in", shown, "", note


def _typed_note(feeder: Feeder, key: str, unit: str) -> str:
    if key not in feeder["typed"]:
        return ""
    right, given = feeder["right"][f"{key}_{unit}"], feeder["settings"][f"{key}_{unit}"]
    if abs(right - given) < 5e-4:
        return "as given"
    return f"as given; {right:.3f} {unit} would be right"


def derivations(feeder: Feeder) -> Iterator[tuple[str, list[tuple[str, str]], str]]:
    """Yield each setting's name, its terms (name, value with sign), and their sum."""
    for key, name, unit in _SIDES:
        terms = feeder["derivation"][f"{key}_{unit}"]
        total = feeder["right"][f"{key}_{unit}"]
        rows = [(term["name"], f"{term['value']:+.3f} {unit}") for term in terms]
        yield name, rows, f"{total:.3f} {unit}"


def good_for(feeder: Feeder, units: System) -> tuple[list[str], list[list[str]]]:
    """Return the heads and the rows of what the settings do at each speed."""
    unit = display_unit("length", units).label
    points = feeder["good_for"]
    heads = ["", *(display(p["line_speed_mm_s"], "speed", units=units) for p in points)]

    def mm(value: float) -> str:
        return length_number(value, units)

    def with_sd(mean: str, sd: str) -> list[str]:
        return [f"{mm(p[mean])} (sd {mm(p[sd])})" for p in points]

    rows = [
        [f"placement error, mean (sd), {unit}", *with_sd("placement_mean_mm", "placement_sd_mm")],
        [
            f"of it known terms of counts and ticks, {unit}",
            *(mm(p["known_terms_mm"]) for p in points),
        ],
        [f"stage position, mean (sd), {unit}", *with_sd("stage_mean_mm", "stage_sd_mm")],
        [f"staged nose short of its limit, {unit}", *(mm(p["nose_margin_mm"]) for p in points)],
        [
            f"tail past the grip end at opening (sd), {unit}",
            *with_sd("tail_margin_mm", "tail_sd_mm"),
        ],
        [
            "feed cycle, of the time between carriers",
            *(
                f"{1e3 * p['cycle_s']:.1f} ms, {100.0 * p['cycle_s'] / p['carrier_every_s']:.0f} %"
                for p in points
            ),
        ],
        ["acceleration asked of the drive", *(_acceleration(p, units) for p in points)],
    ]
    if any(p["scale_shift_mm"] for p in points):
        shifts = [mm(p["scale_shift_mm"]) for p in points]
        rows.insert(2, [f"of it the encoder's scale error, {unit}", *shifts])
    return heads, rows


def _acceleration(point: Mapping[str, Any], units: System) -> str:
    asked, most = point["acceleration_mm_s2"], point["max_acceleration_mm_s2"]
    said = "a step" if asked is None else display(asked, "acceleration", units=units)
    if most is None:
        return f"{said}, no limit given"
    return f"{said} of {display(most, 'acceleration', units=units)}"


def limit_rows(feeder: Feeder, units: System) -> list[tuple[str, str, str]]:
    """Return speed, mechanism and acceptance figure of each limit, with the settings typed in."""
    return [
        (
            display(row["speed_mm_s"], "speed", units=units) if row["speed_mm_s"] else "a crawl",
            row["mechanism"],
            FIGURES[row["figure"]],
        )
        for row in feeder["limits"]
    ]


def adjusting(feeder: Feeder, *, count_mm: float | None, corrected: bool) -> list[str]:
    """Return the adjusting rules for a person at the machine, in order."""
    g = feeder["settings"]["speed_ratio"]

    def counts(mm: float) -> str:
        return f" ({mm / count_mm:.0f} counts)" if count_mm else ""

    back = 1.0 / g
    rules = [
        "Correct the stage first, the placement after it. "
        "Take two numbers of each, over twenty inserts or more: A, the mean at the slow speed, and "
        "B, the mean at the fast speed. What the rules mean by off at standstill is what the two, "
        "drawn out to zero speed, come to, and not A itself; what grows with speed is B - A.",
        f"Stage past its position by 1 mm at standstill: take {back:.3g} mm{counts(back)} off the "
        f"disengage distance. Short of it: add as much.",
        f"Stage walks on by 1 mm for each 0.5 m/s (30 m/min) more: add {2.0 * back:.3g} ms to the "
        f"disengage lead. Walks back: take as much off.",
    ]
    if corrected:
        rules.append(
            "The controller corrects the engage point for where the insert was staged: the "
            "placement does not move with the stage."
        )
    else:
        rules.append(
            f"The placement moves with the stage: each 1 mm that the stage comes back makes "
            f"inserts land {back:.3g} mm later. A stage that walks on with speed shows as inserts "
            f"that land earlier with speed, although the engage lead is right: so measure the "
            f"placement again once the stage is right."
        )
    rules += [
        f"Inserts 1 mm late (too far back) at standstill: take 1 mm{counts(1.0)} off the engage "
        f"distance. Early: add as much.",
        "Later by 1 mm for each 0.5 m/s (30 m/min) more: add 2 ms to the engage lead. Earlier: "
        "take as much off.",
        "A spread that is too wide is nothing that settings can cure: look at eyes, scan, motion "
        "cycle and slip (feedsim budget says which).",
    ]
    return rules


def reading_off(
    feeder: Feeder, *, units: System, count_mm: float | None
) -> tuple[str, list[tuple[str, ...]]]:
    """Return how to read corrections off two measured means, and a table of them.

    Parameters
    ----------
    feeder : mapping
        As the sheet holds it.
    units : {"metric", "inch"}
    count_mm : float or None
        Travel of a count (mm).

    Returns
    -------
    str, list of tuple of str
        A sentence, and rows under their heads; empty where there are no two speeds to measure at.
    """
    how = feeder["adjusting"]
    if how is None:
        return "", []
    slow, fast = (display(how[f"{end}_mm_s"], "speed", units=units) for end in ("slow", "fast"))
    factor = how["slow_mm_s"] / (how["fast_mm_s"] - how["slow_mm_s"])
    g = how["speed_ratio"]
    per_g = "" if g == 1.0 else f"; of the stage, both divided by {g:.6g}, the speed ratio"
    counts = f" (1 mm is {1.0 / count_mm:.0f} counts)" if count_mm else ""
    text = (
        f"A at {slow}: ________ mm.  B at {fast}: ________ mm.  At standstill: "
        f"A - {factor:.3g}·(B - A): take it off the distance{counts}. Add the lead of B - A to the "
        f"lead{per_g}. For the stage it is the disengage distance and lead, for the placement the "
        f"engage ones."
    )
    rows: list[tuple[str, ...]] = [("B - A", "add to the lead", "take off the distance")]
    for row in how["table"]:
        more = row["standstill_less_a_mm"]
        rows.append(
            (
                f"{row['b_less_a_mm']:+.1f} mm",
                f"{row['lead_ms']:+.3f} ms",
                f"A {'+' if more >= 0.0 else '-'} {abs(more):.3f} mm",
            )
        )
    return text, rows


def not_for_production(sheet: Mapping[str, Any], units: System) -> str:
    """Say that the line speed is above the limit, if it is; else nothing."""
    if sheet["production"]:
        return ""
    limit, speed = sheet["highest_speed_mm_s"], sheet["line_speed_mm_s"]
    if not limit:
        return "NOT FOR PRODUCTION. These settings are accepted at no speed, in closed form."
    shown, at = (display(value, "speed", units=units) for value in (limit, speed))
    there = [
        row for row in sheet["closed_form_refused"]
        if row["from_mm_s"] <= speed and (row["to_mm_s"] is None or speed <= row["to_mm_s"])
    ]  # fmt: skip
    island = "" if there else f" At {at} itself they are, but that is an island, no speed to set."
    return (
        f"NOT FOR PRODUCTION. {at} is above the limit: with these settings every speed is accepted "
        f"up to {shown} only, in closed form.{island} The steps below stay under it."
    )


def steps(feeder: Feeder, scenario: Mapping[str, Any], units: System) -> list[Step]:
    """Return the order of commissioning, each step with what to expect and what to stop at."""
    keys = next(f for f in scenario["feeder"] if f["name"] == feeder["name"])
    points = [point for point in feeder["good_for"] if point["to_run"]]
    named = {0: "slow", len(points) - 1: "the fastest speed"}
    found = [
        Step(
            "Bench: no carriers, the master virtual and slow, guards closed. Let the feeder engage "
            "and open a few times.",
            "The insert runs with the master, the clutch opens once for each engage, and the drive "
            "stays quiet.",
            "A feed that does not follow, a drive alarm, any noise that should not be there.",
        ),
        Step(
            f"Jog an insert in at {keys['jog_speed']} and stage it. Measure its nose from the "
            f"insert eye, at rest and locked out.",
            f"Nose near {_mm(feeder['settings']['stage_position_mm'], units)} from the eye.",
            f"A nose past the nose limit at {keys['nose_limit']}.",
        ),
    ]
    for place, point in enumerate(points):
        name = named.get(place, "the chosen speed")
        speed = display(point["line_speed_mm_s"], "speed", units=units)
        doing = f"Run {name}, {speed}, twenty carriers first, then a trial's worth."
        found.append(Step(doing, _expected(point, units), _stop(keys, scenario)))
    return found


def _expected(point: Mapping[str, Any], units: System) -> str:
    error = _BAND * point["placement_sd_mm"]
    stage = _BAND * point["stage_sd_mm"]
    mean = length_number(point["placement_mean_mm"], units, sign=True)
    return (
        f"Placement error {mean} ± {_mm(error, units)}; staged nose at "
        f"{length_number(point['stage_mean_mm'], units)} ± {_mm(stage, units)} (nearly all "
        f"inserts); placed tail {_mm(point['tail_margin_mm'], units)} past the grip end when the "
        f"clutch opens."
    )


def _stop(keys: Mapping[str, Any], scenario: Mapping[str, Any]) -> str:
    return (
        f"A nose past the nose limit ({keys['nose_limit']}); a card pulled while the feeder still "
        f"holds it; a stray or a double; a drive overload; errors beyond "
        f"{scenario['acceptance']['placement_tolerance']} that the band does not explain. Slow "
        f"down, adjust, and begin again one step lower."
    )


def _mm(value: float, units: System) -> str:
    return f"{length_number(value, units)} {display_unit('length', units).label}"
