"""Whether a log can be of the scenario's machine: wrong units, swapped columns."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from feedsim.errors import Fault, FeedsimError
from feedsim.logs.belt import logged_speed_mm_s
from feedsim.logs.lengths import refuse_inverted_eyes, refuse_wrong_scale
from feedsim.logs.log import Level, Log, LoggedFeeder, Remark, Values
from feedsim.machine import Machine

__all__ = ["plausible"]

Floats = NDArray[np.float64]

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
_LEAST_EDGES = 12
_FEW, _MOST, _ROOM_MM, _WIDE_MM = 0.3, 0.9, 3.0, 10.0
_RARELY, _BEFORE_S = 0.1, 0.004


def plausible(log: Log, machine: Machine) -> Log:
    """Return the log with what is odd about it among its remarks.

    Parameters
    ----------
    machine : Machine
        What the scenario says; the log may well differ, but not in its units.

    Raises
    ------
    FeedsimError
        If a unit or a counter's scale must be wrong, an eye inverted or two columns swapped; with
        the columns.
    """
    _refuse_wrong_units(log, machine)
    refuse_wrong_scale(log, machine)
    _refuse_swapped_eyes(log, machine)
    for number, feeder in enumerate(log.feeders):
        _refuse_swapped_clutch(log, feeder, number)
        _refuse_swapped_acts(log, machine, number)
    refuse_inverted_eyes(log, machine)
    remarks = []
    for number, feeder in enumerate(log.feeders):
        remarks += _swapped_motion(feeder, number)
    return replace(log, remarks=(*log.remarks, *remarks))


def _refuse_wrong_units(log: Log, machine: Machine) -> None:
    values = log.encoder
    line = machine.line
    fastest = max([line.speed_mm_s, *(v for _, v in line.profile)])
    if values is not None and fastest > 0.0:
        unit = machine.encoder.count_mm if values.quantity == "count" else 1.0
        speed = logged_speed_mm_s(values, unit)
        if unit == 0.0:
            message = (
                "has encoder_count, and the scenario's master is virtual: give [line.encoder] its "
                "counts_per_rev and wheel_circumference, or log encoder_mm"
            )
            raise FeedsimError(Fault(log.file, message=message))
        _refuse(log, "the encoder", speed / fastest if speed else 1.0)
    for number, feeder in enumerate(log.feeders):
        pitch = machine.feeders[number].inserts.length_mm + machine.feeders[number].inserts.gap_mm
        for name, feed in (("command", feeder.command), ("actual", feeder.actual)):
            cycles = 0 if feeder.clutch is None else len(feeder.clutch.on_s)
            if feed is None or feed.quantity != "mm" or cycles < _LEAST_EDGES:
                continue
            travel = float(feed.value[-1] - feed.value[0]) / cycles
            _refuse(log, f"feeder.{number}.{name}", travel / pitch if travel > 0.0 else 1.0)


def _refuse(log: Log, what: str, ratio: float) -> None:
    if 1.0 / _FAR < ratio < _FAR:
        return
    near = min(_UNITS, key=lambda unit: abs(np.log(ratio / unit)))
    words, hint = f"{ratio:.3g} times", ""
    if abs(np.log(ratio / near)) < np.log(_NEAR):
        words = _UNITS[near]
    if what == "the encoder":
        hint = "; is the unit in the name of the time column right, and counts_per_rev?"
    else:
        hint = "; is the unit in its name right?"
    message = f"{what} runs {words} what the scenario has{hint}"
    raise FeedsimError(Fault(log.file, message=message))


def _refuse_swapped_eyes(log: Log, machine: Machine) -> None:
    """Refuse a log in which openings follow the carrier eye as they should the insert eye."""
    carrier, speed = log.carrier_eye, _speed_mm_s(log, machine)
    if carrier is None or speed <= 0.0:
        return
    for number, (feeder, set_so) in enumerate(zip(log.feeders, machine.feeders, strict=True)):
        eye, clutch = feeder.eye, feeder.clutch
        if eye is None or clutch is None or len(clutch.off_s) < _LEAST_EDGES:
            continue
        settings = set_so.settings
        wait = settings.disengage_distance_mm / speed - settings.disengage_lead_s
        room = _ROOM_MM / speed + machine.controller.scan_s + machine.controller.motion_cycle_s
        own = _share_after(eye, clutch.off_s - wait, room)
        other = _share_after(carrier, clutch.off_s - wait, room)
        if own < _FEW and other > _MOST:
            found = f"{other:.0%} of openings, {own:.0%} after its own"
            message = (
                "the clutch opens so long after carrier_eye as it should after "
                f"feeder.{number}.eye ({found}): are the two columns swapped?"
            )
            raise FeedsimError(Fault(f"{log.file}, row {eye.on_row[0]}", message=message))


def _speed_mm_s(log: Log, machine: Machine) -> float:
    """Return the speed of the belt, the scenario's where no encoder is logged."""
    values = log.encoder
    if values is None:
        return machine.line.speed_mm_s
    return logged_speed_mm_s(
        values, machine.encoder.count_mm if values.quantity == "count" else 1.0
    )


def _refuse_swapped_acts(log: Log, machine: Machine, number: int) -> None:
    """Refuse a log in which the insert eye acts as the settings have the clutch act.

    What comes on a set travel after the carrier eye is the clutch, and it goes off a set travel
    after the insert eye comes on.
    """
    carrier, feeder, speed = log.carrier_eye, log.feeders[number], _speed_mm_s(log, machine)
    eye, clutch = feeder.eye, feeder.clutch
    if carrier is None or eye is None or clutch is None or speed <= 0.0:
        return
    if min(len(eye.on_s), len(eye.off_s), len(clutch.on_s)) < _LEAST_EDGES:
        return
    settings = machine.feeders[number].settings
    closes = settings.engage_distance_mm / speed - settings.engage_lead_s
    opens = settings.disengage_distance_mm / speed - settings.disengage_lead_s
    room = _WIDE_MM / speed + machine.controller.scan_s + machine.controller.motion_cycle_s
    own = _share_after(carrier, clutch.on_s - closes, room)
    other = _share_after(carrier, eye.on_s - closes, room)
    if own < _FEW and other > _MOST and _share_after(clutch, eye.off_s - opens, room) > _MOST:
        message = (
            f"feeder.{number}.eye comes on where these settings close the clutch ({other:.0%} of "
            f"cases; feeder.{number}.clutch {own:.0%}), and goes off where they open it: are the "
            "two columns swapped?"
        )
        raise FeedsimError(Fault(f"{log.file}, row {eye.on_row[0]}", message=message))


def _refuse_swapped_clutch(log: Log, feeder: LoggedFeeder, number: int) -> None:
    """Refuse a clutch that closes as the feed runs, with an eye that inserts reach as it stands.

    An insert reaches its eye only as the feed moves it; a clutch that is told to close finds the
    feed at rest, but where it follows the cycle before at once.
    """
    eye, clutch, feed = feeder.eye, feeder.clutch, feeder.command or feeder.actual
    if eye is None or clutch is None or feed is None or feed.quantity != "mm":
        return
    if min(len(eye.on_s), len(clutch.on_s)) < _LEAST_EDGES:
        return
    eye_moves, clutch_moves = _share_moving(eye, feed), _share_moving(clutch, feed)
    if eye_moves < _RARELY and clutch_moves > _MOST:
        message = (
            f"feeder.{number}.clutch comes on while the feed runs (in {clutch_moves:.0%} of cases) "
            f"and feeder.{number}.eye while it stands ({1.0 - eye_moves:.0%}), as the other of the "
            "two would: are the two columns swapped?"
        )
        raise FeedsimError(Fault(f"{log.file}, row {clutch.on_row[0]}", message=message))


def _share_moving(level: Level, feed: Values) -> float:
    """Return at what share of the times a level comes on the feed runs just before."""
    until = level.on_s - level.on_within_s
    travel = [np.interp(t, feed.time_s, feed.value) for t in (until - _BEFORE_S, until)]
    return float(np.mean(travel[1] - travel[0] > 2.0 * feed.step))


def _share_after(eye: Level, times: Floats, room_s: float) -> float:
    """Return at what share of times an eye came on within a room."""
    found = np.searchsorted(eye.on_s, times + room_s) - np.searchsorted(eye.on_s, times - room_s)
    return float(np.mean(found > 0))


def _swapped_motion(feeder: LoggedFeeder, number: int) -> list[Remark]:
    """Say where the actual feed leads its command."""
    command, actual = feeder.command, feeder.actual
    if command is None or actual is None or len(command.value) != len(actual.value):
        return []
    if command.quantity != actual.quantity or command.quantity != "mm":
        return []
    lag = _relative(command) - _relative(actual)
    moving = np.concatenate(([False], np.diff(command.value) > 0.0))
    if not moving.any() or float(np.mean(lag[moving] < -2.0 * command.step)) < 0.9:
        return []
    text = (
        f"feeder.{number}.actual is ahead of feeder.{number}.command nearly throughout: the two "
        "columns may be swapped."
    )
    return [Remark(text)]


def _relative(values: Values) -> Floats:
    relative: Floats = values.value - values.value[0]
    return relative
