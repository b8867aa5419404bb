"""Whether a log can be of the scenario's machine: stuck signals, wrong units, swapped columns."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from feedsim.errors import Fault, FeedsimError
from feedsim.logs.belt import logged_speed_mm_s
from feedsim.logs.levels import stays_as_it_is
from feedsim.logs.log import Log, LoggedFeeder, OnOffSignal, Remark, SampledSignal
from feedsim.logs.swapped import (
    refuse_inverted_eyes,
    refuse_swapped_acts,
    refuse_swapped_clutch,
    refuse_swapped_eyes,
    refuse_wrong_scale,
)
from feedsim.machine import Machine

_FAR = 20.0
_UNITS = {
    1000.0: "a thousand times",
    0.001: "a thousandth of",
    60.0: "sixty times",
    1 / 60.0: "a sixtieth of",
    25.4: "25.4 times",
    1 / 25.4: "1/25.4 of",
}
_NEAR = 1.5
_NEARLY_ALL, _CHANGES = 0.9, 0.02
_LEAST_EDGES = 12
_AGES, _LONGEST = 10.0, 2.0
_CARRIERS = 5


def plausible(log: Log, machine: Machine) -> Log:
    """Return the log without stuck signals, and with remarks on what is odd.

    The log may differ from the scenario's machine, but not in its units. Raises FeedsimError, with
    the columns, if a unit or a counter's scale must be wrong, an eye or a clutch inverted, an
    encoder stuck or two columns swapped.
    """
    log = _without_stuck(log)
    _refuse_stuck_encoder(log)
    _refuse_wrong_units(log, machine)
    refuse_wrong_scale(log, machine)
    refuse_swapped_eyes(log, machine)
    for number, feeder in enumerate(log.feeders):
        refuse_swapped_clutch(log, feeder)
        refuse_swapped_acts(log, machine, number)
    refuse_inverted_eyes(log, machine)
    for feeder in log.feeders:
        _refuse_swapped_motion(log, feeder)
    return log


def _refuse_wrong_units(log: Log, machine: Machine) -> None:
    values = log.encoder
    line = machine.line
    fastest = max([line.speed_mm_s, *(v for _, v in line.profile)])
    if values is not None and fastest > 0.0:
        unit = machine.encoder.count_mm if values.quantity == "count" else 1.0
        speed = logged_speed_mm_s(values, unit)
        if unit == 0.0:
            message = (
                "counts, and the scenario's master is virtual: give [line.encoder] its "
                "counts_per_rev and wheel_circumference, or log encoder_mm"
            )
            raise FeedsimError(Fault(_at(log, values, 0), message=message))
        hint = "is the unit in the name of the time column right, and counts_per_rev?"
        _refuse(log, values, speed / fastest if speed else 1.0, hint=hint)
    for number, feeder in enumerate(log.feeders):
        pitch = machine.feeders[number].inserts.pitch_mm
        for feed in (feeder.command, feeder.actual):
            cycles = 0 if feeder.clutch is None else len(feeder.clutch.on_s)
            if feed is None or feed.quantity != "mm" or cycles < _LEAST_EDGES:
                continue
            travel = float(feed.value[-1] - feed.value[0]) / cycles
            ratio = travel / pitch if travel > 0.0 else 1.0
            _refuse(log, feed, ratio, hint="is the unit in its name right?")


def _refuse(log: Log, values: SampledSignal, ratio: float, *, hint: str) -> None:
    """Refuse a signal that runs many times as far as in the scenario."""
    if 1.0 / _FAR < ratio < _FAR:
        return
    near = min(_UNITS, key=lambda unit: abs(np.log(ratio / unit)))
    words = f"{ratio:.3g} times"
    if abs(np.log(ratio / near)) < np.log(_NEAR):
        words = _UNITS[near]
    moves = int(np.argmax(values.value != values.value[0]))
    message = f"runs {words} what the scenario has; {hint}"
    raise FeedsimError(Fault(_at(log, values, moves), message=message))


def _at(log: Log, values: SampledSignal, place: int) -> str:
    """Name a cell of a value."""
    return f"{log.file}, row {values.row[place]}, {values.column}"


def _refuse_swapped_motion(log: Log, feeder: LoggedFeeder) -> None:
    """Refuse an actual feed that is mostly ahead of its command: no servo does that."""
    command, actual = feeder.command, feeder.actual
    if command is None or actual is None or command.quantity != actual.quantity:
        return
    last = np.maximum(np.searchsorted(actual.time_s, command.time_s, side="right") - 1, 0)
    has, turns = actual.value[last], np.diff(command.value, prepend=np.nan)
    behind = command.value - command.value[0] - (has - has[0])
    if command.quantity == "mm_s":  # behind a speed that falls is above it
        behind = (command.value - has) * np.sign(turns)
        changes = np.abs(turns) > _CHANGES * float(np.abs(command.value).max())
    else:
        changes = turns > 0.0
    ahead = changes & (behind < -2.0 * command.step)
    if not changes.any() or ahead.sum() < _NEARLY_ALL * changes.sum():
        return
    message = (
        f"is ahead of {command.column} nearly throughout, as no servo is: are the two columns "
        "swapped?"
    )
    raise FeedsimError(Fault(_at(log, actual, int(last[np.argmax(ahead)])), message=message))


def _without_stuck(log: Log) -> Log:
    """Return the log without signals that never change, each with a remark.

    One that may be stuck from some row on gets a remark and stays.
    """
    told: list[Remark] = []
    line = ("carrier_eye", log.carrier_eye)
    told += _stops(log, *line)
    feeders = []
    for number, feeder in enumerate(log.feeders):
        names = [f"feeder.{number}.{part}" for part in ("eye", "clutch", "command", "actual")]
        told += [*_stops(log, names[0], feeder.eye), *_stops(log, names[1], feeder.clutch)]
        told += [*_stays(names[2], feeder.command), *_stays(names[3], feeder.actual)]
        feeders.append(
            LoggedFeeder(
                _with_edges(feeder.eye),
                _with_edges(feeder.clutch),
                _moving(feeder.command),
                _moving(feeder.actual),
            )
        )
    return replace(
        log,
        carrier_eye=_with_edges(log.carrier_eye),
        encoder=_moving(log.encoder),
        feeders=tuple(feeders),
        remarks=(*log.remarks, *told),
    )


def _refuse_stuck_encoder(log: Log) -> None:
    """Refuse an encoder that does not move while carriers pass their eye; say from which row on."""
    encoder, eye = log.encoder, log.carrier_eye
    if encoder is None or eye is None or len(eye.on_s) < _CARRIERS:
        return
    last = np.searchsorted(encoder.time_s, eye.on_s, side="right") - 1
    counts = encoder.value[np.maximum(last, 0)]
    stands = counts[_CARRIERS - 1 :] == counts[: 1 - _CARRIERS]
    if not stands.any():
        return
    i = int(np.flatnonzero(stands)[0])
    since = int(np.searchsorted(encoder.value, counts[i]))
    message = (
        f"stays at {counts[i]:,.10g} from here while {_CARRIERS} carriers pass "
        f"{eye.column}: it is stuck; give the parts in which it runs, each as its own log"
    )
    raise FeedsimError(Fault(_at(log, encoder, since), message=message))


def _with_edges(level: OnOffSignal | None) -> OnOffSignal | None:
    return None if level is None or len(level.on_s) + len(level.off_s) == 0 else level


def _moving(values: SampledSignal | None) -> SampledSignal | None:
    return None if values is None or not np.any(values.value != values.value[0]) else values


def _stays(name: str, values: SampledSignal | None) -> list[Remark]:
    """Say that a value never changes."""
    if values is None or _moving(values) is not None:
        return []
    return [stays_as_it_is(name, values)]


def _stops(log: Log, name: str, level: OnOffSignal | None) -> list[Remark]:
    """Say that a level stays as it is for much longer than ever before, to the end of the log."""
    if level is None or len(level.on_s) + len(level.off_s) < _LEAST_EDGES:
        return []
    times = np.concatenate([level.on_s, level.off_s])
    order = np.argsort(times, kind="stable")
    last = int(order[-1])
    is_on = last < len(level.on_s)
    row = int(np.concatenate([level.on_row, level.off_row])[last])
    apart = np.diff(times[order])
    rest = log.ends_s[-1] - float(times[last])
    if rest < max(_AGES * float(np.median(apart)), _LONGEST * float(apart.max())):
        return []
    state = "on" if is_on else "off"
    text = f"{name} is {state} from row {row} to the end, for {rest:.3g} s: is it stuck there?"
    return [Remark(text, row)]
