"""From a carrier's edge to the closing of the clutch: every instant, and the belt then."""

from __future__ import annotations

from dataclasses import dataclass

from feedsim.answers.explain.study.source import FeederSource, StorySource
from feedsim.answers.explain.study.stage import Sighting, Staging, sighting_at
from feedsim.machine import SAME_INSTANT_S


@dataclass(frozen=True, slots=True)
class Closing:
    """How the clutch came to close for a mark.

    ``first_s``: the motion tick at which the mark was first acted on and the engage lead taken;
    ``point_mm``: belt travel of the engage point then. ``travel_mm``, ``rounded_mm``: E, and E
    rounded; ``correction_mm``: the stage correction within E, as belt travel.
    ``known_mm``, ``head_mm``, ``ready_mm``: belt travel by which the mark was known, also first in
    the memory, and the feeder also ready. ``due_s``: the instant of ``ready_mm``. ``waited``: the
    mark was acted on before the feeder was ready. ``closes_s``: the motion tick at which the clutch
    closed.
    """

    first_s: float
    point_mm: float
    travel_mm: float
    rounded_mm: float
    correction_mm: float
    known_mm: float
    head_mm: float
    ready_mm: float
    due_s: float
    waited: bool
    closes_s: float


def mark_of(run: StorySource, carrier: int) -> Sighting | None:
    """Return how a carrier became a mark; None where it became none."""
    events = run.events_of(carrier, "carrier_eye")
    if not any(event.event == "switches" for event in events):
        return None
    draw, eye = run.carriers[carrier], run.machine.carrier_eye
    passes_s = run.belt.time_at(draw.seen_edge_mm)
    return sighting_at(run, eye, events, passes_s=passes_s, response_s=draw.eye_delay_s)


def point_at(feeder: FeederSource, mark: Sighting, *, t: float, correction_mm: float) -> float:
    """Return the belt travel of a mark's engage point (mm) as the program computes it at ``t`` (s).

    ``correction_mm``: what the stage correction adds, counted travel.
    """
    run, settings = feeder.run, feeder.machine.settings
    units = run.master.point_travel(
        settings.engage_distance_mm + correction_mm, settings.engage_lead_s, t=t
    )
    return mark.reading_mm + units * run.master.unit_mm * run.scale


def closing_of(feeder: FeederSource, carrier: int, *, mark: Sighting, staging: Staging) -> Closing:
    """Return how the clutch closed for a carrier that was engaged.

    The program acts on a mark at the first motion tick at which the mark is known, first in the
    memory and past its point. If the feeder is not ready then, the mark waits until it is.
    """
    run, belt, settings = feeder.run, feeder.run.belt, feeder.machine.settings
    closes_s = float(feeder.rows.engage_time_s[carrier])
    head_s = max(mark.known_s, feeder.head_from(carrier))
    first_s, correction = closes_s, staging.correction_mm
    waited = False
    if run.machine.controller.not_ready_engages:
        lead = settings.engage_lead_s
        uncorrected_s = run.master.first_action(
            mark.reading, settings.engage_distance_mm, lead=lead, not_before=head_s
        )
        waited = staging.ready_s > uncorrected_s + SAME_INSTANT_S
        if waited:
            first_s, correction = uncorrected_s, 0.0
    distance = settings.engage_distance_mm + correction
    point_mm = point_at(feeder, mark, t=first_s, correction_mm=correction)
    known_mm = max(point_mm, belt.position(mark.known_s))
    head_mm = max(known_mm, belt.position(head_s))
    due_s = max(belt.time_at(point_mm), head_s)
    late = run.master.motion_tick(due_s) < staging.ready_s - SAME_INSTANT_S
    ready_mm = head_mm
    if late and (waited or correction):
        ready_mm, due_s = max(head_mm, belt.position(staging.ready_s)), staging.ready_s
    return Closing(
        first_s=first_s,
        point_mm=point_mm,
        travel_mm=(distance - settings.engage_lead_s * run.master.speed.at(first_s)) * run.scale,
        rounded_mm=point_mm - mark.reading_mm,
        correction_mm=correction * run.scale,
        known_mm=known_mm,
        head_mm=head_mm,
        ready_mm=ready_mm,
        due_s=due_s,
        waited=waited,
        closes_s=closes_s,
    )
