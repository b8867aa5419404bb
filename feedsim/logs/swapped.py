"""Logs with wrongly named columns: swapped, inverted, in another unit."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import permutations

import numpy as np

from feedsim.arrays import Floats
from feedsim.errors import Fault, FeedsimError
from feedsim.logs.belt import logged_speed_mm_s
from feedsim.logs.log import Log, LoggedFeeder, OnOffSignal, SampledSignal
from feedsim.machine import Machine

_LEAST_EDGES = 12
_FEW, _MOST, _ROOM_MM, _WIDE_MM = 0.3, 0.9, 3.0, 10.0
_RARELY, _BEFORE_S = 0.1, 0.004
_LEAST = 10
_SCALED, _ALIKE, _WHOLE = 1.5, 1.3, 0.05
_NARROW = 0.1
_IS, _IS_NOT = 0.05, 0.12


def refuse_swapped_eyes(log: Log, machine: Machine) -> None:
    """Refuse a log in which openings follow the carrier eye instead of the insert eye."""
    carrier, speed = log.carrier_eye, _speed_mm_s(log, machine)
    if carrier is None or speed <= 0.0:
        return
    for feeder, set_so in zip(log.feeders, machine.feeders, strict=True):
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
                f"{clutch.column} goes off so long after {carrier.column} as it should after "
                f"{eye.column} ({found}): are the two columns swapped?"
            )
            raise FeedsimError(_fault(log, eye, message))


def _fault(log: Log, level: OnOffSignal, message: str) -> Fault:
    """Return a fault of a column, at the row in which it first comes on."""
    return Fault(f"{log.file}, row {level.on_row[0]}, {level.column}", message=message)


def _speed_mm_s(log: Log, machine: Machine) -> float:
    """Return the speed of the belt; without a logged encoder that of the scenario."""
    values = log.encoder
    if values is None:
        return machine.line.speed_mm_s
    return logged_speed_mm_s(
        values, machine.encoder.count_mm if values.quantity == "count" else 1.0
    )


def refuse_swapped_acts(log: Log, machine: Machine, number: int) -> None:
    """Refuse a log in which another column acts like the clutch, with the columns.

    The clutch comes on a set travel after the carrier eye, and goes off a set travel after the
    insert eye comes on. If the columns as named do not do so, but do under other names or with the
    clutch inverted, those are the right names.
    """
    feeder, speed = log.feeders[number], _speed_mm_s(log, machine)
    if log.carrier_eye is None or feeder.eye is None or feeder.clutch is None or speed <= 0.0:
        return
    levels = {one.column: one for one in (log.carrier_eye, feeder.eye, feeder.clutch)}
    names = tuple(levels)
    if min(min(len(level.on_s), len(level.off_s)) for level in levels.values()) < _LEAST_EDGES:
        return
    settings = machine.feeders[number].settings
    closes = settings.engage_distance_mm / speed - settings.engage_lead_s
    opens = settings.disengage_distance_mm / speed - settings.disengage_lead_s
    room = _WIDE_MM / speed + machine.controller.scan_s + machine.controller.motion_cycle_s

    def fits(
        carrier: OnOffSignal, eye: OnOffSignal, closed_s: Floats, opened_s: Floats
    ) -> tuple[float, float]:
        closings = _share_after(carrier, closed_s - closes, room)
        return closings, _share_after(eye, opened_s - opens, room)

    own, _ = fits(log.carrier_eye, feeder.eye, feeder.clutch.on_s, feeder.clutch.off_s)
    if own >= _FEW:
        return
    for order in permutations(names):
        carrier, eye, clutch = (levels[name] for name in order)
        share, opened = fits(carrier, eye, clutch.on_s, clutch.off_s)
        if order != names and share > _MOST and opened > _MOST:
            moved = " and ".join(a for a, b in zip(names, order, strict=True) if a != b)
            message = (
                f"{order[2]} comes on so long after {order[0]} as these settings close the clutch "
                f"({share:.0%} of cases; as the columns are named {own:.0%}), and goes off where "
                f"they open it: are the columns {moved} swapped?"
            )
            raise FeedsimError(_fault(log, feeder.clutch, message))
    share, opened = fits(log.carrier_eye, feeder.eye, feeder.clutch.off_s, feeder.clutch.on_s)
    if share > _MOST and opened > _MOST:
        message = (
            f"goes off where these settings close the clutch ({share:.0%} of cases), "
            "and comes on where they open it: it seems to be inverted; 1 has to mean closed"
        )
        raise FeedsimError(_fault(log, feeder.clutch, message))


def refuse_swapped_clutch(log: Log, feeder: LoggedFeeder) -> None:
    """Refuse a clutch that closes while the feed runs, with an eye that inserts reach at rest.

    An insert reaches its eye only while the feed moves it; a clutch mostly closes with the feed at
    rest, unless it follows the previous cycle at once.
    """
    eye, clutch, feed = feeder.eye, feeder.clutch, feeder.command or feeder.actual
    if eye is None or clutch is None or feed is None or feed.quantity != "mm":
        return
    if min(len(eye.on_s), len(clutch.on_s)) < _LEAST_EDGES:
        return
    eye_moves, clutch_moves = _share_moving(eye, feed), _share_moving(clutch, feed)
    if eye_moves < _RARELY and clutch_moves > _MOST:
        message = (
            f"comes on while the feed runs (in {clutch_moves:.0%} of cases) and {eye.column} while "
            f"it stands ({1.0 - eye_moves:.0%}), as the other of the two would: are they swapped?"
        )
        raise FeedsimError(_fault(log, clutch, message))


def _share_moving(level: OnOffSignal, feed: SampledSignal) -> float:
    """Return the share of a level's rising edges just before which the feed runs."""
    until = level.on_s - level.on_within_s
    travel = [np.interp(t, feed.time_s, feed.value) for t in (until - _BEFORE_S, until)]
    return float(np.mean(travel[1] - travel[0] > 2.0 * feed.step))


def _share_after(eye: OnOffSignal, times: Floats, room_s: float) -> float:
    """Return the share of times at which an eye came on, within a tolerance (s)."""
    found = np.searchsorted(eye.on_s, times + room_s) - np.searchsorted(eye.on_s, times - room_s)
    return float(np.mean(found > 0))


@dataclass(frozen=True, slots=True)
class _Passed:
    """Travel (mm) for which an eye was covered, and clear, each within one stretch of the log.

    ``row``: the one in which the first cover ends.
    """

    covered_mm: Floats
    clear_mm: Floats
    row: int


def refuse_wrong_scale(log: Log, machine: Machine) -> None:
    """Refuse an encoder that makes length and pitch of carriers wrong by the same factor.

    A different carrier would do so too, so the message names both readings, and the factor that
    would fit.
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
    """Refuse eyes that are clear for the length of a card, and covered for its gap."""
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


def _passed(log: Log, eye: OnOffSignal, values: SampledSignal, unit: float) -> _Passed | None:
    """Return the travels; None if they are too few."""
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
