"""Scenarios that are wrong, each with the keys it must name and a telling part of the message.

All but the literal ones are made from ``base.toml``, a correct file in which every key stands
once, by writing something else at one key or more. What is allowed at each key is written here
by hand, from the description of the file format, not asked of the code.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

BASE = Path(__file__).with_name("base.toml").read_text("utf-8")
FILE = "<file>"  # stands for the path of the file itself


@dataclass(frozen=True)
class Case:
    """A wrong file: its bytes, every key that must be named, and a part of what is said."""

    name: str
    content: bytes
    keys: tuple[str, ...]
    fragment: str


def changed(*changes: tuple[str, str | None], base: str = BASE) -> str:
    """Write other values at keys of the base; None takes the key out, a new key is added.

    A key is given as ``feeder.insert/gap``: table, slash, name (``/seed`` at the top).
    """
    lines = base.splitlines()
    for key, value in changes:
        table, name = key.split("/")
        heads = [at for at, line in enumerate(lines) if line.strip("[]") == table]
        start = heads[0] + 1 if table else 0
        ends = (at for at in range(start, len(lines)) if lines[at].startswith("["))
        end = next(ends, len(lines))
        kept = [line for line in lines[start:end] if line.partition(" =")[0] != name]
        added = [] if value is None else [f"{name} = {value}"]
        lines[start:end] = added + kept
    return "\n".join(lines) + "\n"


def line_of(part: str, content: str = BASE) -> str:
    """Name the line that follows the last place of this part, which begins with a line's end."""
    return f"line {content[: content.rindex(part) + 1].count(chr(10)) + 1}"


def path_of(key: str) -> str:
    """Turn ``feeder.insert/gap`` into ``feeder.0.insert.gap``."""
    return key.replace("/", ".").removeprefix(".").replace("feeder.", "feeder.0.", 1)


def added(name: str, more: str, keys: tuple[str, ...], fragment: str) -> Case:
    """Make a case of the base with something more at its end."""
    return Case(name, f"{BASE}\n{more}\n".encode(), keys, fragment)


FAULT = '[[fault]]\nat = "1 s"\nkind = "carrier_jam"\n'
ADJUST = '[[adjust]]\nat = "1 s"\n'
STOPPING = [
    added(
        "supervision misspelt",
        "[supervision]\nno_inserts = true",
        ("supervision.no_inserts",),
        '"no_insert"',
    ),
    added(
        "supervision as a word", '[supervision]\njam = "yes"', ("supervision.jam",), "true or false"
    ),
    added(
        "supervision under both names",
        "[guard]\njam = true\n[supervision]\njam = true",
        ("guard",),
        "is the old name of [supervision], which is there too; keep only [supervision]",
    ),
    added(
        "supervision of a bare number",
        "[supervision]\ninsert_eye_blocked = 200",
        ("supervision.insert_eye_blocked",),
        'write "200 mm"',
    ),
    added(
        "supervision of half a carrier",
        "[supervision]\nmisses_in_a_row = 0.5",
        ("supervision.misses_in_a_row",),
        "a whole number, 0 to 1000000",
    ),
    added(
        "an eye that is silent between any two carriers",
        '[supervision]\ncarrier_eye_silent = "100 mm"',
        ("supervision.carrier_eye_silent",),
        "(carrier.pitch), and as much more as carriers may be missing in a row",
    ),
    added(
        "an eye that is silent for a time",
        '[supervision]\ncarrier_eye_silent = "3 s"',
        ("supervision.carrier_eye_silent",),
        "a length",
    ),
    added(
        "an emergency stop that never slows down",
        '[supervision]\nemergency_deceleration = "0 m/s^2"',
        ("supervision.emergency_deceleration",),
        "an acceleration of more than 0",
    ),
    added(
        "an emergency stop as the others, misspelt",
        '[supervision]\nemergency_deceleration = "automatic"',
        ("supervision.emergency_deceleration",),
        "auto",
    ),
    added(
        "a supervision that never clears",
        '[supervision]\nclearing_time = "inf s"',
        ("supervision.clearing_time",),
        "the line never runs again after a stop",
    ),
    added(
        "clearing as nothing known",
        '[supervision]\nclearing_time = {mean = "60 s", distribution = "normal", cv = 1.0}',
        ("supervision.clearing_time.distribution", "supervision.clearing_time.cv"),
        '"fixed" or "exponential" or "lognormal"',
    ),
    added(
        "clearing without a mean",
        '[supervision]\nclearing_time = {distribution = "exponential"}',
        ("supervision.clearing_time.mean",),
        "a time",
    ),
    Case(
        "a search limit that every search comes to",
        (changed(("controller/search_limit", '"100 mm"')) + "\n[supervision]\n").encode(),
        ("controller.search_limit",),
        "every search would stop the line before the next insert comes",
    ),
    added(
        "a jam that stops nothing",
        '[supervision]\njam = false\n[limits.jam_probability]\ndouble = "1 %"',
        ("supervision.jam",),
        "a jam stops the line whatever [supervision] says",
    ),
    added(
        "a planned jam that stops nothing",
        f"[supervision]\njam = false\n{FAULT}",
        ("supervision.jam",),
        "a jam stops the line whatever [supervision] says",
    ),
    added(
        "more than certain",
        '[limits.jam_probability]\ndouble = "110 %"',
        ("limits.jam_probability.double",),
        "0 % to 100 %",
    ),
    added(
        "no such hazard",
        '[limits.jam_probability]\nnose_strikes = "1 %"',
        ("limits.jam_probability.nose_strikes",),
        '"nose_strike"',
    ),
    added(
        "one fault as a table",
        '[fault]\nat = "1 s"',
        ("fault", "fault.0.kind"),
        "in double brackets",
    ),
    added("a fault of no kind", '[[fault]]\nat = "1 s"', ("fault.0.kind",), '"carrier_jam"'),
    added(
        "a fault of an unknown kind",
        '[[fault]]\nat = "1 s"\nkind = "fire"',
        ("fault.0.kind",),
        '"emergency_stop"',
    ),
    added("a fault at no time", '[[fault]]\nkind = "no_insert"', ("fault.0",), 'needs "at"'),
    added("a fault at two times", f"{FAULT}carrier = 3", ("fault.0",), "give one of them"),
    added(
        "a fault at a feeder that is not there",
        f"{FAULT}feeder = 1",
        ("fault.0.feeder",),
        "an existing feeder, 0 to 0",
    ),
    added(
        "a dirty eye for ever",
        '[[fault]]\nat = "1 s"\nkind = "eye_dirty"',
        ("fault.0.duration",),
        "how long the eye sees nothing",
    ),
    added(
        "a jam with a duration",
        f'{FAULT}duration = "3 s"',
        ("fault.0.duration",),
        'kind = "eye_dirty" beside it',
    ),
    added("an adjustment of nothing", ADJUST, ("adjust.0.set",), "keys and their new values"),
    added(
        "an adjustment of what cannot change",
        f'{ADJUST}set = {{"carrier.pitch" = "300 mm"}}',
        ('adjust.0.set."carrier.pitch"',),
        "line.speed, or of feeder.0.settings one of",
    ),
    added(
        "an adjustment to auto",
        f'{ADJUST}set = {{"feeder.0.settings.engage_lead" = "auto"}}',
        ('adjust.0.set."feeder.0.settings.engage_lead"',),
        "a time",
    ),
    added(
        "an adjustment of a feeder that is not there",
        f'{ADJUST}set = {{"feeder.7.settings.speed_trim" = "1 %"}}',
        ('adjust.0.set."feeder.7.settings.speed_trim"',),
        "an existing feeder, 0 to 0",
    ),
    added(
        "an adjustment to rest",
        f'{ADJUST}set = {{"line.speed" = "0 m/min"}}',
        ('adjust.0.set."line.speed"',),
        "a speed of more than 0",
    ),
]


def one(key: str, value: str | None, fragment: str, *, label: str = "") -> Case:
    """Make a case of one wrong value at one key."""
    name = f"{path_of(key)} {label or ('left out' if value is None else value)}"
    return Case(name[:80], changed((key, value)).encode(), (path_of(key),), fragment)


def text(name: str, content: str | bytes, keys: tuple[str, ...], fragment: str) -> Case:
    """Make a case of a whole file."""
    return Case(name, content if isinstance(content, bytes) else content.encode(), keys, fragment)


# Key, kind, and values just beyond what is allowed; "" where there is no such bound.
_EYE = [
    ("response", "time", "-1 ms", "11 s"),
    ("response_jitter", "time", "-0.1 ms", "0.6 ms"),
    ("off_response", "time", "-1 ms", "11 s"),
    ("filter_time", "time", "-0.5 ms", "11 s"),
    ("edge_sd", "length", "-0.1 mm", "1 m"),
    ("missed", "share", "-1 %", "100.1 %"),
]
QUANTITIES = [
    ("line/speed", "speed", "0 m/min", "1001 m/s"),
    ("line/acceleration", "acceleration", "0 m/s^2", "2e9 mm/s^2"),
    ("line.encoder/wheel_circumference", "length", "0 mm", ""),
    ("line.encoder/scale_error", "share", "-20.1 %", "20.1 %"),
    ("line.encoder/home_time", "time", "-1 s", ""),
    ("carrier/length", "length", "0 mm", ""),
    ("carrier/pitch", "length", "0 mm", "2000 km"),
    ("carrier/pitch_sd", "length", "-1 mm", ""),
    ("carrier/min_gap", "length", "-1 mm", ""),
    ("carrier/missing", "share", "-1 %", "99.5 %"),
    ("carrier/slip", "length", "", "2000 km"),
    ("carrier/slip_sd", "length", "-1 mm", ""),
    *[(f"carrier_eye/{name}", *rest) for name, *rest in _EYE],
    ("controller/scan", "time", "-2 ms", "1.1 s"),
    ("controller/motion_cycle", "time", "-1 ms", "1 h"),
    ("controller/speed_filter", "time", "-1 ms", "2000000 s"),
    ("controller/search_limit", "length", "0 m", ""),
    ("feeder/eye_to_placement", "length", "0 mm", ""),
    ("feeder/insert_eye_to_placement", "length", "0 mm", ""),
    ("feeder/grip_end", "length", "0 mm", ""),
    ("feeder/nose_limit", "length", "0 mm", ""),
    ("feeder/jog_speed", "speed", "0 mm/s", ""),
    ("feeder.insert/length", "length", "0 mm", ""),
    ("feeder.insert/gap", "length", "-1 mm", ""),
    ("feeder.insert/gap_sd", "length", "-1 mm", ""),
    ("feeder.insert/min_gap", "length", "-1 mm", ""),
    ("feeder.insert/slip", "length", "", "2000 km"),
    ("feeder.insert/slip_sd", "length", "-1 mm", ""),
    ("feeder.insert/misfeed", "share", "-1 %", "101 %"),
    ("feeder.insert/double", "share", "-1 %", "101 %"),
    *[(f"feeder.eye/{name}", *rest) for name, *rest in _EYE],
    ("feeder.double_check/finds", "share", "-1 %", "101 %"),
    ("feeder.double_check/false_alarm", "share", "-1 %", "101 %"),
    ("feeder.clutch/ramp_in", "time", "-1 ms", ""),
    ("feeder.clutch/ramp_out", "time", "-1 ms", ""),
    ("feeder.clutch/settle", "time", "-1 ms", "11 day"),
    ("feeder.servo/loop_gain", "rate", "0 1/s", ""),
    ("feeder.servo/velocity_feedforward", "share", "-1 %", "101 %"),
    ("feeder.servo/max_acceleration", "acceleration", "0 m/s^2", ""),
    ("feeder.servo/command_delay", "time", "-1 ms", "11 s"),
    ("feeder.settings/target_offset", "length", "-1 mm", ""),
    ("feeder.settings/stage_position", "length", "0 mm", ""),
    ("feeder.settings/engage_distance", "length", "", "2000 km"),
    ("feeder.settings/engage_lead", "time", "-11 s", "11 s"),
    ("feeder.settings/disengage_distance", "length", "", "2000 km"),
    ("feeder.settings/disengage_lead", "time", "-11 s", "11 s"),
    ("feeder.settings/speed_trim", "share", "-51 %", "51 %"),
    ("feeder.settings.resolution/distance", "length", "-1 mm", ""),
    ("feeder.settings.resolution/lead", "time", "-1 ms", "1.1 s"),
    ("limits/speed_mismatch", "share", "-1 %", "101 %"),
    ("limits/overhang", "length", "-1 mm", ""),
    ("acceptance/placement_tolerance", "length", "0 mm", ""),
    ("acceptance/within_tolerance", "share", "-1 %", "101 %"),
    ("acceptance/missed", "share", "-1 %", "101 %"),
    ("acceptance/jam_risk", "share", "-1 %", "101 %"),
]
MAY_BE_INFINITE = {"feeder.servo/loop_gain", "feeder.servo/max_acceleration"}
MAY_BE_AUTO = {
    "feeder.servo/max_acceleration",
    "feeder.settings/engage_distance",
    "feeder.settings/engage_lead",
    "feeder.settings/disengage_distance",
    "feeder.settings/disengage_lead",
}
MAY_BE_COUNTS = {"feeder.settings/engage_distance", "feeder.settings/disengage_distance"}
UNIT = {
    "length": "mm",
    "time": "ms",
    "speed": "m/min",
    "acceleration": "m/s^2",
    "rate": "1/s",
    "share": "%",
}
_WRONG = {"length": "5 s", "time": "5 mm", "share": "5 mm"}  # for the others: a time
_ARTICLE = {"acceleration": "an acceleration"}


def _quantities() -> list[Case]:
    cases = []
    for key, kind, low, high in QUANTITIES:
        named, unit = _ARTICLE.get(kind, f"a {kind}"), UNIT[kind]
        wrong = _WRONG.get(kind, "5 s")
        in_quotes = f'{named} with its unit, in quotes; write "7 {unit}"'
        if key in MAY_BE_COUNTS:
            in_quotes = 'write "7 counts" if counts were meant (0.35 mm of belt), or "7 mm"'
        this_is = "this is a time" if wrong == "5 s" else "this is a length"
        cases += [
            one(key, "7", in_quotes),
            one(key, '"7"', f'{named} with its unit; write "7 {unit}"'),
            one(key, f'"{wrong}"', f"{named}, such as"),
            one(key, f'"{wrong}"', this_is, label="other kind"),
            one(key, '"5 blah"', 'the unit "blah" is not known here'),
            one(key, f'"nan {unit}"', "nan is no size"),
            one(key, "[1, 2]", "found a list of 2; needs"),
            one(key, "true", f"found true; needs {named}" if key not in MAY_BE_AUTO else named),
            one(key, '""', f"{named}, such as"),
        ]
        cases += [one(key, f'"{bad}"', f'found "{bad}"; needs') for bad in (low, high) if bad]
        if key not in MAY_BE_INFINITE:
            cases.append(one(key, f'"inf {unit}"', "infinite"))
    return cases


PLAIN = [
    ("/title", "5", "a text in quotes, 1 to 200 characters"),
    ("/title", '""', "a text in quotes, 1 to 200 characters"),
    ("/title", '"   "', "a text in quotes"),
    ("/title", '"two\\nlines"', "a text on one line"),
    ("/title", '"' + "x" * 201 + '"', "1 to 200 characters"),
    ("/seed", "-1", "a whole number, 0 to 9223372036854775807"),
    ("/seed", "9223372036854775808", "a whole number, 0 to 9223372036854775807"),
    ("/seed", "1.0", "found 1.0; needs a whole number"),
    ("/seed", '"1"', "a whole number, 0 to 9223372036854775807, without quotes"),
    ("/seed", "true", "found true; needs a whole number"),
    ("/seed", "0x" + "f" * 5000, "found a huge number"),
    ("/seed", "2020-01-01", "found 2020-01-01; needs a whole number"),
    ("run/carriers", "0", "a whole number, 1 to 100000000"),
    ("run/carriers", "100000001", "a whole number, 1 to 100000000"),
    ("run/carriers", "5e3", "a whole number, 1 to 100000000"),
    ("run/warm_up", "-1", "a whole number, 0 to 1000000"),
    ("run/warm_up", "1000001", "a whole number, 0 to 1000000"),
    ("run/master", '"encodr"', '"encoder" or "virtual"'),
    ("run/master", "1", '"encoder" or "virtual"'),
    ("run/start", '"Staged"', '"staged" or "empty"'),
    ("line.encoder/kind", '"resolver"', '"incremental" or "absolute"'),
    ("line.encoder/counts_per_rev", "0", "a whole number, 1 to"),
    ("line.encoder/counts_per_rev", "1000.5", "a whole number, 1 to"),
    ("carrier/arrival", '"handfed"', '"paced" or "random"'),
    ("carrier/arrival", '["paced"]', '"paced" or "random"'),
    ("carrier_eye/capture", '"latch"', '"latched" or "scanned" or "polled"'),
    ("carrier_eye/capture", '"poll"', '"latched" or "scanned" or "polled"'),
    ("carrier_eye/filter", '"3 ms"', 'the nearest in [carrier_eye] is "filter_time"'),
    ("carrier_eye/filter_time", "3", "a time"),
    ("controller/mark_memory", "0", "a whole number, 1 to"),
    ("controller/mark_memory", '"8"', "without quotes"),
    ("controller/late_mark", '"drop"', '"skip" or "engage"'),
    ("controller/not_ready", "false", '"skip" or "engage"'),
    ("feeder/name", '""', "a text in quotes, 1 to 100 characters"),
    ("feeder/name", '"' + "y" * 101 + '"', "1 to 100 characters"),
    ("feeder/name", '"\\u001b[31mred"', "without control characters"),
    ("feeder.eye/capture", '"scan"', '"latched" or "scanned" or "polled"'),
    ("feeder.double_check/action", '"warn"', 'needs "count"'),
    ("feeder.clutch/ramp", '"length"', '"time" or "travel"'),
    ("feeder.settings/speed_ratio", "0.09", "a number, 0.1 to 10"),
    ("feeder.settings/speed_ratio", "10.1", "a number, 0.1 to 10"),
    ("feeder.settings/speed_ratio", '"1.0"', "a number, 0.1 to 10, without quotes"),
    ("feeder.settings/speed_ratio", "nan", "found nan; needs a number"),
    ("feeder.settings/speed_ratio", "inf", "found inf; needs a number"),
    ("feeder.settings/speed_ratio", "true", "found true; needs a number"),
    ("feeder.settings/stage_correction", "1", "true or false"),
    ("feeder.settings.resolution/distance_counts", "0.5", "a whole number, 0 to 1000000"),
    ("feeder.settings.resolution/distance_counts", "-1", "a whole number, 0 to 1000000"),
    ("feeder.settings.resolution/ratio", "-1", "a whole number, 0 to 2147483647"),
    ("feeder.settings.resolution/ratio", "9", "0, or 10 or more"),
    ("feeder.settings/stage_correction", '"true"', "true or false, without quotes"),
    ("feeder.settings/engage_distance", '"Auto"', '"auto", or a length'),
    (
        "feeder.settings/engage_lead",
        "0",
        '"auto", or a time with its unit, in quotes; write "0 ms"',
    ),
    ("sweep/replications", "0", "a whole number, 1 to"),
    ("sweep/speeds", "[]", "a list of 1 to 1000 speeds"),
    ("sweep/speeds", '"60 m/min"', "a list of 1 to 1000 speeds"),
    ("line/profile", '"none"', "a list of points"),
    ("line/profile", '[["0 s", "60 m/min"]]', "none, or 2 to 10000 of them"),
    # how people write quantities
    ("carrier/length", '"85,6 mm"', 'write "85.6 mm"'),
    ("carrier/length", '"1.234.5 mm"', "a length, such as"),
    ("carrier/length", '"2e99999 mm"', "a length, such as"),
    ("carrier/length", '"1e400 mm"', "nothing beyond"),
    ("carrier/length", '"1e-7 mm"', "0 or at least 0.000001 mm"),
    ("carrier/length", '"mm 210"', "a length, such as"),
    ("carrier/length", '"210 kg"', 'the unit "kg" is not known here, use mm, cm, m, in or ft'),
    ("carrier/length", '"210 mm^2"', '"mm^2" is no unit of that'),
    ("carrier/length", '"210 mm^9**9**9"', "is no unit"),
    ("carrier/length", "\"__import__('os')\"", "a length, such as"),
    ("carrier/length", '"210 mm; import os"', "is no unit"),
    ("carrier/length", '"' + "9" * 200 + ' mm"', "far too long"),
    ("carrier/length", '"210\\u0000mm"', "without control characters"),
    ("feeder.servo/loop_gain", '"-inf 1/s"', "a rate of more than 0 1/s"),
    ("feeder.servo/loop_gain", '"inf"', 'a rate with its unit; write "inf 1/s"'),
    ("feeder.servo/loop_gain", '"20 rpm"', 'the unit "rpm" is not known here'),
    ("acceptance/missed", '"0.001 m/m"', '"m/m" is no unit of that'),
    # later
    ("carrier/record", '"pitches.csv"', 'needs arrival = "recorded" beside it'),
    ("carrier/record_speed", '"60 m/min"', 'needs arrival = "recorded" beside it'),
    ("carrier/after_record", '"end"', 'needs arrival = "recorded" beside it'),
    # what stops the line
    ("feeder.insert/magazine", "-1", "a whole number, 0 to 100000000"),
    ("feeder.insert/magazine", '"200"', "a whole number, 0 to 100000000, without quotes"),
    ("feeder.insert/refill_time", "30", 'write "30 ms"'),
    ("feeder.insert/magazine_warning", "10", "less than magazine, 0"),
    ("feeder.double_check/action", '"halt"', 'needs "count" or "stop"'),
    # unknown keys, with the nearest
    ("/tittle", '"x"', 'the nearest in the top of the file is "title"'),
    ("/speed", '"60 m/min"', 'there is no such key; "speed" belongs in [line]'),
    ("/lenght", '"60 mm"', 'the nearest is "length" in [carrier] or [feeder.insert]'),
    ("/feeders", "2", 'the nearest in the top of the file is "feeder"'),
    ("run/carrier", "5", 'the nearest in [run] is "carriers"'),
    ("run/warmup", "5", 'the nearest in [run] is "warm_up"'),
    ("line/velocity", '"60 m/min"', "there is no such key"),
    ("line/accel", '"1 m/s^2"', 'the nearest in [line] is "acceleration"'),
    ("line.encoder/counts", "5", 'the nearest in [line.encoder] is "counts_per_rev"'),
    ("carrier/lenght", '"5 mm"', 'the nearest in [carrier] is "length"'),
    ("carrier/gap_min", '"5 mm"', "there is no such key; the nearest"),
    ("carrier/PITCH", '"5 mm"', 'the nearest in [carrier] is "pitch"'),
    ("carrier_eye/responce", '"5 ms"', 'the nearest in [carrier_eye] is "response"'),
    ("controller/scan_time", '"5 ms"', 'the nearest in [controller] is "scan"'),
    ("feeder/gap", '"5 mm"', '"gap" belongs in [feeder.insert]'),
    ("feeder/eye_to_placment", '"5 mm"', 'the nearest in [[feeder]] is "eye_to_placement"'),
    ("feeder.insert/gap-sd", '"5 mm"', 'the nearest in [feeder.insert] is "gap_sd"'),
    ("feeder.eye/jitter", '"5 ms"', 'the nearest in [feeder.eye] is "response_jitter"'),
    ("feeder.double_check/find", '"5 %"', 'the nearest in [feeder.double_check] is "finds"'),
    ("feeder.clutch/rampin", '"5 ms"', 'the nearest in [feeder.clutch] is "ramp_in"'),
    ("feeder.servo/gain", '"5 1/s"', 'the nearest in [feeder.servo] is "loop_gain"'),
    ("feeder.settings/engage", '"auto"', 'the nearest in [feeder.settings] is "engage_lead"'),
    ("limits/mismatch", '"5 %"', 'the nearest in [limits] is "speed_mismatch"'),
    ("acceptance/tolerance", '"5 mm"', 'the nearest in [acceptance] is "placement_tolerance"'),
    ("acceptance/yield", '"99 %"', 'the nearest in [acceptance] is "within_tolerance"'),
    ("carrier/spacing", '"5 mm"', 'the nearest in [carrier] is "pitch"'),
    ("carrier/spacing_sd", '"5 mm"', 'the nearest in [carrier] is "pitch_sd"'),
    ("carrier/gap", '"5 mm"', 'in [carrier] is "pitch", from leading edge to leading edge'),
    ("feeder.insert/pitch", '"5 mm"', 'in [feeder.insert] is "gap", from tail to nose'),
    ("run/seed", "5", '"seed" belongs at the top of the file'),
    ("acceptance/missed", '"1/1000"', 'write "1 in 1000"'),
    ("acceptance/jam_risk", '"3 per million"', 'write "3 in 1,000,000"'),
    ("carrier/missing", '"1 in 0"', 'needs a share, such as "0.2 %"'),
    ("acceptance/placement_tolerance", '"±2 mm"', "write it without ±"),
    (
        "feeder.settings/engage_distance",
        '"8300 pulses"',
        'write "8300 counts" if counts were meant',
    ),
    ("carrier_eye/delay", '"5 ms"', 'the nearest in [carrier_eye] is "response"'),
    ("feeder.eye/delay", '"5 ms"', 'the nearest in [feeder.eye] is "response"'),
    ("feeder.servo/acceleration", '"5 m/s^2"', 'in [feeder.servo] is "max_acceleration"'),
    ("line.encoder/resolution", "5", 'the nearest in [line.encoder] is "counts_per_rev"'),
    (
        "feeder.servo/velocity_feedforward",
        "0.95",
        'write "95 %" if a fraction was meant, or "0.95 %"',
    ),
    ("carrier/missing", "0.01", 'write "1 %" if a fraction was meant, or "0.01 %"'),
    ("feeder.eye/response", "0.0005", 'write "0.5 ms" if seconds were meant, or "0.0005 ms"'),
    ("sweep/speed", "[]", 'the nearest in [sweep] is "speeds"'),
    ("run/qqqqqq", "5", "[run] has carriers, warm_up, master, start"),
    ('run/"odd key"', "5", "there is no such key"),
    # geometry, one key each
    ("feeder.settings/stage_position", '"0 mm"', "between the insert eye and the placement point"),
    ("feeder.settings/stage_position", '"-5 mm"', "between the insert eye and the placement"),
    ("feeder.settings/stage_position", '"120 mm"', "less than insert_eye_to_placement, 120 mm"),
    ("feeder.settings/stage_position", '"130 mm"', "more than 0 mm and less than"),
    ("carrier/pitch", '"209 mm"', "at least 210 mm (carrier.length and carrier.min_gap)"),
    ("carrier/length", '"261 mm"', None),
    ("carrier/min_gap", '"51 mm"', None),
    ("feeder.settings/target_offset", '"210 mm"', "less than carrier.length, 210 mm"),
    ("feeder.settings/target_offset", '"0.3 m"', "the insert would miss the carrier"),
    ("feeder.insert/min_gap", '"71 mm"', None),
    ("carrier_eye/response_jitter", '"0.51 ms"', "at most the response, 0.5 ms"),
    ("feeder.eye/response_jitter", '"0.51 ms"', "at most the response, 0.5 ms"),
    ("feeder/insert_eye_to_placement", '"215.6 mm"', "less than 215.6 mm"),
    ("feeder/insert_eye_to_placement", '"300 mm"', "push two at once"),
    ("feeder/insert_eye_to_placement", '"60 mm"', None),
]
# Where a geometry fault is told at another key than the one that was changed.
_TOLD_AT = {
    ("carrier/length", '"261 mm"'): ("carrier.pitch", "at least 261 mm"),
    ("carrier/min_gap", '"51 mm"'): ("carrier.pitch", "at least 261 mm"),
    ("feeder.insert/min_gap", '"71 mm"'): (
        "feeder.0.insert.gap",
        "at least insert.min_gap, 71 mm",
    ),
    ("feeder/insert_eye_to_placement", '"60 mm"'): (
        "feeder.0.settings.stage_position",
        "less than insert_eye_to_placement, 60 mm",
    ),
}


def _plain() -> list[Case]:
    cases = []
    for key, value, fragment in PLAIN:
        case = one(key, value, fragment or "")
        if fragment is None:
            told, words = _TOLD_AT[key, value]
            case = Case(case.name, case.content, (told,), words)
        cases.append(case)
    return cases


MISSING = [
    ("/title", "a text in quotes"),
    ("line/speed", 'a speed, such as "60 m/min"'),
    ("carrier/length", "a length"),
    ("carrier/pitch", "a length"),
    ("feeder/name", "a text in quotes"),
    ("feeder/eye_to_placement", "a length"),
    ("feeder/insert_eye_to_placement", "a length"),
    ("feeder.insert/length", "a length"),
    ("feeder.insert/gap", "a length"),
    ("feeder.settings/target_offset", "a length"),
    ("feeder.settings/stage_position", "a length"),
]


def _missing() -> list[Case]:
    return [one(key, None, f"found nothing; needs {allowed}") for key, allowed in MISSING]


def several(
    name: str, changes: dict[str, str | None], keys: tuple[str, ...], fragment: str
) -> Case:
    """Make a case of several changes; the keys are paths."""
    return Case(name, changed(*changes.items()).encode(), keys, fragment)


_FAST = '[["0 s", "0 m/min"], ["5 s", "60 m/min"]]'
SEVERAL = [
    several(
        "three faults at once",
        {"/seed": "-1", "carrier/pitch": "260", "feeder.insert/gpa": '"5 mm"'},
        ("seed", "carrier.pitch", "feeder.0.insert.gpa"),
        'write "260 mm"',
    ),
    several(
        "key faults and a geometry fault",
        {"line/speed": "60", "feeder.settings/stage_position": '"125 mm"'},
        ("line.speed", "feeder.0.settings.stage_position"),
        "insert_eye_to_placement, 120 mm",
    ),
    several(
        "no geometry fault of a faulty key",
        {"feeder.settings/stage_position": "125"},
        ("feeder.0.settings.stage_position",),
        'write "125 mm"',
    ),
    several(
        "no geometry fault against a faulty key",
        {"feeder/insert_eye_to_placement": "12", "feeder.settings/stage_position": '"60 mm"'},
        ("feeder.0.insert_eye_to_placement",),
        'write "12 mm"',
    ),
    several(
        "four geometry faults",
        {
            "carrier/pitch": '"200 mm"',
            "feeder.settings/target_offset": '"211 mm"',
            "feeder.insert/min_gap": '"80 mm"',
            "feeder.eye/response_jitter": '"1 ms"',
        },
        (
            "carrier.pitch",
            "feeder.0.settings.target_offset",
            "feeder.0.insert.gap",
            "feeder.0.eye.response_jitter",
        ),
        "carriers would overlap",
    ),
    several(
        "random arrivals without room",
        {"carrier/arrival": '"random"', "carrier/pitch": '"210 mm"'},
        ("carrier.pitch",),
        "more than 210 mm",
    ),
    several(
        "next insert past the eye",
        {"feeder.insert/length": '"30 mm"', "feeder.insert/gap": '"30 mm"'},
        ("feeder.0.settings.stage_position", "feeder.0.insert_eye_to_placement"),
        "the next insert would be past the insert eye before this one is staged",
    ),
    several(
        "insert short of the placement point",
        {
            "feeder.insert/length": '"40 mm"',
            "feeder.insert/gap": '"20 mm"',
            "feeder.settings/stage_position": '"59 mm"',
        },
        ("feeder.0.insert_eye_to_placement",),
        "less than 119 mm (stage_position, insert.length and insert.gap)",
    ),
    several(
        "ramps of time where travel is wanted",
        {"feeder.clutch/ramp": '"travel"'},
        ("feeder.0.clutch.ramp_in", "feeder.0.clutch.ramp_out"),
        'this is a time (clutch.ramp is "travel")',
    ),
    several(
        "a ramp of travel where time is wanted",
        {"feeder.clutch/ramp_in": '"20 mm"'},
        ("feeder.0.clutch.ramp_in",),
        'this is a length (clutch.ramp is "time")',
    ),
    several(
        "a ramp that is neither, under an unknown sort of ramp",
        {"feeder.clutch/ramp": '"way"', "feeder.clutch/ramp_in": '"20 %"'},
        ("feeder.0.clutch.ramp", "feeder.0.clutch.ramp_in"),
        'a time, such as "20 ms", or a length, such as "70 mm"',
    ),
    several(
        "a profile with four faults",
        {"line/profile": '[["0 s", "1 m/s"], ["0 s", "2"], ["3 mm", "1 m/s"], ["4 s", "0 m/s"]]'},
        ("line.profile.1.0", "line.profile.1.1", "line.profile.2.0", "line.profile.3.1"),
        "the carriers never arrive",
    ),
    several(
        "a profile of odd points",
        {"line/profile": '[["0 s"], "5 s", ["-1 s", "1 m/s"], ["4 s", "-1 m/s"]]'},
        ("line.profile.0", "line.profile.1", "line.profile.2.0", "line.profile.3.1"),
        'a time and a speed, such as ["5 s", "60 m/min"]',
    ),
    several(
        "a sweep over odd speeds",
        {"sweep/speeds": '["60 m/min", 60, "0 m/min", "5 s"]'},
        ("sweep.speeds.1", "sweep.speeds.2", "sweep.speeds.3"),
        "a speed of more than 0 m/min",
    ),
    several(
        "a range with a wrong name",
        {"sweep/speeds": '{from = "20 m/min", till = "90 m/min", step = "0 m/min"}'},
        ("sweep.speeds.to", "sweep.speeds.till", "sweep.speeds.step"),
        'only "from", "to" and "step"',
    ),
    several(
        "a range that goes down",
        {"sweep/speeds": '{from = "90 m/min", to = "20 m/min", step = "5 m/min"}'},
        ("sweep.speeds.to",),
        'at least the speed in "from"',
    ),
    several(
        "a range of too many speeds",
        {"sweep/speeds": '{from = "20 m/min", to = "120 m/min", step = "0.01 m/min"}'},
        ("sweep.speeds.step",),
        "a larger step: at most 1000 speeds, not 10001",
    ),
]

_PITCHES = '["260 mm", "265 mm", "255 mm"]'


def recorded(
    name: str, changes: dict[str, str | None], keys: tuple[str, ...], fragment: str
) -> Case:
    """Make a case of recorded carriers: three pitches, but for these changes."""
    right: dict[str, str | None] = {
        "carrier/arrival": '"recorded"',
        "carrier/record": _PITCHES,
        **dict.fromkeys(f"carrier/{key}" for key in ("pitch", "pitch_sd", "min_gap", "missing")),
    }
    return several(f"recorded: {name}", right | changes, keys, fragment)


_SAYS = "to be left out: the record says how far apart carriers come"
RECORDED = [
    recorded("no record", {"carrier/record": None}, ("carrier.record",), "the name of a file"),
    recorded("no such file", {"carrier/record": '"p.csv"'}, ("carrier.record",), "no such file"),
    recorded("a folder", {"carrier/record": '"."'}, ("carrier.record",), "not a record file"),
    recorded("a null", {"carrier/record": '"p\\u0000"'}, ("carrier.record",), "cannot be read"),
    recorded(
        "a long name",
        {"carrier/record": '"' + "p" * 5000 + '.csv"'},
        ("carrier.record",),
        'pppp.csv": cannot be read',
    ),
    recorded("a number", {"carrier/record": "260"}, ("carrier.record",), "found 260; needs the"),
    recorded("a table", {"carrier/record": "{}"}, ("carrier.record",), "found a table; needs the"),
    recorded("an empty list", {"carrier/record": "[]"}, ("carrier.record",), "1 to 100,000 of"),
    recorded(
        "odd pitches",
        {"carrier/record": '["260 mm", 260, "0 mm", "5 s", "250 mm", "inf mm"]'},
        tuple(f"carrier.record.{place}" for place in (1, 2, 3, 5)),
        'write "260 mm"',
    ),
    recorded(
        "carriers that overlap",
        {"carrier/record": '["210 mm", "209 mm", "8 in"]'},
        ("carrier.record.1", "carrier.record.2"),
        'found "209 mm"; needs at least 210 mm (carrier.length): carriers would overlap',
    ),
    recorded(
        "many that overlap",
        {"carrier/length": '"300 mm"', "carrier/record": "[" + '"260 mm",' * 9 + "]"},
        (*(f"carrier.record.{place}" for place in range(5)), "carrier.record"),
        "and 4 more such pitches",
    ),
    recorded("a pitch as well", {"carrier/pitch": '"260 mm"'}, ("carrier.pitch",), _SAYS),
    recorded(
        "all that a record says",
        {
            "carrier/pitch": "260",
            "carrier/pitch_sd": '"0 mm"',
            "carrier/min_gap": '"5 mm"',
            "carrier/missing": '"0 %"',
        },
        ("carrier.pitch", "carrier.pitch_sd", "carrier.min_gap", "carrier.missing"),
        f"found 260; needs {_SAYS}",
    ),
    recorded(
        "a speed beside pitches",
        {"carrier/record_speed": "60"},
        ("carrier.record_speed",),
        "to be left out: the record has pitches",
    ),
    recorded(
        "another end",
        {"carrier/after_record": '"stop"'},
        ("carrier.after_record",),
        '"repeat" or "end"',
    ),
    recorded(
        "nothing after the warm-up",
        {"carrier/after_record": '"end"', "run/warm_up": "3"},
        ("run.warm_up",),
        "found 3; needs less than 3: after 3 carriers the record ends",
    ),
    recorded(
        "with other faults",
        {"carrier/record": '"p.csv"', "carrier/pitch": '"260 mm"', "line/speed": "60"},
        ("carrier.record", "carrier.pitch", "line.speed"),
        'write "60 m/min"',
    ),
    several(
        "a pitch left out, and an arrival that is not known",
        {"carrier/arrival": '"taped"', "carrier/pitch": None},
        ("carrier.arrival", "carrier.pitch"),
        '"paced" or "random" or "recorded"',
    ),
    several(
        "a record instead, and an arrival that is not known",
        {"carrier/arrival": '"taped"', "carrier/pitch": None, "carrier/record": '"p.csv"'},
        ("carrier.arrival",),
        '"paced" or "random" or "recorded"',
    ),
    several(
        "a record without its arrival",
        {"carrier/pitch": None, "carrier/record": _PITCHES},
        ("carrier.record", "carrier.pitch"),
        'needs arrival = "recorded" beside it',
    ),
]

_HEAD = 'title = "x"\n'
_REST = "line.speed carrier.length carrier.pitch feeder"
_SECOND = BASE[BASE.index("[[feeder]]") : BASE.index("[limits]")]
_SECOND_AT = changed(  # further downstream, its insert clear of the first
    ("feeder/name", '"b"'), ("feeder/eye_to_placement", '"700 mm"'),
    ("feeder.settings/target_offset", '"110 mm"'),
    base=_SECOND,
)  # fmt: skip


def recipe(name: str, more: str, keys: tuple[str, ...], fragment: str) -> Case:
    """Make a case of two feeders with a recipe or a gate."""
    return text(name, f"{BASE}\n{_SECOND_AT}\n{more}\n", keys, fragment)


def pair(*lines: str) -> str:
    """Write a pair of the recipe."""
    return "\n".join(["[[product.pair]]", *lines])


_BELOW, _ABOVE = 'below = "first feeder"', 'above = "b"'
PRODUCT = [
    recipe("a recipe misspelt", "[product]\nneed = 1", ("product.need",), '"needs"'),
    recipe("a recipe of a word", '[product]\nneeds = "b"', ("product.needs",), '"all", or a list'),
    recipe("a recipe of nothing", "[product]\nneeds = []", ("product.needs",), '"all", or a list'),
    recipe(
        "a recipe of feeders that are not there",
        '[product]\nneeds = ["b", "c"]',
        ("product.needs.1",),
        'the name of a feeder: "first feeder", "b"',
    ),
    recipe(
        "a recipe with a feeder twice, and a number",
        '[product]\nneeds = ["b", "b", 1]',
        ("product.needs.1", "product.needs.2"),
        "each name once",
    ),
    recipe(
        "may overlap as a word",
        '[product]\nmay_overlap = "no"',
        ("product.may_overlap",),
        "true or false",
    ),
    recipe(
        "a pair alone",
        "[product.pair]\nbelow = 1",
        ("product.pair", "product.pair.0.above", "product.pair.0.below"),
        "[[product.pair]]",
    ),
    recipe("a pair of one", pair(_BELOW), ("product.pair.0.above",), "a text in quotes"),
    recipe(
        "a pair of a feeder that is not there",
        pair('below = "a"', _ABOVE),
        ("product.pair.0.below",),
        'the name of a feeder: "first feeder", "b"',
    ),
    recipe(
        "a feeder on itself",
        pair(_BELOW, 'above = "first feeder"'),
        ("product.pair.0.above",),
        "another feeder than below",
    ),
    recipe(
        "a pair twice",
        pair(_BELOW, _ABOVE) + "\n" + pair(_BELOW, _ABOVE),
        ("product.pair.1.above",),
        "product.pair.0 is of these two",
    ),
    recipe(
        "a pair upside down",
        pair('below = "b"', 'above = "first feeder"'),
        ("product.pair.0.above",),
        "further downstream than 700 mm (feeder.1.eye_to_placement; this one's is at 400 mm)",
    ),
    recipe(
        "a pair of limits that cross",
        pair(_BELOW, _ABOVE, 'min_overlap = "5 mm"', 'max_overlap = "-5 mm"'),
        ("product.pair.0.max_overlap",),
        "at least min_overlap, 5 mm",
    ),
    recipe(
        "an overlap longer than the inserts",
        pair(_BELOW, _ABOVE, 'min_overlap = "86 mm"'),
        ("product.pair.0.min_overlap",),
        "at most 85.6 mm",
    ),
    recipe("a gate nowhere", "[divert]\nlate = true", ("divert.at",), "found nothing"),
    recipe("a gate at a time", '[divert]\nat = "3 s"', ("divert.at",), "this is a time"),
    recipe("a gate misspelt", '[divert]\nat = "9 m"\ntime = "1 s"', ("divert.time",), "gate_time"),
    recipe(
        "a gate before the last insert is laid",  # 700 + 110 + 85.6 mm
        '[divert]\nat = "895 mm"',
        ("divert.at",),
        "at least 895.6 mm: only there is an insert of feeder.1 wholly on its carrier",
    ),
    recipe(
        "a gate decided before the carrier comes",
        '[divert]\nat = "900 mm"\ndecide_before = "900 mm"',
        ("divert.decide_before",),
        "less than divert.at, 900 mm",
    ),
    recipe(
        "a gate for nothing",
        '[divert]\nat = "900 mm"\nmissed = false\ndoubled = false',
        ("divert.missed",),
        "else nothing is ever diverted",
    ),
    recipe(
        "a gate's word for yes",
        '[divert]\nat = "900 mm"\nlate = "yes"',
        ("divert.late",),
        "true or false",
    ),
    recipe(
        "an overlap without its unit",
        pair(_BELOW, _ABOVE, "max_overlap = 5"),
        ("product.pair.0.max_overlap",),
        'write "5 mm"',
    ),
]
WHOLE = [
    text("empty file", "", ("title", *_REST.split()), "line.speed: found nothing"),
    text("only blanks", " \n\n\t\n", ("title", *_REST.split()), "feeder: found nothing"),
    text("only a title", _HEAD, tuple(_REST.split()), "carrier.pitch: found nothing"),
    text("no text", b"\x89PNG\r\n\x1a\n\x00\x00", (FILE,), "is not UTF-8 text (line 1)"),
    text("latin-1", _HEAD.encode() + "name = 'Gerät'".encode("latin-1"), (FILE,), "(line 2)"),
    text("utf-16", BASE.encode("utf-16"), (FILE,), "save it as UTF-8"),
    text("too large", b"#" * 1_000_001, (FILE,), "larger than 1 MB"),
    text("no value", _HEAD + "seed =\n", ("line 2",), "not TOML"),
    text(
        "unquoted quantity",
        changed(("line/speed", "60 m/min")),
        (line_of("\nspeed ="),),
        'a quantity stands in quotes: speed = "60 m/min"',
    ),
    text(
        "unquoted share",
        changed(("limits/speed_mismatch", "5 %")),
        (line_of("\nspeed_mismatch ="),),
        'a quantity stands in quotes: speed_mismatch = "5 %"',
    ),
    text("unclosed quote", _HEAD + 'name = "x\n', ("line 2",), "not TOML"),
    text("unclosed at the end", 'title = "x', ("end of the file",), "not TOML"),
    text("unclosed list", _HEAD + "a = [1, 2\n", ("end of the file",), "not TOML"),
    text("key twice", _HEAD + _HEAD, ("line 2",), "not TOML"),
    text(
        "table twice", BASE + "\n[run]\n", (line_of("\n[run]\n", BASE + "\n[run]\n"),), "not TOML"
    ),
    text("control character", _HEAD + "# \x07\n", ("line 2",), "not TOML"),
    text("a page of the web", "<!DOCTYPE html>\n<html></html>\n", ("line 1",), "not TOML"),
    text("json", '{"title": "x"}\n', ("line 1",), "not TOML"),
    text("deep list", "a = " + "[" * 20_000, ("",), "nested too deeply"),
    text("deep table", "a = " + "{a=" * 20_000, ("",), "nested too deeply"),
    text("deep but closed", f"{_HEAD}a = {'[' * 50}{']' * 50}", ("",), "nested too deeply"),
    text("long key", "a." * 20_000 + "b = 1", ("",), "nested too deeply"),
    text("long head", "[" + "a." * 20_000 + "b]", ("",), "nested too deeply"),
    text("long quoted key", "'a'." * 20_000 + "b = 1", ("",), "nested too deeply"),
    text(
        "endless number",
        'title = "t"\nseed = ' + "9" * 5000,
        ("line 2, seed",),
        "a whole number of 5000 digits",
    ),
    text("endless nameless number", "a = [\n" + "9" * 5000 + "]", ("line 2",), "5000 digits"),
    text(
        "one feeder in single brackets",
        BASE.replace("[[feeder]]", "[feeder]"),
        ("feeder",),
        "write [[feeder]], in double brackets",
    ),
    text(
        "a feeder in single brackets hides nothing",
        BASE.replace("[[feeder]]", "[feeder]").replace(
            "[feeder.insert]\n", "[feeder.insert]\ngap_ds = 1\n"
        ),
        ("feeder", "feeder.0.insert.gap_ds"),
        'the nearest in [feeder.insert] is "gap_sd"',
    ),
    text(
        "too many faults to tell",
        BASE + '\n[[fault]]\nkind = "carrier_jam"\n' * 150,
        (*(f"fault.{n}" for n in range(100)), ""),
        "and 50 more faults",
    ),
    text("no feeder", BASE[: BASE.index("[[feeder]]")], ("feeder",), "found nothing"),
    text(
        "empty list of feeders",
        "feeder = []\n" + BASE[: BASE.index("[[feeder]]")],
        ("feeder",),
        "found a list of 0; needs 1 to 64 of [[feeder]]",
    ),
    text(
        "a feeder that is a number",
        "feeder = [5]\n" + BASE[: BASE.index("[[feeder]]")],
        ("feeder.0",),
        "found 5; needs a table, [[feeder]]",
    ),
    text("too many feeders", BASE + "[[feeder]]\n" * 64, ("feeder",), "found a list of 65"),
    text("two feeders of one name", BASE + _SECOND, ("feeder.1.name",), "feeder.0 has this one"),
    text(
        "a fault in the second feeder",
        BASE + changed(("feeder/name", '"b"'), ("feeder.insert/gap", "7"), base=_SECOND),
        ("feeder.1.insert.gap",),
        'write "7 mm"',
    ),
    text(
        "a feeder without its tables",
        BASE + '[[feeder]]\nname = "b"\n',
        (
            "feeder.1.eye_to_placement",
            "feeder.1.insert_eye_to_placement",
            "feeder.1.insert.length",
            "feeder.1.insert.gap",
            "feeder.1.settings.target_offset",
            "feeder.1.settings.stage_position",
        ),
        "found nothing; needs a length",
    ),
    text(
        "a value for a table",
        "limits = 5\n" + BASE.replace("[limits]", "[other]"),
        ("limits", "other"),
        "found 5; needs a table, [limits]",
    ),
    text(
        "a list of tables for a table",
        BASE.replace("[run]", "[[run]]"),
        ("run",),
        "found a list of 1; needs a table, [run]",
    ),
    text(
        "a value for an inner table",
        changed(("feeder/servo", "true")).replace("[feeder.servo]", "[feeder.x]"),
        ("feeder.0.servo", "feeder.0.x"),
        "found true; needs a table, [feeder.servo]",
    ),
    *STOPPING,
    *PRODUCT,
    text(
        "a table that is not known",
        BASE + "\n[feeder.motor]\nx = 1\n",
        ("feeder.0.motor",),
        "there is no such key",
    ),
    text(
        "a table misspelt",
        BASE + "\n[acceptence]\nx = 1\n",
        ("acceptence",),
        'the nearest in the top of the file is "acceptance"',
    ),
    text(
        "two hundred unknown keys",
        "".join(f"k{at} = 1\n" for at in range(200)) + BASE,
        (*(f"k{at}" for at in range(100)), ""),
        "and 100 more faults",
    ),
]

CASES: list[Case] = [*_quantities(), *_plain(), *_missing(), *SEVERAL, *RECORDED, *WHOLE]
