"""A knob for every key of a scenario: its value, its allowed values, its fault."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

from feedsim.answers.line import toml_value
from feedsim.desk.autos import Autos, autos_of
from feedsim.desk.knob import DeskKnob, nothing_of, typed
from feedsim.desk.lines import Opened, faults_plain, file_of, plain_words, read
from feedsim.desk.questions import LineText
from feedsim.errors import Fault, FeedsimError
from feedsim.quantities import hints_in
from feedsim.scenario.keys import Section
from feedsim.scenario.model import MOST_FEEDERS, Scenario
from feedsim.scenario.old_names import with_current_names
from feedsim.scenario.overrides import collect_overrides
from feedsim.scenario.reading import parse_toml
from feedsim.scenario.tree import Node, node, nodes, value_at
from feedsim.scenario.units import units_of
from feedsim.scenario.wording import dotted

FIRST = (
    "line.speed",
    "controller.scan",
    "controller.motion_cycle",
    "carrier.pitch",
    "carrier.pitch_sd",
    "carrier_eye.response_jitter",
    "feeder.0.insert.gap",
    "feeder.0.eye.response_jitter",
    "feeder.0.clutch.ramp_in",
    "feeder.0.settings.stage_position",
    "feeder.0.settings.target_offset",
    "acceptance.placement_tolerance",
)
"""The dozen keys that matter most, in the order of the machine."""
_GROUPS = {
    "line": "Line",
    "line.encoder": "Encoder",
    "carrier": "Carriers",
    "carrier_eye": "Carrier eye",
    "controller": "Controller",
    "feeder": "",
    "feeder.insert": "inserts",
    "feeder.eye": "insert eye",
    "feeder.double_check": "double check",
    "feeder.clutch": "clutch",
    "feeder.servo": "servo",
    "feeder.settings": "settings",
    "feeder.settings.resolution": "steps of settings",
    "feeder.drive": "drive",
    "acceptance": "Acceptance",
    "limits": "Limits",
    "limits.jam_probability": "Jams",
    "product": "Product",
    "divert": "Divert gate",
    "supervision": "Supervision",
    "fault": "Planned faults",
    "adjust": "Adjustments",
    "run": "Run",
    "": "Run",
    "sweep": "Sweep",
    "tune": "Search for a setup",
}
"""The parts of the machine, in the order shown."""
_LONGEST_VALUE = 2000
_MOST_TABLES = MOST_FEEDERS  # of any kind: nobody turns more knobs one by one


def knobs_answer(
    setup: LineText, files: Sequence[Opened], look: Callable[[], None]
) -> dict[str, object]:
    """Return all knobs of a question's line, with their faults, even if it is not valid.

    `look` is called at each knob; its exceptions end the answer. Raises FeedsimError if its text is
    not TOML.
    """
    faults: Sequence[Fault] = ()
    autos: Autos = {}
    try:
        autos = autos_of(read(setup, files).scenario)
    except FeedsimError as error:
        file_of(setup, files)
        faults = error.faults
    data = parse_toml(setup.text)
    with hints_in(units_of(data)):
        found = knobs_of(data, setup.changes, autos=autos, look=look)
    groups = list(dict.fromkeys(knob.group for knob in found))
    told = [replace(knob, fault=_fault_of(knob, faults)) for knob in found]
    return {"knobs": told, "groups": groups, "faults": faults_plain(faults)}


def knobs_of(
    data: dict[str, Any],
    changes: Sequence[str],
    *,
    autos: Autos,
    look: Callable[[], None],
) -> list[DeskKnob]:
    """Return the knobs of a scenario, grouped by part of the machine.

    ``data``: as a TOML reader gives it. ``changes``: as ``--set`` has them; invalid ones are
    skipped. ``autos``: what each ``"auto"`` stands for, by path.
    """
    file = _current(data)
    now = _current(collect_overrides(data, changes)[0])
    found = []
    for knob in _knobs(Scenario, (), now=now, file=file, autos=autos):
        look()
        found.append(knob)
    order = list(_GROUPS)
    places = {knob.path: order.index(_table(knob.path)) for knob in found}
    feeder = order.index("feeder"), order.index("feeder.drive")

    def rank(knob: DeskKnob) -> tuple[int, int, int]:
        place = places[knob.path]
        if feeder[0] <= place <= feeder[1]:  # feeder by feeder
            number = knob.path.split(".")[1:2]
            return feeder[0], int(number[0]) if number else 0, place
        return place, 0, 0

    return sorted(found, key=rank)


def _knobs(
    section: type[Section],
    path: tuple[str | int, ...],
    *,
    now: Mapping[str, Any],
    file: Mapping[str, Any],
    autos: Autos,
    off: bool = False,
) -> Iterator[DeskKnob]:
    for name, inner in nodes(section).items():
        at = (*path, name)
        here = value_at(now, at)
        if inner.many and isinstance(here, (list, tuple)) and 0 < len(here) <= _MOST_TABLES:
            for number in range(len(here)):
                yield from _knobs(
                    _section(inner), (*at, number), now=now, file=file, autos=autos, off=off
                )
        elif inner.section and not inner.many:
            absent = off or (not inner.required and inner.default is None and here is None)
            yield from _knobs(inner.section, at, now=now, file=file, autos=autos, off=absent)
        else:
            about = section.model_fields[name].description or ""
            knob = _knob(inner, at, now=now, file=file, autos=autos)
            yield replace(knob, about=about, off=off)


def _knob(
    key: Node,
    path: tuple[str | int, ...],
    *,
    now: Mapping[str, Any],
    file: Mapping[str, Any],
    autos: Autos,
) -> DeskKnob:
    default = None
    if not key.required and key.default is not None:
        default = nothing_of(_shown(_plain_default(key)), key.leaf)
    raw, before = value_at(now, path), value_at(file, path)
    value = (default or "") if raw is None else _shown(raw)
    dots = dotted(path)
    knob = DeskKnob(
        path=dots,
        group=_group(path, now),
        name=str(path[-1]),
        about="",
        kind="toml",
        value=value,
        file_value=(default or "") if before is None else _shown(before),
        default=default,
        given=before is not None,
        changed=raw != before,
        rank=FIRST.index(dots) + 1 if dots in FIRST else None,
    )
    leaf = key.leaf
    if leaf is None:
        return knob
    travel = value_at(now, (*path[:-1], "ramp")) == "travel"
    return typed(knob, leaf, auto=autos.get(dots), travel=travel)


def _shown(raw: object) -> str:
    """Write a value as typed after ``--set KEY=``; a long text is cut."""
    try:
        text = raw if isinstance(raw, str) else toml_value("", raw)
    except FeedsimError:  # a date, which no key takes
        text = str(raw)
    return text if len(text) <= _LONGEST_VALUE else f"{text[:_LONGEST_VALUE]}…"


def _plain_default(key: Node) -> object:
    default = key.default
    return list(default) if isinstance(default, tuple) else default


def _current(data: dict[str, Any]) -> dict[str, Any]:
    """Replace old names by new ones, and a single table by a list of one."""
    data = dict(with_current_names(data)[0])
    for name in ("feeder", "fault", "adjust"):
        if isinstance(data.get(name), dict):
            data[name] = [data[name]]
    return data


def _section(inner: Node) -> type[Section]:
    assert inner.section is not None  # noqa: S101 - a list holds tables
    return inner.section


def _table(path: str) -> str:
    """Return the group of ``_GROUPS`` that shows a key."""
    names = [part for part in path.split(".")[:-1] if not part.isdecimal()]
    while names and ".".join(names) not in _GROUPS:
        names.pop()
    if not names and node([path]) is not None and path in _GROUPS:
        return path
    return ".".join(names)


def _group(path: tuple[str | int, ...], now: Mapping[str, Any]) -> str:
    head = _GROUPS[_table(".".join(map(str, path)))]
    if path[0] != "feeder" or len(path) < 2:
        return head or "Feeders"
    name = value_at(now, ("feeder", path[1], "name"))
    feeder = name if isinstance(name, str) and name else f"feeder {path[1]}"
    return f"{feeder}: {head}" if head else feeder


def _fault_of(knob: DeskKnob, faults: Sequence[Fault]) -> str | None:
    found = [
        plain_words(fault.message)
        for fault in faults
        if f"{plain_words(fault.key)}.".startswith(f"{knob.path}.")
    ]
    return "; ".join(found) or None
