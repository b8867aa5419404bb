"""Outputs and instants of a traced run, of eyes and program, for the diagram."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from feedsim.answers.run.timing.view import TimingView, taken_out_s
from feedsim.machine import Eye
from feedsim.records.outcome import Outcome
from feedsim.running.replay.eyes import (
    OnInterval,
    carrier_eye_runs,
    program_levels,
    scan_ticks,
    scans_of,
)
from feedsim.running.replay.inserts import nose_of_cycle_mm, tail_of_cycle_mm

_MOST_SCANS = 400


class Instant(NamedTuple):
    """Something that happened, in a few words (or as the kind of a mark)."""

    time_s: float
    label: str


def carrier_eye_output(view: TimingView) -> list[OnInterval]:
    """Return when the carrier eye's output is on, in the window."""
    return _within(carrier_eye_runs(view), view)


def insert_eye_output(view: TimingView) -> list[OnInterval]:
    """Return when the insert eye's output is on, in the window."""
    return _within(insert_eye_runs(view), view)


def insert_eye_runs(view: TimingView) -> list[OnInterval]:
    """Return when the insert eye's output is on for the inserts that the program took.

    It goes off ``off_response`` after the tail, or after the insert was taken out; one that is
    never engaged covers the eye to the end. In a cycle cut short by a stop the tail is an insert's
    length behind its nose. Strays are marks of their own.
    """
    rows, feed, off = view.rows, view.feed, view.machine_feeder.eye.off_response_s

    def level(insert: int, since_s: float) -> OnInterval:
        passes_s = math.inf
        for row in map(int, np.flatnonzero(rows.insert == insert)):
            tail_mm = tail_of_cycle_mm(feed, rows, row)
            if math.isnan(tail_mm):
                tail_mm = nose_of_cycle_mm(feed, rows, row) + view.machine_feeder.inserts.length_mm
            passes_s = feed.time_at(tail_mm)
        return OnInterval(insert, since_s, min(passes_s, taken_out_s(view, insert, since_s)) + off)

    part = view.part("insert_eye")
    began = {
        event.insert: event.time_s
        for event in view.trace.events
        if event.part == part and event.event == "output_on"
    }
    found = [
        level(event.insert, began.get(event.insert, event.time_s))
        for event in view.trace.events
        if event.part == part and event.event == "switches"
    ]
    if all(blocked.number for blocked in found):  # insert 0: staged before the first carrier
        first, since = np.flatnonzero(rows.insert == 0), 0.0
        if len(first):
            since = feed.time_at(nose_of_cycle_mm(feed, rows, int(first[0])))
        if len(first) or not view.machine.start_empty:
            found.insert(0, level(0, since))
    return found


def program_input(view: TimingView, eye: Eye, runs: list[OnInterval]) -> list[OnInterval]:
    """Return what the program reads of an output that is filtered or polled; else nothing."""
    tick = scan_ticks(view.trace.events, view.machine.controller)
    return _within(program_levels(runs, eye, tick), view)


def scans(view: TimingView, eye: Eye) -> list[float]:
    """Return the scans at which an eye is polled (s); none if too dense to draw."""
    if not eye.polled:
        return []
    tick, window = scan_ticks(view.trace.events, view.machine.controller), (view.from_s, view.to_s)
    return scans_of(tick, view.machine.controller.scan_s, window=window, most=_MOST_SCANS)


def _within(found: list[OnInterval], view: TimingView) -> list[OnInterval]:
    cut = (OnInterval(b.number, max(b.from_s, view.from_s), min(b.to_s, view.to_s)) for b in found)
    return [b for b in cut if b.from_s < b.to_s]


def instants(view: TimingView) -> list[Instant]:
    """Return what happened for the chosen carrier, in order of time, in words."""
    scanned, polled = view.machine.carrier_eye.scanned, view.machine.carrier_eye.polled
    labels = {
        ("carrier_eye", "switches"): "eye\nswitches" if scanned else "mark\ncaptured",
        ("carrier_eye", "known"): "mark\ncaptured" if scanned else "mark\nknown",
        (view.part("clutch"), "closes"): "clutch\ncloses",
        (view.part("servo"), "lands"): "insert\nlands",
        (view.part("insert_eye"), "switches"): "next insert\nseen",
        (view.part("clutch"), "opens"): "clutch\nopens",
        (view.part("clutch"), "search_ends"): "no insert\nfound",
        (view.part("clutch"), "staged"): "next insert\nstaged",
    }
    if polled:  # for the program it switches only when known
        del labels["carrier_eye", "switches"]
    for outcome in Outcome:
        cause = outcome.cause.replace("_", " ")
        labels[view.part("program"), outcome.cause] = f"missed:\n{cause}"
    found = [
        Instant(event.time_s, labels[event.part, event.event])
        for event in view.trace.events
        if event.carrier == view.carrier and (event.part, event.event) in labels
    ]
    return sorted([Instant(view.zero_s, "carrier\nat eye"), *found, *_stops(view)])


def _stops(view: TimingView) -> list[Instant]:
    """Return what the line did in the window, if it was stopped."""
    words = {"trips": "line\ntrips", "at_rest": "line\nat rest", "restarts": "line\nrestarts"}
    return [
        Instant(event.time_s, words[event.event])
        for event in view.trace.events
        if event.part == "line"
        and event.event in words
        and view.from_s <= event.time_s <= view.to_s
    ]


class Marks(NamedTuple):
    """The events of all carriers in the window: by lane, as kinds of marks."""

    carrier_eye: list[Instant]
    insert_eye: list[Instant]
    clutch: list[Instant]
    landing: list[Instant]


def marks(view: TimingView) -> Marks:
    """Return the marks of each lane."""
    eye_marks = {"switches": "captured", "known": "known", "stray": "stray"}
    carrier_marks = {"switches": "captured", "known": "known"}
    if view.machine.carrier_eye.scanned:
        carrier_marks = {"known": "captured"}
    if view.machine_feeder.eye.scanned:
        eye_marks = {"known": "captured", "stray": "stray"}

    def of(part: str, kinds: dict[str, str]) -> list[Instant]:
        return [
            Instant(event.time_s, kinds[event.event])
            for event in view.trace.events
            if event.part == part
            and event.event in kinds
            and view.from_s <= event.time_s <= view.to_s
        ]

    return Marks(
        carrier_eye=of("carrier_eye", carrier_marks),
        insert_eye=of(view.part("insert_eye"), eye_marks),
        clutch=of(view.part("clutch"), {"closes": "closes", "opens": "opens"}),
        landing=of(view.part("servo"), {"lands": "lands"}),
    )
