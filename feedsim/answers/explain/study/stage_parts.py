"""The parts of a placement error that come from where the insert was staged.

A nose that rests further on reaches its carrier earlier, so these parts have the opposite sign:
together they are κ·(stage target − stage position), κ = (1 + ε)/g belt travel per feed travel.

**Staged by a feed cycle.** With F the nose's place on the feed's travel, the seen edge passes at
f = F + edge, the command then ahead by the lag. From there to the motion tick that opens the
clutch the belt moves as it does on the carrier's side (`response`, `filter`, `scan`, `count`, the
point U and its `rounding`, `late opening`, `opening tick`), then come `command delay` and
`ramp-out`, ∫ r dm. Belt that passed while the clutch was not fully closed yet is lost to the feed:

    stage position = edge + lag at the edge
                     + (response + scan + count + (1+ε)·U + rounding + late + tick
                        + command delay + ramp-out − not yet closed)/κ,

and U = disengage distance − disengage lead·y with stage/g, q/2 and A_out/2 in the distance and
each delay in the lead. No scale error is in it: distance and feed are both counted.

**Staged by the jog**, the belt at rest, the feed alone at jog speed: from the edge to the
capture it moves by response and scan, from there by exactly what the program asks for, unless
it learns of the edge when the feed is past that already.

**Staged at the start**: exactly at the stage position.
"""

from __future__ import annotations

from feedsim.answers.explain.study.breakdown import Breakdown
from feedsim.answers.explain.study.record import Part
from feedsim.answers.explain.study.source import FeederSource
from feedsim.answers.explain.study.stage import Opening, Sighting, Staging
from feedsim.settings.nominal import eye_delay
from feedsim.settings.right import disengage_distance, disengage_lead

__all__ = ["stage_parts"]


def stage_parts(feeder: FeederSource, staging: Staging, *, correction_mm: float) -> list[Part]:
    """Return the parts that come from the stage.

    ``correction_mm``: what the stage correction had added to the engage travel, as belt travel.
    """
    parts: list[Part] = []
    if staging.sighting is not None and staging.opening is not None:
        parts = _opened(feeder, staging, staging.sighting, staging.opening)
    elif staging.sighting is not None:
        parts = _jogged(feeder, staging, staging.sighting)
    if feeder.machine.settings.stage_correction:
        breakdown = Breakdown(feeder.run, speed=0.0, sign=1.0)
        breakdown.travel("stage_correction", correction_mm)
        parts += breakdown.parts
    return parts


def _opened(
    feeder: FeederSource, staging: Staging, sighting: Sighting, opening: Opening
) -> list[Part]:
    run = feeder.run
    breakdown = Breakdown(run, speed=run.belt.speed(opening.opens_s), sign=-1.0)
    _eye(breakdown, feeder, staging, sighting)
    breakdown.count("insert_eye_count", sighting)
    cycle_s, lead = run.machine.controller.motion_cycle_s, disengage_lead(feeder.at_line_speed)
    breakdown.travel("disengage_rounding", opening.rounded_mm - opening.travel_mm)
    breakdown.travel("late_opening", opening.known_mm - opening.point_mm)
    breakdown.delay(
        "opening_tick",
        min(max(opening.opens_s - opening.due_s, 0.0), cycle_s),
        moved_mm=run.belt.position(opening.opens_s) - opening.known_mm,
        allowed_s=lead.tick_s,
    )
    _to_rest(breakdown, feeder, staging, sighting, opening)
    _setting_parts(breakdown, feeder, opening)
    return breakdown.parts


def _eye(breakdown: Breakdown, feeder: FeederSource, staging: Staging, sighting: Sighting) -> None:
    edge_mm = feeder.per_feed * (feeder.feed.position(sighting.passes_s) - staging.nose_mm)
    lead = disengage_lead(feeder.at_line_speed)
    breakdown.eye("insert_eye", feeder.machine.eye, sighting, lead=lead, edge_mm=edge_mm)


def _to_rest(
    breakdown: Breakdown,
    feeder: FeederSource,
    staging: Staging,
    sighting: Sighting,
    opening: Opening,
) -> None:
    machine, belt, feed, passes_s = feeder.machine, feeder.run.belt, feeder.feed, sighting.passes_s
    lead, clutch = disengage_lead(feeder.at_line_speed), machine.clutch
    delay_s, lag_s = lead.command_delay_s, lead.lag_s
    acts_s, opens_s = opening.opens_s + delay_s, opening.opens_s
    breakdown.between("disengage_delay", opens_s, acts_s, delay_s=delay_s, allowed_s=delay_s)
    ran_mm = feeder.per_feed * (staging.rest_mm - feed.command(acts_s))
    if clutch.travel_ramp:
        allowed_mm = -disengage_distance(feeder.at_line_speed).ramp_mm * feeder.run.scale
        breakdown.travel("ramp_out", ran_mm, allowed_mm=allowed_mm)
    else:
        r = _engagement(feeder, staging, acts_s)
        ran_s = 0.5 * r * r * clutch.ramp_out  # ∫ r dt of a ramp that falls from r
        breakdown.delay("ramp_out", ran_s, moved_mm=ran_mm, allowed_s=lead.ramp_s)
    moved_mm = belt.position(acts_s) - belt.position(passes_s)
    fed_mm = feeder.per_feed * (feed.command(acts_s) - feed.command(passes_s))
    breakdown.travel("not_closed_yet", fed_mm - moved_mm)
    with_speed_mm = lag_s * (belt.speed(passes_s) - breakdown.speed)
    breakdown.changed_mm -= with_speed_mm
    lag_mm = feeder.per_feed * feed.lag(passes_s) - with_speed_mm
    breakdown.travel("stage_lag", lag_mm, allowed_mm=lag_s * breakdown.speed)
    breakdown.changing_speed("stage_speed_change")


def _engagement(feeder: FeederSource, staging: Staging, acts_s: float) -> float:
    """Return how far the clutch had closed (0…1) when the drive acts on a time ramp's opening."""
    ramp_in, rows = feeder.machine.clutch.ramp_in, feeder.rows
    assert staging.carrier is not None  # noqa: S101 - a cycle has staged it
    begins_s = float(rows.engage_time_s[staging.carrier]) + feeder.machine.servo.command_delay_s
    return min(1.0, (acts_s - begins_s) / ramp_in) if ramp_in else 1.0


def _setting_parts(breakdown: Breakdown, feeder: FeederSource, opening: Opening) -> None:
    run, have, right, terms = feeder.run, feeder.machine.settings, feeder.right, feeder.terms
    lead = have.disengage_lead_s
    unsettled_mm = right.disengage_distance_mm - terms.disengage_distance_mm
    breakdown.travel("disengage_unsettled", run.scale * unsettled_mm)
    off_mm = have.disengage_distance_mm - right.disengage_distance_mm
    breakdown.travel("disengage_distance", run.scale * off_mm)
    breakdown.travel("disengage_lead", -(lead - terms.disengage_lead_s) * breakdown.speed)
    seen = run.scale * run.master.speed.at(opening.opens_s)
    breakdown.travel("disengage_filter", lead * (breakdown.speed - seen))


def _jogged(feeder: FeederSource, staging: Staging, sighting: Sighting) -> list[Part]:
    machine, feed, per_feed = feeder.machine, feeder.feed, feeder.per_feed
    controller, jog = feeder.run.machine.controller, machine.jog_speed_mm_s
    ran_mm = feed.position(sighting.captured_s) - feed.position(sighting.passes_s)
    at_speed_mm = jog * (sighting.captured_s - sighting.passes_s)
    asked_mm = machine.settings.stage_position_mm - jog * eye_delay(machine.eye, controller)
    asked_mm += feed.position(sighting.captured_s)
    speed = jog * per_feed
    breakdown = Breakdown(feeder.run, speed=speed, sign=-1.0, at=lambda t: t * speed)
    _eye(breakdown, feeder, staging, sighting)
    breakdown.travel("jog_speed", per_feed * (ran_mm - at_speed_mm))
    breakdown.travel("jog_overshoot", per_feed * (staging.rest_mm - asked_mm))
    return breakdown.parts
