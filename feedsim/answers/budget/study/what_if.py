"""What better parts would buy: each knob halved in turn, its spread and its limit speed."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from feedsim.answers.budget.study.run import steady
from feedsim.answers.limit.study.closed import (
    RefusedSpeeds,
    closed_form_of,
    complete_to,
    limits_of,
    lowest_together,
    refused_speeds,
)
from feedsim.errors import FeedsimError
from feedsim.measures import canonical
from feedsim.metrics.plain import AMONG, IF_ANY, LEFT_OUT
from feedsim.quantities import Kind
from feedsim.running.run import machine_of
from feedsim.scenario import Scenario, override, scenario_from_dict, scenario_to_dict
from feedsim.scenario.tree import path_of
from feedsim.settings.cells import FASTEST_MM_S
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.limits import TOGETHER, Closed, SpeedLimit
from feedsim.settings.sources import combined_sd, placement_sources

_HALVED: tuple[tuple[str, str, Kind], ...] = (
    ("controller.motion_cycle", "motion cycle", "time"),
    ("controller.scan", "scan", "time"),
    ("carrier_eye.response_jitter", "carrier eye jitter", "time"),
    ("carrier_eye.edge_sd", "carrier eye edge", "length"),
    ("carrier_eye.off_response", "carrier eye off-response", "time"),
    ("carrier_eye.filter_time", "carrier eye input filter", "time"),
    ("carrier_eye.missed", "carriers the eye misses", "share"),
    ("line.encoder.scale_error", "encoder scale error", "share"),
    ("carrier.pitch_sd", "carrier pitch spread", "length"),
    ("carrier.slip_sd", "carrier slip spread", "length"),
    ("eye.response_jitter", "insert eye jitter", "time"),
    ("eye.edge_sd", "insert eye edge", "length"),
    ("eye.off_response", "insert eye off-response", "time"),
    ("eye.filter_time", "insert eye input filter", "time"),
    ("eye.missed", "inserts the eye misses", "share"),
    ("insert.gap_sd", "insert gap spread", "length"),
    ("insert.slip_sd", "insert slip spread", "length"),
    ("insert.misfeed", "misfeeds", "share"),
    ("insert.double", "doubles", "share"),
    ("clutch.ramp_in", "ramp-in", "time"),
    ("clutch.ramp_out", "ramp-out", "time"),
    ("clutch.settle", "settling", "time"),
    ("servo.command_delay", "command delay", "time"),
)
_OF_FEEDER = frozenset({"eye", "insert", "clutch", "servo", "settings"})
_DIGITS = 4  # significant digits of a limit
_RAMPS = frozenset({"ramp_in", "ramp_out"})


@dataclass(frozen=True, slots=True)
class TurnedKnob:
    """One knob turned.

    ``key``: path of the key.
    ``knob``: its name in the words of the machine.
    ``before``, ``after``: its values, as one would write them.
    ``kind``: its quantity; None for words and plain numbers.
    ``feeder``: the feeder it belongs to; None if it is the line's.
    """

    key: str
    knob: str
    before: str
    after: str
    kind: Kind | None = field(metadata=LEFT_OUT)
    feeder: int | None = field(metadata=LEFT_OUT)

    @property
    def override(self) -> str:
        """As one would write it after ``--set``."""
        return f"{self.key}={self.after}"


@dataclass(frozen=True, slots=True)
class Binding:
    """Which mechanism of which feeder (its number and name) alone has the lowest limit."""

    number: int = field(metadata=LEFT_OUT)
    feeder: str
    mechanism: str


@dataclass(frozen=True, slots=True)
class ChangeEffect:
    """Effect of a change.

    ``change``: None: everything as it is.
    ``combined_sd_mm``: of each feeder by its name, at the speed asked for.
    ``limit_speed_mm_s``: highest speed in closed form, all feeders together; None where there is no
    limit.
    ``gain_mm_s``: gain in that over the line as it is; None where either has no limit.
    """

    change: TurnedKnob | None = field(metadata={**AMONG, **IF_ANY})
    combined_sd_mm: dict[str, float]
    limit_speed_mm_s: float | None
    gain_mm_s: float | None
    binding: Binding | None


@dataclass(frozen=True, slots=True)
class WhatIf:
    """The line as it is, and with each knob turned.

    ``line_speed_mm_s``: of the spreads.
    ``changes``: the largest gain in the limit first; among equals, the smallest spread.
    ``closed_form_refused``: of the line as it is, rising.
    ``complete_to_mm_s``: up to which speed the search for such stretches examined every jump near a
    refused speed; above, some may be missing. None: all the way.
    """

    line_speed_mm_s: float
    as_it_is: ChangeEffect
    changes: tuple[ChangeEffect, ...]
    closed_form_refused: tuple[RefusedSpeeds, ...]
    complete_to_mm_s: float | None


Limits = Sequence[SpeedLimit]
Run = Callable[[Sequence[tuple[Any, ...]]], Sequence[Closed]]


def changes_of(scenario: Scenario) -> list[TurnedKnob]:
    """Return every knob of a scenario that can be turned, the line's first.

    Values above 0 are halved. The encoder becomes twice as fine and the drive twice as strong, a
    scanned eye is latched, and the stage is corrected where it was not.
    """
    found = [*_line_changes(scenario)]
    for number in range(len(scenario.feeder)):
        found += _feeder_changes(scenario, number)
    return [change for change in found if _possible(scenario, change)]


def _line_changes(scenario: Scenario) -> Iterator[TurnedKnob]:
    for path, knob, kind in _HALVED:
        if path.partition(".")[0] not in _OF_FEEDER:
            yield from _halved(scenario, path, knob, kind, feeder=None)
    counts = scenario.line.encoder.counts_per_rev
    if scenario.run.master == "encoder":
        key = "line.encoder.counts_per_rev"
        yield TurnedKnob(key, "counts a turn", str(counts), str(2 * counts), None, None)
    capture = scenario.carrier_eye.capture
    if capture != "latched":
        yield TurnedKnob(
            "carrier_eye.capture", "carrier eye capture", capture, "latched", None, None
        )


def _feeder_changes(scenario: Scenario, number: int) -> Iterator[TurnedKnob]:
    feeder, top = scenario.feeder[number], f"feeder.{number}"
    for path, knob, usual in _HALVED:
        table, _, name = path.partition(".")
        if table in _OF_FEEDER:
            travel = name in _RAMPS and feeder.clutch.ramp == "travel"
            kind: Kind = "length" if travel else usual
            yield from _halved(scenario, f"{top}.{path}", knob, kind, feeder=number)
    strongest = feeder.servo.max_acceleration
    if not isinstance(strongest, str):
        yield TurnedKnob(
            f"{top}.servo.max_acceleration",
            "drive acceleration",
            canonical(strongest, "acceleration"),
            canonical(2.0 * strongest, "acceleration"),
            "acceleration",
            number,
        )
    if feeder.eye.capture != "latched":
        key = f"{top}.eye.capture"
        yield TurnedKnob(key, "insert eye capture", feeder.eye.capture, "latched", None, number)
    if not feeder.settings.stage_correction:
        key = f"{top}.settings.stage_correction"
        yield TurnedKnob(key, "stage correction", "false", "true", None, number)


def _halved(
    scenario: Scenario, path: str, knob: str, kind: Kind, *, feeder: int | None
) -> Iterator[TurnedKnob]:
    here: Any = scenario
    for part in path_of(path):
        here = here[part] if isinstance(part, int) else getattr(here, part)
    value = float(here)
    if value:
        before, after = canonical(value, kind), canonical(0.5 * value, kind)
        yield TurnedKnob(path, knob, before, after, kind, feeder)


def _possible(scenario: Scenario, change: TurnedKnob) -> bool:
    """Return whether a change makes a different, valid scenario."""
    try:
        return override(scenario, [change.override]) != scenario
    except FeedsimError:
        return False


def feeder_form(scenario: Mapping[str, Any], number: int, whole: bool) -> Closed:
    """Return the closed forms of one feeder, or its lowest limits only; runs in a worker."""
    line = scenario_from_dict(dict(scenario))
    if whole:
        return closed_form_of(line, number)
    return Closed(tuple(limits_of(line, number, lowest=True)), (), FASTEST_MM_S)


def what_if(scenario: Scenario, speed_mm_s: float, run: Run) -> WhatIf:
    """Turn each knob in turn, for spreads at a line speed.

    ``run`` makes calls of :func:`feeder_form` and returns their results in the same order.
    """
    changes: list[TurnedKnob | None] = [None, *changes_of(scenario)]
    changed = [override(scenario, [c.override] if c else []) for c in changes]
    feeders = range(len(scenario.feeder))
    # a knob of one feeder leaves the limits of the others as they are
    turns = [
        (place, number)
        for place, change in enumerate(changes)
        for number in feeders
        if change is None or change.feeder in (None, number)
    ]
    plain = [scenario_to_dict(one) for one in changed]
    wholes = [(plain[0], number, True) for number in feeders]  # first, since they take longest
    results = run([*wholes, *((plain[place], number, False) for place, number in turns)])
    forms = results[: len(wholes)]
    found = {turn: form.limits for turn, form in zip(turns, results[len(wholes) :], strict=True)}
    limits = [
        [found.get((place, number), found[0, number]) for number in feeders]
        for place in range(len(changes))
    ]
    before, each = lowest_together(limits[0]), zip(changes, changed, limits, strict=True)
    as_it_is, *turned = [_outcome(*one, speed_mm_s, before=before) for one in each]
    turned.sort(key=lambda one: _worth(one, as_it_is))
    return WhatIf(speed_mm_s, as_it_is, tuple(turned), refused_speeds(forms), complete_to(forms))


def _outcome(
    change: TurnedKnob | None,
    scenario: Scenario,
    limits: Sequence[Limits],
    speed_mm_s: float,
    *,
    before: float | None,
) -> ChangeEffect:
    machine = machine_of(steady(scenario, speed_mm_s))
    names = [feeder.name for feeder in scenario.feeder]
    sds = {
        name: combined_sd(placement_sources(FeederAtSpeed(machine, feeder)))
        for name, feeder in zip(names, machine.feeders, strict=True)
    }
    alone = [
        (limit.speed_mm_s, number, limit.mechanism)
        for number, row in enumerate(limits)
        for limit in row
        if limit.mechanism != TOGETHER and limit.speed_mm_s is not None
    ]
    binding = None
    if alone:
        _, number, mechanism = min(alone)
        binding = Binding(number, names[number], mechanism)
    limit = lowest_together(limits)
    gain = None if limit is None or before is None else limit - before
    return ChangeEffect(change, sds, limit, gain, binding)


def _worth(outcome: ChangeEffect, as_it_is: ChangeEffect) -> tuple[float, float]:
    """Return what to sort by: the limit, as far as it differs at all, then the spread."""
    limit, before = outcome.limit_speed_mm_s, as_it_is.limit_speed_mm_s or 1.0
    worth = float("inf") if limit is None else round(limit / before, _DIGITS)
    return -worth, sum(outcome.combined_sd_mm.values())
