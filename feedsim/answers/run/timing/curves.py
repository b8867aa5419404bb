"""Positions of noses, tails and targets in a traced run: curves for the timing diagram."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from feedsim.answers.run.timing.view import Curve, TimingView, taken_out_s
from feedsim.records.outcome import Outcome
from feedsim.running.replay.inserts import nose_of_cycle_mm, tail_of_cycle_mm


@dataclass(frozen=True, slots=True)
class InsertPath:
    """One insert's motion along the insert path (mm from the insert eye).

    ``carrier``: that it was engaged for (−1: never engaged). ``nose``: from the insert eye to the
    landing, where it ends at the placement point; a step at the closing of the clutch is the
    insert's slip. ``tail``: from the closing of the clutch to its opening. ``staged_s``: when it
    came to rest, at ``stage_mm``; ``closes_s``: when the clutch closed.
    """

    insert: int
    carrier: int
    nose: Curve
    tail: Curve
    staged_s: float
    closes_s: float
    stage_mm: float


@dataclass(frozen=True, slots=True)
class TargetPath:
    """The target point of a carrier on the scale of the insert path (mm).

    Its curve is belt travel − leading edge − D − slip − target offset + S: it is S when the insert
    should land. It ends at the landing, past the nose by the placement error.
    """

    carrier: int
    curve: Curve
    outcome: Outcome


def insert_paths(view: TimingView) -> list[InsertPath]:
    """Return the paths of the inserts that are on the insert path in the window."""
    rows = view.rows
    engaged = np.flatnonzero(rows.insert >= 0)  # in order of time: marks are acted on in order
    closes = rows.engage_time_s[engaged]
    over = np.fmax(closes, np.fmax(rows.placement_time_s, rows.opening_time_s)[engaged])
    paths = []
    for i in range(len(engaged)):
        if over[i] < view.from_s:
            continue
        if i and closes[i - 1] > view.to_s:
            break
        staged = float(rows.ready_time_s[engaged[i - 1]]) if i else 0.0
        path = _insert_path(view, row=int(engaged[i]), staged_s=staged)
        if path.nose.times_s or path.tail.times_s:
            paths.append(path)
    return paths + _never_engaged(view)


def _never_engaged(view: TimingView) -> list[InsertPath]:
    """Return the insert that was staged and never engaged, if the trace knows of it.

    It has no record, so it is drawn at rest at the stage position that is set.
    """
    part, engaged = view.part("clutch"), set(view.rows.insert.tolist())
    staged = [
        (event.time_s, event.insert)
        for event in view.trace.events
        if event.part == part and event.event == "staged" and event.insert not in engaged
    ]
    if not view.machine.start_empty and 0 not in engaged:
        staged.append((0.0, 0))
    stage, paths = view.machine_feeder.settings.stage_position_mm, []
    for since, insert in staged:
        zero = view.feed.command(since) - stage
        out = taken_out_s(view, insert, since)
        nose = view.feed.positions(from_s=view.feed.time_at(zero), to_s=out, zero_mm=zero)
        if nose.times_s:
            paths.append(InsertPath(insert, -1, nose, Curve([], []), since, out, stage))
    return paths


def _insert_path(view: TimingView, *, row: int, staged_s: float) -> InsertPath:
    rows, feed = view.rows, view.feed
    closes, stage = float(rows.engage_time_s[row]), float(rows.stage_position_mm[row])
    lands, opens = float(rows.placement_time_s[row]), float(rows.opening_time_s[row])
    zero = slipped = nose_of_cycle_mm(feed, rows, row)
    if not math.isnan(lands):
        slipped = feed.position(lands) - view.machine_feeder.insert_eye_to_placement_mm
    staging = feed.positions(from_s=feed.time_at(zero), to_s=closes, zero_mm=zero)
    end = view.to_s if math.isnan(lands) else lands
    run_up = feed.positions(from_s=closes, to_s=end, zero_mm=slipped)
    tail = Curve([], [])
    if not math.isnan(opens):
        tail_zero = tail_of_cycle_mm(feed, rows, row)
        tail = feed.positions(from_s=closes, to_s=opens, zero_mm=tail_zero)
    return InsertPath(
        insert=int(rows.insert[row]),
        carrier=row,
        nose=Curve(staging.times_s + run_up.times_s, staging.values + run_up.values),
        tail=tail,
        staged_s=staged_s,
        closes_s=closes,
        stage_mm=stage,
    )


def target_paths(view: TimingView, *, low_mm: float, high_mm: float) -> list[TargetPath]:
    """Return the target points of all carriers that come by in the window.

    Those without a landing run through all of the scale, from ``low_mm`` to ``high_mm``.
    """
    machine, belt, feeder = view.machine, view.trace.belt, view.machine_feeder
    leading = view.records.carriers.leading_edge_mm
    way = feeder.to_target_mm
    zeros = leading + (way - feeder.insert_eye_to_placement_mm)
    room = 2.0 * machine.carriers.length_mm  # more than a carrier slips or an insert is late
    first = int(np.searchsorted(zeros, belt.position(view.from_s) - high_mm - room))
    last = int(np.searchsorted(zeros, belt.position(view.to_s) - low_mm + room))
    paths = []
    for k in range(first, last):
        lands, slip = float(view.rows.placement_time_s[k]), machine.carriers.slip_mm
        if math.isnan(lands):
            end = belt.time_at(float(zeros[k]) + slip + high_mm)
        else:
            offset = belt.position(lands) - float(leading[k]) - feeder.eye_to_placement_mm
            slip, end = offset - float(view.rows.offset_mm[k]), lands
        zero = float(zeros[k]) + slip
        start, end = max(belt.time_at(zero + low_mm), view.from_s), min(end, view.to_s)
        if start < end:
            times = _belt_times(view, start, end)
            curve = Curve(times, [belt.position(t) - zero for t in times])
            paths.append(TargetPath(k, curve, Outcome(int(view.rows.outcome[k]))))
    return paths


def belt_speeds(view: TimingView) -> Curve:
    """Return the belt's speed (mm/s) over the window."""
    times = _belt_times(view, view.from_s, view.to_s)
    return Curve(times, [view.trace.belt.speed(t) for t in times])


def _belt_times(view: TimingView, from_s: float, to_s: float) -> list[float]:
    corners = [p.start_s for p in view.trace.belt.pieces if from_s < p.start_s < to_s]
    return sorted({*np.linspace(from_s, to_s, 61).tolist(), *corners})
