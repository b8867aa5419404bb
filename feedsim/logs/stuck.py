"""Signals that stand still while others show that the line ran."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from feedsim.errors import Fault, FeedsimError
from feedsim.logs.log import Level, Log, LoggedFeeder, Remark, Values

_LEAST_EDGES = 12
_AGES, _LONGEST = 10.0, 2.0
_CARRIERS = 5


def without_stuck(log: Log) -> Log:
    """Return the log without signals that never change; each is told among its remarks.

    One that goes on long enough to be stuck from some row on is told, and stays.
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


def refuse_stuck_encoder(log: Log) -> None:
    """Refuse an encoder that stands while carriers pass their eye.

    Raises
    ------
    FeedsimError
        With the row from which on it stands.
    """
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
    raise FeedsimError(
        Fault(f"{log.file}, row {encoder.row[since]}, {encoder.column}", message=message)
    )


def _with_edges(level: Level | None) -> Level | None:
    return None if level is None or len(level.on_s) + len(level.off_s) == 0 else level


def _moving(values: Values | None) -> Values | None:
    return None if values is None or not np.any(values.value != values.value[0]) else values


def _stays(name: str, values: Values | None) -> list[Remark]:
    """Say that a value never changes."""
    if values is None or _moving(values) is not None:
        return []
    text = (
        f"{name} stays at {values.value[0]:g} from row {values.row[0]} to the end: stuck or not "
        "connected, and left out."
    )
    return [Remark(text, int(values.row[0]))]


def _stops(log: Log, name: str, level: Level | None) -> list[Remark]:
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
