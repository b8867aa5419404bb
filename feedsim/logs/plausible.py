"""Whether a log can be of the scenario's machine: wrong units, swapped columns."""

from __future__ import annotations

import numpy as np

from feedsim.errors import Fault, FeedsimError
from feedsim.logs.belt import logged_speed_mm_s
from feedsim.logs.lengths import refuse_inverted_eyes, refuse_wrong_scale
from feedsim.logs.log import Log, LoggedFeeder, Values
from feedsim.logs.stuck import refuse_stuck_encoder, without_stuck
from feedsim.logs.swapped import refuse_swapped_acts, refuse_swapped_clutch, refuse_swapped_eyes
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


def plausible(log: Log, machine: Machine) -> Log:
    """Return the log without signals that are stuck, what is odd about it among its remarks.

    Parameters
    ----------
    machine : Machine
        What the scenario says; the log may well differ, but not in its units.

    Raises
    ------
    FeedsimError
        If a unit or a counter's scale must be wrong, an eye or a clutch inverted, an encoder stuck
        or two columns swapped; with the columns.
    """
    log = without_stuck(log)
    refuse_stuck_encoder(log)
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
        pitch = machine.feeders[number].inserts.length_mm + machine.feeders[number].inserts.gap_mm
        for feed in (feeder.command, feeder.actual):
            cycles = 0 if feeder.clutch is None else len(feeder.clutch.on_s)
            if feed is None or feed.quantity != "mm" or cycles < _LEAST_EDGES:
                continue
            travel = float(feed.value[-1] - feed.value[0]) / cycles
            ratio = travel / pitch if travel > 0.0 else 1.0
            _refuse(log, feed, ratio, hint="is the unit in its name right?")


def _refuse(log: Log, values: Values, ratio: float, *, hint: str) -> None:
    """Refuse what runs so many times as far as the scenario has it, from where it first moves."""
    if 1.0 / _FAR < ratio < _FAR:
        return
    near = min(_UNITS, key=lambda unit: abs(np.log(ratio / unit)))
    words = f"{ratio:.3g} times"
    if abs(np.log(ratio / near)) < np.log(_NEAR):
        words = _UNITS[near]
    moves = int(np.argmax(values.value != values.value[0]))
    message = f"runs {words} what the scenario has; {hint}"
    raise FeedsimError(Fault(_at(log, values, moves), message=message))


def _at(log: Log, values: Values, place: int) -> str:
    """Name a cell of a value."""
    return f"{log.file}, row {values.row[place]}, {values.column}"


def _refuse_swapped_motion(log: Log, feeder: LoggedFeeder) -> None:
    """Refuse an actual feed that is ahead of its command nearly throughout: no servo is."""
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
