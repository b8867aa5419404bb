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
        breakdown = Breakdown(feeder, "engage", speed=0.0)
        breakdown.travel("stage_correction", correction_mm)
        parts += breakdown.parts
    return parts


def _opened(
    feeder: FeederSource, staging: Staging, sighting: Sighting, opening: Opening
) -> list[Part]:
    speed, passes_s, opens_s = feeder.run.belt.speed, sighting.passes_s, opening.opens_s
    breakdown = Breakdown(feeder, "disengage", speed=speed(opens_s))
    _eye(breakdown, staging, sighting)
    breakdown.count("insert_eye_count", sighting)
    breakdown.travel("disengage_rounding", opening.rounded_mm - opening.travel_mm)
    breakdown.travel("late_opening", opening.known_mm - opening.point_mm)
    due_s, due_mm = opening.due_s, opening.known_mm
    breakdown.tick("opening_tick", due_s=due_s, due_mm=due_mm, acts_s=opens_s)
    _to_rest(breakdown, staging, passes_s=passes_s, opens_s=opens_s)
    breakdown.lag("stage_lag", feeder.feed.lag(passes_s), at_s=passes_s)
    breakdown.changing_speed("stage_speed_change")
    breakdown.settings(acts_s=opens_s)
    return breakdown.parts


def _eye(breakdown: Breakdown, staging: Staging, sighting: Sighting) -> None:
    feeder = breakdown.feeder
    edge_mm = feeder.per_feed * (feeder.feed.position(sighting.passes_s) - staging.nose_mm)
    breakdown.eye("insert_eye", feeder.machine.eye, sighting, edge_mm=edge_mm)


def _to_rest(breakdown: Breakdown, staging: Staging, *, passes_s: float, opens_s: float) -> None:
    feeder, at = breakdown.feeder, breakdown.run.belt.position
    command, ramp_out = feeder.feed.command, feeder.machine.clutch.ramp_out
    delay_s = breakdown.lead.command_delay_s
    acts_s = opens_s + delay_s
    breakdown.between("disengage_delay", opens_s, acts_s, delay_s=delay_s, allowed_s=delay_s)
    ran_mm = feeder.per_feed * (staging.rest_mm - command(acts_s))
    r = _engagement(feeder, staging, acts_s)
    # ∫ r dt of a ramp that falls from r
    breakdown.ramp("ramp_out", 0.5 * r * r * ramp_out, moved_mm=ran_mm)
    fed_mm = feeder.per_feed * (command(acts_s) - command(passes_s))
    breakdown.travel("not_closed_yet", fed_mm - (at(acts_s) - at(passes_s)))


def _engagement(feeder: FeederSource, staging: Staging, acts_s: float) -> float:
    """Return how far the clutch had closed (0…1) when the drive acts on a time ramp's opening."""
    ramp_in, rows = feeder.machine.clutch.ramp_in, feeder.rows
    assert staging.carrier is not None  # noqa: S101 - a cycle has staged it
    begins_s = float(rows.engage_time_s[staging.carrier]) + feeder.machine.servo.command_delay_s
    return min(1.0, (acts_s - begins_s) / ramp_in) if ramp_in else 1.0


def _jogged(feeder: FeederSource, staging: Staging, sighting: Sighting) -> list[Part]:
    machine, feed, per_feed = feeder.machine, feeder.feed, feeder.per_feed
    controller, jog = feeder.run.machine.controller, machine.jog_speed_mm_s
    ran_mm = feed.position(sighting.captured_s) - feed.position(sighting.passes_s)
    at_speed_mm = jog * (sighting.captured_s - sighting.passes_s)
    asked_mm = machine.settings.stage_position_mm - jog * eye_delay(machine.eye, controller)
    asked_mm += feed.position(sighting.captured_s)
    speed = jog * per_feed
    breakdown = Breakdown(feeder, "disengage", speed=speed, at=lambda t: t * speed)
    _eye(breakdown, staging, sighting)
    breakdown.travel("jog_speed", per_feed * (ran_mm - at_speed_mm))
    breakdown.travel("jog_overshoot", per_feed * (staging.rest_mm - asked_mm))
    return breakdown.parts
