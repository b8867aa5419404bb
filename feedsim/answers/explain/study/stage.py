"""How an insert came to be staged: from its edge at the insert eye to rest, every instant."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from feedsim.answers.explain.study.source import FeederSource, StorySource
from feedsim.machine import Eye
from feedsim.motion.capture import eye_delay
from feedsim.motion.master import travel_of_reading
from feedsim.motion.staged import stage_correction
from feedsim.records.trace import TraceEvent


@dataclass(frozen=True, slots=True)
class Sighting:
    """A card at its eye: a carrier that becomes a mark, or an insert.

    ``passes_s``: the edge that the eye sees passes it. ``response_s``: delay of the output.
    ``output_s``: the output switches, perhaps held back by its last switching, or on already from a
    card too short to be seen. ``switches_s``: the input behind a filter switches. ``known_s``: the
    scan tick at which the program knows. ``captured_s``: the instant whose travel is stored.
    ``reading``: the stored value (units of the master), ``reading_mm``: its belt travel.
    """

    passes_s: float
    response_s: float
    output_s: float
    switches_s: float
    known_s: float
    captured_s: float
    reading: float
    reading_mm: float


@dataclass(frozen=True, slots=True)
class Opening:
    """How the clutch came to open after an insert was seen.

    ``point_mm``, ``travel_mm``, ``rounded_mm``: belt travel of the disengage point, U, and U
    rounded. ``known_mm``: belt travel when the point had passed and the edge was known, ``due_s``
    that instant. ``opens_s``: the motion tick.
    """

    point_mm: float
    travel_mm: float
    rounded_mm: float
    known_mm: float
    due_s: float
    opens_s: float


@dataclass(frozen=True, slots=True)
class Staging:
    """An insert at rest, and how it got there.

    ``carrier``: whose feed cycle staged it; None before the first (staged at the start, or jogged).
    ``sighting``: None for the insert that is staged at the start. ``opening``: None where no clutch
    opened. ``nose_mm``: feed travel at which its nose was at the eye. ``rest_mm``: feed travel at
    which the command came to rest. ``correction_mm``: stage error as the controller estimates it,
    counted belt travel; 0 without stage correction.
    """

    insert: int
    carrier: int | None
    sighting: Sighting | None
    opening: Opening | None
    nose_mm: float
    rest_mm: float
    ready_s: float
    correction_mm: float

    @property
    def position_mm(self) -> float:
        """Where its nose rests, from the insert eye (mm)."""
        return self.rest_mm - self.nose_mm


def staging_of(feeder: FeederSource, carrier: int) -> Staging:
    """Return how the insert engaged for a carrier was staged."""
    event = feeder.staged.get(int(feeder.rows.insert[carrier]))
    return _at_the_start(feeder) if event is None else _staged(feeder, event)


def staged_in(feeder: FeederSource, carrier: int | None) -> Staging | None:
    """Return what a carrier's feed cycle staged (carrier None: what was staged before all cycles).

    None where its search ended without an insert.
    """
    key = -1 if carrier is None else carrier
    if carrier is None and not feeder.run.machine.start_empty:
        return _at_the_start(feeder)
    staged = feeder.run.events(key, feeder.part("clutch"), "staged")
    return _staged(feeder, staged[0]) if staged else None


def _at_the_start(feeder: FeederSource) -> Staging:
    stage = feeder.machine.settings.stage_position_mm
    return Staging(0, None, None, None, -stage, 0.0, 0.0, 0.0)


def _staged(feeder: FeederSource, event: TraceEvent) -> Staging:
    """Return how the insert of a staging event was staged."""
    run, inserts, number = feeder.run, feeder.inserts, event.insert
    carrier = None if event.carrier < 0 else event.carrier
    events = run.events_of(event.carrier, feeder.part("insert_eye"))
    sighting = sighting_at(
        run,
        feeder.machine.eye,
        [event for event in events if event.insert == number],
        passes_s=feeder.feed.time_at(inserts.seen_edge_mm(number)),
        response_s=inserts.draw(number).eye_delay_s,
    )
    opening = None if carrier is None else _opening(feeder, carrier, sighting)
    rest_mm = feeder.feed.command(event.time_s)
    return Staging(
        insert=number,
        carrier=carrier,
        sighting=sighting,
        opening=opening,
        nose_mm=inserts.nose_mm(number),
        rest_mm=rest_mm,
        ready_s=event.time_s,
        correction_mm=_correction(feeder, sighting, rest_mm=rest_mm, jogged=carrier is None),
    )


def correction_at(feeder: FeederSource, t: float) -> float:
    """Return the stage correction in force at a scan tick ``t`` (s), counted belt travel (mm).

    It is in force from the ready time to the closing; a scan tick at the same instant comes after
    ready and before the closing.
    """
    if not feeder.machine.settings.stage_correction:
        return 0.0
    times = feeder.rows.engage_time_s
    closed_s = max((float(times[k]) for k in feeder.cycles if times[k] < t), default=-math.inf)
    ready = [e for e in feeder.staged.values() if closed_s <= e.time_s <= t]
    if not ready:
        return 0.0
    return _staged(feeder, max(ready, key=lambda event: event.time_s)).correction_mm


def sighting_at(
    run: StorySource, eye: Eye, events: Sequence[TraceEvent], *, passes_s: float, response_s: float
) -> Sighting:
    """Return how an eye saw a carrier or an insert, from the eye's events.

    Without filter and polling, output and input come on as the eye switches.
    """
    seen_s = next(event.time_s for event in events if event.event == "switches")
    times = {event.event: event.time_s for event in events}
    switches_s, known_s = times.get("input_on", seen_s), run.master.scan_tick(seen_s)
    captured_s = known_s if eye.scanned else switches_s
    reading = run.master.reading(captured_s)
    counting = run.master.counting
    return Sighting(
        passes_s=passes_s,
        response_s=response_s,
        output_s=min(times.get("output_on", seen_s), switches_s),
        switches_s=switches_s,
        known_s=known_s,
        captured_s=captured_s,
        reading=reading,
        reading_mm=travel_of_reading(run.master, reading)
        if counting
        else run.belt.position(captured_s),
    )


def _opening(feeder: FeederSource, carrier: int, sighting: Sighting) -> Opening | None:
    run, settings = feeder.run, feeder.machine.settings
    opens_s = float(feeder.rows.opening_time_s[carrier])
    if math.isnan(opens_s):
        return None
    lead = settings.disengage_lead_s
    units = run.master.point_travel(settings.disengage_distance_mm, lead, t=opens_s)
    rounded_mm = units * run.master.unit_mm * run.scale
    point_mm = sighting.reading_mm + rounded_mm
    counted = settings.opening_travel_mm(run.master.speed.at(opens_s))
    return Opening(
        point_mm=point_mm,
        travel_mm=counted * run.scale,
        rounded_mm=rounded_mm,
        known_mm=max(point_mm, run.belt.position(sighting.known_s)),
        due_s=max(run.belt.time_at(point_mm), sighting.known_s),
        opens_s=opens_s,
    )


def _correction(feeder: FeederSource, sighting: Sighting, *, rest_mm: float, jogged: bool) -> float:
    """Return (stage estimate − stage position)/g (model, section 8)."""
    machine, run = feeder.machine, feeder.run
    settings = machine.settings
    if not settings.stage_correction:
        return 0.0
    speed = machine.jog_speed_mm_s
    if not jogged:
        speed = settings.speed_ratio * run.master.speed.at(sighting.known_s)
    return stage_correction(
        rest_mm - feeder.feed.position(sighting.captured_s),
        speed,
        delay_s=eye_delay(machine.eye, run.machine.controller),
        stage_mm=settings.stage_position_mm,
        ratio=settings.speed_ratio,
    )
