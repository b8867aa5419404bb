"""The set-up sheet's tables, rules and steps in words; the text and the page are made of them."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

from feedsim.answers.limit.text import FIGURES, binding_words
from feedsim.answers.setup.study.results import FeederSheet, GoodFor, SetUp, SheetSetting, corrected
from feedsim.answers.tune.pointer import tune_words
from feedsim.metrics.percent import percent
from feedsim.quantities import Kind, System, display, display_unit
from feedsim.render.wording import acceleration, counted, length, length_number, speed, time
from feedsim.scenario import Scenario
from feedsim.scenario.feeder import Feeder as FeederKeys

_BAND = 3.0  # standard deviations within which a single insert is expected
_MM: dict[System, float] = {"metric": 1.0, "inch": 25.4}
_OFF_BY: dict[System, float] = {"metric": 1.0, "inch": 0.04 * 25.4}  # of the rules, mm
_NEAR = 0.02  # of it, which an example may be off whole steps
_FASTER: dict[System, float] = {"metric": 500.0, "inch": 508.0}  # 30 m/min, 100 ft/min, in mm/s
_DIFFERENCES_IN = (-0.08, -0.06, -0.04, -0.02, -0.01, 0.01, 0.02, 0.04, 0.06, 0.08)
_EXACT = 6  # digits of a lead to type in

Rows = list[tuple[str, ...]]


@dataclass(frozen=True, slots=True)
class Step:
    """A step of commissioning: what to do, what to expect, what to stop at."""

    do: str
    expect: str
    stop: str


@dataclass(frozen=True, slots=True)
class FeederWords:
    """What a sheet says of one feeder.

    ``settings``: name, length, counts, time or ratio of each; a note where it was typed in.
    ``only_here``: says that the settings are right at this speed only; else empty.
    ``derivations``: each setting's terms and their sum. ``rules``: at the machine, in order.
    ``reading_off``, ``corrections``: how to read corrections off two measured means, and a table of
    them with a head; empty where there are no two speeds to measure at. ``steps``: of
    commissioning, in order.
    """

    name: str
    settings: Rows
    only_here: str
    notes: Sequence[str]
    words: Sequence[str]
    derivations: list[tuple[str, Rows]]
    good_for: Rows
    limits: Rows
    binding: str
    rules: list[str]
    reading_off: str
    corrections: Rows
    steps: list[Step]


def feeders_in_words(sheet: SetUp, units: System) -> list[FeederWords]:
    """Return what the sheet says of each feeder."""
    return [_feeder(sheet, number, units) for number in range(len(sheet.feeders))]


def _feeder(sheet: SetUp, number: int, units: System) -> FeederWords:
    feeder, keys = sheet.feeders[number], sheet.scenario.feeder[number]
    corrected = keys.settings.stage_correction
    only = "right at this speed only: a ramp or the servo's lag is not over in time"
    how, corrections = _reading_off(feeder, units, count_mm=sheet.count_mm)
    return FeederWords(
        name=feeder.name,
        settings=_settings(feeder, units, corrected=corrected),
        only_here=only if feeder.right_at_line_speed_only else "",
        notes=feeder.notes,
        words=feeder.words,
        derivations=[(setting.name, _terms(setting, units)) for setting in feeder.each],
        good_for=_good_for(feeder.good_for, units),
        limits=[
            (
                speed(row.speed_mm_s, units) if row.speed_mm_s else "a crawl",
                row.mechanism,
                FIGURES[row.figure],
            )
            for row in feeder.limits
        ],
        binding=binding_words(feeder.limits, units=units),
        rules=_adjusting(feeder, keys, units, count_mm=sheet.count_mm),
        reading_off=how,
        corrections=corrections,
        steps=_steps(feeder, sheet.scenario, number, units),
    )


def _settings(feeder: FeederSheet, units: System, *, corrected: bool) -> Rows:
    s = feeder.settings
    return [
        ("Target offset", length(s.target_offset_mm, units), "", "", ""),
        ("Stage position", length(s.stage_position_mm, units), "", "", ""),
        *(_setting(one, units) for one in feeder.each),
        ("Speed ratio", "", "", f"{s.speed_ratio:.6g}", ""),
        ("Stage correction", "", "", "on" if corrected else "off", ""),
    ]


def _setting(one: SheetSetting, units: System) -> tuple[str, ...]:
    value = _value(one.value, one, units)
    shown = (value, "") if one.kind == "length" else ("", value)
    counts = "" if one.counts is None else counted(one.counts, "count")
    return (one.name, shown[0], counts, shown[1], _typed(one, units))


def _value(value: float, of: SheetSetting, units: System, *, sign: bool = False) -> str:
    if of.kind == "length":
        return length(value, units, sign=sign)
    return f"{'+' if sign and value > 0.0 else ''}{time(1e-3 * value, digits=_EXACT)}"


def _typed(one: SheetSetting, units: System) -> str:
    if not one.typed:
        return ""
    if abs(one.right - one.value) < 5e-4:
        return "as given"
    return f"as given; {_value(one.right, one, units)} would be right"


def _terms(setting: SheetSetting, units: System) -> Rows:
    rows = [(term.name, _value(term.value, setting, units, sign=True)) for term in setting.terms]
    return [*rows, ("sum", _value(setting.right, setting, units))]


def _good_for(points: Sequence[GoodFor], units: System) -> Rows:
    unit, mm = display_unit("length", units).label, partial(length_number, units=units)

    def with_sd(mean: float, sd: float) -> str:
        return f"{mm(mean)} (sd {mm(sd)})"

    rows: list[tuple[str, Callable[[GoodFor], str]]] = [
        ("", lambda p: speed(p.line_speed_mm_s, units)),
        (
            f"placement error, mean (sd), {unit}",
            lambda p: with_sd(p.placement_mean_mm, p.placement_sd_mm),
        ),
        (f"of which known, from counts and ticks, {unit}", lambda p: mm(p.known_terms_mm)),
        (f"of which the encoder's scale error, {unit}", lambda p: mm(p.scale_shift_mm)),
        (f"stage position, mean (sd), {unit}", lambda p: with_sd(p.stage_mean_mm, p.stage_sd_mm)),
        (f"staged nose short of its limit, {unit}", lambda p: mm(p.nose_margin_mm)),
        (
            f"tail past the grip end at opening (sd), {unit}",
            lambda p: with_sd(p.tail_margin_mm, p.tail_sd_mm),
        ),
        (
            "feed cycle, of the time between carriers",
            lambda p: f"{time(p.cycle_s)}, {percent(p.cycle_s / p.carrier_every_s)}",
        ),
        ("acceleration asked of the drive", lambda p: _acceleration(p, units)),
    ]
    if not any(p.scale_shift_mm for p in points):
        del rows[3]
    return [(name, *map(cell, points)) for name, cell in rows]


def _acceleration(point: GoodFor, units: System) -> str:
    asked, most = point.acceleration_mm_s2, point.max_acceleration_mm_s2
    said = "a step" if math.isinf(asked) else acceleration(asked, units)
    if math.isinf(most):
        return f"{said}, no limit given"
    return f"{said} of {acceleration(most, units)}"


def _adjusting(
    feeder: FeederSheet, keys: FeederKeys, units: System, *, count_mm: float | None
) -> list[str]:
    """Return the adjusting rules, in order, in whole counts or steps of the controller."""
    steps, by = keys.settings.resolution, _OFF_BY[units]
    step_mm = steps.distance_counts * (count_mm or 0.0) or steps.distance or count_mm or 0.0
    if step_mm and abs(step_mm * round(by / step_mm) - by) > _NEAR * by:
        by = step_mm * math.ceil(by / step_mm)
    g, lead_s = feeder.settings.speed_ratio, by / _FASTER[units]
    off, staged = (display(mm, "length", units=units, digits=3) for mm in (by, g * by))
    faster = {"metric": "0.5 m/s (30 m/min)", "inch": "100 ft/min"}[units]

    def much(mm: float) -> str:
        counts = f" ({counted(round(mm / count_mm), 'count')})" if count_mm else ""
        return f"{display(mm, 'length', units=units, digits=3)}{counts}"

    rules = [
        "Correct the stage first, then the placement. For each take two means, over twenty inserts "
        "or more: A at the slow speed, B at the fast speed. The error at standstill is A and B "
        "extrapolated to zero speed, not A itself; B - A is what grows with speed.",
        f"Stage past its position by {staged} at standstill: take {much(by)} off the "
        f"disengage distance. Short of it: add as much.",
        f"Stage further by {staged} for each {faster} more: add {time(lead_s, digits=3)} to "
        f"the disengage lead. Less far: take as much off.",
    ]
    if keys.settings.stage_correction:
        rules.append(
            "The controller corrects the engage point for where the insert was staged: the "
            "placement does not move with the stage."
        )
    else:
        rules.append(
            f"The placement moves with the stage: each {staged} that the stage comes back makes "
            f"inserts land {off} later. A stage that goes further with speed makes inserts land "
            f"earlier with speed, even with the right engage lead: measure the placement again "
            f"once the stage is right."
        )
    rules += [
        f"Inserts {off} late (too far back) at standstill: take {much(by)} off the engage "
        f"distance. Early: add as much.",
        f"Later by {off} for each {faster} more: add {time(lead_s, digits=3)} to the engage lead. "
        f"Earlier: take as much off.",
        "No setting cures a spread that is too wide: look at eyes, scan, motion cycle and slip "
        "(feedsim budget says which).",
    ]
    rows: tuple[tuple[str, float, Kind], ...] = (
        ("distances", step_mm if step_mm != count_mm else 0.0, "length"),
        ("leads", steps.lead, "time"),
    )
    coarse = [f"{what} in steps of {display(x, k, units=units)}" for what, x, k in rows if x]
    if coarse:
        rules.append(f"The controller takes {' and '.join(coarse)}: type in the nearest.")
    return rules


def _reading_off(feeder: FeederSheet, units: System, *, count_mm: float | None) -> tuple[str, Rows]:
    how = feeder.adjusting
    if how is None:
        return "", []
    slow, fast = (speed(end, units) for end in (how.slow_mm_s, how.fast_mm_s))
    unit = display_unit("length", units).label
    g = how.speed_ratio
    per_g = "" if g == 1.0 else f"; for the stage, divide both by {g:.6g}, the speed ratio"
    counts = f" (1 {unit} is {_MM[units] / count_mm:.4g} counts)" if count_mm else ""
    text = (
        f"A at {slow}: ________ {unit}.  B at {fast}: ________ {unit}.  At standstill: "
        f"A - {how.factor:.3g}·(B - A); take that off the distance{counts}, and add the lead that "
        f"the table has for B - A{per_g}. For the stage, correct the disengage distance and lead; "
        f"for the placement, the engage ones."
    )
    rows: Rows = [("B - A", "add to the lead", "take off the distance")]
    table = how.table
    if units == "inch":
        table = tuple(corrected(25.4 * b, how.slow_mm_s, how.fast_mm_s) for b in _DIFFERENCES_IN)
    for row in table:
        more = row.standstill_less_a_mm
        apart = display(row.b_less_a_mm, "length", units=units)
        rows.append(
            (
                apart if row.b_less_a_mm < 0.0 else f"+{apart}",
                f"{row.lead_ms:+.3f} ms",
                f"A {'+' if more >= 0.0 else '-'} {length(abs(more), units)}",
            )
        )
    return text, rows


def not_for_production(sheet: SetUp, units: System) -> str:
    """Say that the line speed is above the limit, if it is; else nothing."""
    if sheet.production:
        return ""
    limit, here = sheet.highest_speed_mm_s, sheet.line_speed_mm_s
    if not limit:
        return "NOT FOR PRODUCTION. These settings are accepted at no speed, in closed form."
    shown, at = speed(limit, units), speed(here, units)
    refused = any(
        row.from_mm_s <= here and (row.to_mm_s is None or here <= row.to_mm_s)
        for row in sheet.closed_form_refused
    )
    island = (
        ""
        if refused
        else f" {at} itself is accepted, but with refused speeds below it: not a speed to set."
    )
    return (
        f"NOT FOR PRODUCTION. {at} is above the limit: with these settings every speed is accepted "
        f"up to {shown} only, in closed form.{island} The steps below stay under it. "
        f"{tune_words(sheet.scenario, here, units=units)}"
    ).rstrip()


def _steps(feeder: FeederSheet, scenario: Scenario, number: int, units: System) -> list[Step]:
    """Return the order of commissioning, each step with what to expect and what to stop at."""
    keys = scenario.feeder[number]
    nose = display(keys.nose_limit, "length", units=units)
    tolerance = display(scenario.acceptance.placement_tolerance, "length", units=units)
    points = [point for point in feeder.good_for if point.to_run]
    named = {0: "slow", len(points) - 1: "the fastest speed"}
    stop = (
        f"A nose past the nose limit ({nose}); a card pulled while the feeder still holds it; a "
        f"stray or a double; a drive overload; errors beyond {tolerance} that the band does not "
        f"explain. Slow down, adjust, and begin again one step lower."
    )
    return [
        Step(
            "Bench: no carriers, the master virtual and slow, guards closed. Let the feeder engage "
            "and open a few times.",
            "The insert runs with the master, the clutch opens once for each engage, and the drive "
            "stays quiet.",
            "A feed that does not follow, a drive alarm, any noise that should not be there.",
        ),
        Step(
            f"Jog an insert in at {speed(keys.jog_speed, units)} and stage it. Measure its nose "
            f"from the insert eye, at rest and locked out.",
            f"Nose near {length(feeder.settings.stage_position_mm, units)} from the eye.",
            f"A nose past the nose limit at {nose}.",
        ),
        *(
            Step(
                f"Run {named.get(place, 'the chosen speed')}, "
                f"{speed(point.line_speed_mm_s, units)}, twenty carriers first, then a trial's "
                f"worth.",
                _expected(point, units),
                stop,
            )
            for place, point in enumerate(points)
        ),
    ]


def _expected(point: GoodFor, units: System) -> str:
    error, stage = _BAND * point.placement_sd_mm, _BAND * point.stage_sd_mm
    mean = length_number(point.placement_mean_mm, units, sign=True)
    return (
        f"Placement error {mean} ± {length(error, units)}; staged nose at "
        f"{length_number(point.stage_mean_mm, units)} ± {length(stage, units)} (nearly all "
        f"inserts); placed tail {length(point.tail_margin_mm, units)} past the grip end when the "
        f"clutch opens."
    )
