"""Whether a log can be of the scenario's machine: wrong units, swapped columns."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from feedsim.errors import Fault, FeedsimError
from feedsim.logs.belt import logged_speed_mm_s
from feedsim.logs.lengths import refuse_inverted_eyes, refuse_wrong_scale
from feedsim.logs.log import Log, LoggedFeeder, Remark, Values
from feedsim.logs.stuck import refuse_stuck_encoder, without_stuck
from feedsim.logs.swapped import refuse_swapped_acts, refuse_swapped_clutch, refuse_swapped_eyes
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
        refuse_swapped_clutch(log, feeder, number)
        refuse_swapped_acts(log, machine, number)
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
