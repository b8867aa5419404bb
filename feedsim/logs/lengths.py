"""Logs in which what passes an eye cannot have its length: scaled counters, inverted eyes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from feedsim.arrays import Floats
from feedsim.errors import Fault, FeedsimError
from feedsim.logs.log import Level, Log, Values
from feedsim.machine import Machine

_LEAST = 10
_SCALED, _ALIKE, _WHOLE = 1.5, 1.3, 0.05
_NARROW = 0.1
_IS, _IS_NOT = 0.05, 0.12


@dataclass(frozen=True, slots=True)
class _Passed:
    """Travel (mm) for which an eye was covered, and clear, each within one stretch of the log.

    ``row``: in which the first cover is over.
    """

    covered_mm: Floats
    clear_mm: Floats
    row: int


def refuse_wrong_scale(log: Log, machine: Machine) -> None:
    """Refuse an encoder by which length and pitch of carriers are wrong by the same whole factor.

    Another carrier may be that much longer too, so the message names both.

    Raises
    ------
    FeedsimError
        With the column, both readings, and the factor that would fit.
    """
    carriers = machine.carriers
    passed = _carriers(log, machine)
    if passed is None or log.encoder is None or not _narrow(passed.covered_mm):
        return
    covered = float(np.median(passed.covered_mm))
    apart = float(passed.covered_mm.mean() + passed.clear_mm.mean()) * (1.0 - carriers.missing)
    ratio, of_pitch = covered / carriers.length_mm, apart / carriers.pitch_mm
    factor = max(ratio, 1.0 / ratio)
    whole = factor > _SCALED and abs(factor / round(factor) - 1.0) < _WHOLE
    if not whole or abs(np.log(ratio / of_pitch)) > np.log(_ALIKE):
        return
    column = log.encoder.column
    mend = f"divided by {ratio:.3g} it would fit (is it in mm?)"
    if log.encoder.quantity == "count":
        mend = (
            f"with counts_per_rev {ratio:.3g} times as high both would fit (are all edges of both "
            "channels counted, or one?)"
        )
    assert log.carrier_eye is not None  # noqa: S101 - carriers have passed it
    message = (
        f"by it a carrier covers {log.carrier_eye.column} for {covered:,.1f} mm and carriers come "
        f"{apart:,.1f} mm apart; the scenario has {carriers.length_mm:,.1f} and "
        f"{carriers.pitch_mm:,.1f} mm: {mend}; or else carrier.length and carrier.pitch are of "
        "another carrier"
    )
    raise FeedsimError(Fault(f"{log.file}, row {passed.row}, {column}", message=message))


def refuse_inverted_eyes(log: Log, machine: Machine) -> None:
    """Refuse eyes that are clear for the length of what passes, and covered for its gap.

    Raises
    ------
    FeedsimError
        With the column, and both readings.
    """
    if (passed := _carriers(log, machine)) and log.carrier_eye is not None:
        length = machine.carriers.length_mm
        gap = machine.carriers.pitch_mm - length
        _refuse_inverted(log, passed, log.carrier_eye.column, length=length, gap=gap)
    for number, feeder in enumerate(log.feeders):
        feed, inserts = feeder.actual or feeder.command, machine.feeders[number].inserts
        if feeder.eye is None or feed is None or feed.quantity != "mm":
            continue
        if passed := _passed(log, feeder.eye, feed, 1.0):
            column, length = feeder.eye.column, inserts.length_mm
            _refuse_inverted(log, passed, column, length=length, gap=inserts.gap_mm)


def _carriers(log: Log, machine: Machine) -> _Passed | None:
    if log.carrier_eye is None or log.encoder is None:
        return None
    unit = machine.encoder.count_mm if log.encoder.quantity == "count" else 1.0
    return _passed(log, log.carrier_eye, log.encoder, unit)


def _passed(log: Log, eye: Level, values: Values, unit: float) -> _Passed | None:
    """Return the travels, None where they are few."""
    times = np.concatenate((eye.on_s, eye.off_s))
    comes_on = np.arange(len(times)) < len(eye.on_s)
    order = np.argsort(times, kind="stable")
    times, comes_on = times[order], comes_on[order]
    stretch = np.searchsorted(log.begins_s, times, side="right")
    whole = (stretch[1:] == stretch[:-1]) & (comes_on[1:] != comes_on[:-1])
    ran = np.diff(np.interp(times, values.time_s, values.value)) * unit
    covered, clear = whole & comes_on[:-1], whole & ~comes_on[:-1]
    if min(covered.sum(), clear.sum()) < _LEAST:
        return None
    rows = np.concatenate((eye.on_row, eye.off_row))[order]
    return _Passed(ran[covered], ran[clear], int(rows[1:][covered][0]))


def _narrow(travels: Floats) -> bool:
    """Tell whether the middle half of travels is nearly one length."""
    low, middle, high = np.quantile(travels, (0.25, 0.5, 0.75))
    return bool(middle > 0.0 and high - low <= _NARROW * middle)


def _refuse_inverted(log: Log, passed: _Passed, column: str, *, length: float, gap: float) -> None:
    """Refuse an eye that is clear for the length of what passes, and covered for its gap."""
    covered, clear = float(np.median(passed.covered_mm)), float(np.median(passed.clear_mm))
    if not _narrow(passed.clear_mm) or abs(clear - length) > _IS * length:
        return
    if abs(covered - length) < _IS_NOT * length or abs(covered - gap) > abs(covered - length):
        return
    message = (
        f"is 1 for {covered:,.1f} mm and 0 for {clear:,.1f} mm, where the scenario has "
        f"{length:,.1f} mm covered with gaps of {gap:,.1f} mm: it seems to be inverted; 1 has to "
        "mean covered"
    )
    raise FeedsimError(Fault(f"{log.file}, row {passed.row}, {column}", message=message))
