"""The parts of one insert's placement error, each from the run itself.

With M the carrier's leading edge, D and S as in the model, t_L the landing, m(t) belt travel,
p(t) the feed's command and f(t) its travel, κ = (1 + ε)/g belt travel per feed travel:

    error = m(t_L) − M − D − carrier slip − target.

**Where the belt is when the clutch closes.** From the edge to the closing tick the belt moves
through known instants, one after the other: the seen edge passes (`edge`), the
output switches (`response`, and `held` where the switching before holds it back), so does the
input behind a filter (`filter`; `on already` where a card not seen had it on), the travel is
captured (`scan` where it waits for a tick), and read in whole counts (`count`); the point lies
(1 + ε)·E later, E rounded to counts (`rounding`); then the mark may be known only past its
point (`late`), stand behind another one (`queued`), find the feeder busy (`feeder wait`), and
it waits for a motion tick (`closing tick`):

    m(closing) = M + edge + response + held + on already + filter + scan + count + (1+ε)·E
                 + rounding + late + queued + feeder wait + closing tick.

**From there to the landing.** The command starts after `command delay`. Each mm of belt then
moves it by r/κ, r the engagement, so what r is short of 1 is lost: ∫(1 − r) dm, during the
`ramp-in`, and, where the clutch opens before the landing, after that. The insert lands at
f = p_rest + S − stage position + insert slip, and there the command is ahead by the lag:

    m(t_L) = m(closing) + command delay + ramp-in + opened before
             + κ·(S − stage position + insert slip + lag).

**What settings allow for.** E = distance − lead·y + correction, y the controller's speed. With
the distance's own terms (:mod:`feedsim.settings.derivation`)

    distance = D + target + mean carrier slip + q/2 − (S − stage target)/g − mean insert slip/g
               − A_in/2 + (what it is off these terms),

and the lead's terms each against its delay at the speed v of the belt when the lead was taken,
D, S and the target cancel, but for ε·(D + target + mean carrier slip): `scale error`. Left are
delays against what is allowed for them, distance and lead off their terms, the controller's
filtered speed off v, the belt's changing speed (each delay's travel less the delay times v,
and τ times the speed at the landing less v), and κ·(stage target − stage position) +
correction, whose parts come from where the insert was staged.

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

import math
from dataclasses import dataclass

from feedsim.answers.explain.study.breakdown import Breakdown
from feedsim.answers.explain.study.mark import Closing
from feedsim.answers.explain.study.record import ErrorPart
from feedsim.answers.explain.study.source import FeederSource
from feedsim.answers.explain.study.stage import Opening, Sighting, Staging
from feedsim.motion.capture import eye_delay
from feedsim.motion.staged import jog_end
from feedsim.settings.nominal import clipped_slip_mean
from feedsim.settings.predict import scale_shift


@dataclass(frozen=True, slots=True)
class Approach:
    """From the closing to the landing.

    ``begins_s``: the drive acts. ``ramp_ends_s``: the ramp-in is over, or what came before.
    ``opens_s``: the drive acts on the opening of the same cycle. ``lands_s``: the landing.
    ``ramp_loss_mm``, ``open_loss_mm``: belt travel that the engagement lost before and after
    the opening. ``lag_mm``: what the command was ahead by, feed travel. ``past_mm``: how far
    past the placement point the nose rested, if it did.
    """

    begins_s: float
    ramp_ends_s: float
    opens_s: float
    lands_s: float
    ramp_loss_mm: float
    open_loss_mm: float
    lag_mm: float
    past_mm: float


def approach_of(feeder: FeederSource, carrier: int, *, staging: Staging) -> Approach:
    """Return how the insert engaged for a carrier ran up to it and landed."""
    machine, belt, feed = feeder.machine, feeder.run.belt, feeder.feed
    closes_s = float(feeder.rows.engage_time_s[carrier])
    lands_s = float(feeder.rows.placement_time_s[carrier])
    delay_s = machine.servo.command_delay_s
    opening_s = float(feeder.rows.opening_time_s[carrier])
    opens_s = math.inf if math.isnan(opening_s) else opening_s + delay_s
    begins_s = min(closes_s + delay_s, lands_s)
    on_until_s = min(lands_s, opens_s)

    def lost(from_s: float, to_s: float) -> float:
        moved = belt.position(to_s) - belt.position(from_s)
        return moved - feeder.per_feed * (feed.command(to_s) - feed.command(from_s))

    target_mm = staging.nose_mm + feeder.inserts.draw(staging.insert).slip_mm
    target_mm += machine.insert_eye_to_placement_mm
    past_mm = feed.position(lands_s) - target_mm if lands_s <= closes_s else 0.0
    return Approach(
        begins_s=begins_s,
        ramp_ends_s=min(feeder.ramp_end(begins_s), on_until_s),
        opens_s=opens_s,
        lands_s=lands_s,
        ramp_loss_mm=lost(begins_s, on_until_s),
        open_loss_mm=lost(on_until_s, lands_s),
        lag_mm=feed.lag(lands_s),
        past_mm=past_mm,
    )


def parts_of(
    feeder: FeederSource,
    carrier: int,
    *,
    mark: Sighting,
    closing: Closing,
    staging: Staging,
    approach: Approach,
) -> tuple[ErrorPart, ...]:
    """Return all parts of a placed insert's placement error, parts of 0 too.

    Their sum is the placement error.
    """
    run = feeder.run
    breakdown = Breakdown(feeder, "engage", speed=run.belt.speed(closing.first_s))
    edge_mm = run.belt.position(mark.passes_s) - run.carriers[carrier].leading_edge_mm
    eye = run.machine.carrier_eye
    breakdown.eye("carrier_eye", eye, mark, edge_mm=edge_mm, held_apart=True)
    breakdown.count("carrier_eye_count", mark)
    _closing_parts(breakdown, closing)
    _landing_parts(breakdown, closing, approach)
    _slips(breakdown, carrier, staging)
    breakdown.travel("scale_error", scale_shift(feeder.at_line_speed))
    breakdown.settings(acts_s=closing.first_s)
    return (*breakdown.parts, *_stage_parts(feeder, staging, correction_mm=closing.correction_mm))


def _closing_parts(breakdown: Breakdown, closing: Closing) -> None:
    breakdown.travel("engage_rounding", closing.rounded_mm - closing.travel_mm)
    breakdown.travel("late_mark", closing.known_mm - closing.point_mm)
    breakdown.travel("queued", closing.head_mm - closing.known_mm)
    breakdown.travel("feeder_wait", closing.ready_mm - closing.head_mm)
    acts_s, due_mm = closing.closes_s, closing.ready_mm
    breakdown.tick("closing_tick", due_s=closing.due_s, due_mm=due_mm, acts_s=acts_s)


def _landing_parts(breakdown: Breakdown, closing: Closing, approach: Approach) -> None:
    feeder, begins_s, delay_s = breakdown.feeder, approach.begins_s, breakdown.lead.command_delay_s
    ramp_in = feeder.machine.clutch.ramp_in
    breakdown.between("engage_delay", closing.closes_s, begins_s, allowed_s=delay_s)
    ran_s = approach.ramp_ends_s - begins_s
    # ∫(1 − r) dt of a ramp of T that has run s: s − s²/(2T)
    short_s = ran_s * (1.0 - 0.5 * ran_s / ramp_in) if ramp_in else 0.0
    breakdown.ramp("ramp_in", short_s, moved_mm=approach.ramp_loss_mm)
    breakdown.travel("opened_early", approach.open_loss_mm)
    breakdown.lag("lag", approach.lag_mm, at_s=approach.lands_s)
    breakdown.changing_speed("speed_change")
    breakdown.travel("nose_past", feeder.per_feed * approach.past_mm)


def _slips(breakdown: Breakdown, carrier: int, staging: Staging) -> None:
    feeder, run, per_feed = breakdown.feeder, breakdown.run, breakdown.feeder.per_feed
    slip_mm = per_feed * feeder.inserts.draw(staging.insert).slip_mm
    mean_mm = per_feed * clipped_slip_mean(feeder.machine.inserts)
    breakdown.travel("insert_slip", slip_mm, allowed_mm=mean_mm)
    slip_mm, mean_mm = run.carriers[carrier].slip_mm, run.machine.carriers.slip_mm
    breakdown.travel("carrier_slip", -slip_mm, allowed_mm=-mean_mm)


def _stage_parts(
    feeder: FeederSource, staging: Staging, *, correction_mm: float
) -> list[ErrorPart]:
    """Return the parts that come from the stage.

    ``correction_mm``: the stage correction within the engage travel, as belt travel.
    """
    parts: list[ErrorPart] = []
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
) -> list[ErrorPart]:
    speed, passes_s, opens_s = feeder.run.belt.speed, sighting.passes_s, opening.opens_s
    breakdown = Breakdown(feeder, "disengage", speed=speed(opens_s))
    _stage_eye(breakdown, staging, sighting)
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


def _stage_eye(breakdown: Breakdown, staging: Staging, sighting: Sighting) -> None:
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


def _jogged(feeder: FeederSource, staging: Staging, sighting: Sighting) -> list[ErrorPart]:
    machine, feed, per_feed = feeder.machine, feeder.feed, feeder.per_feed
    controller, jog = feeder.run.machine.controller, machine.jog_speed_mm_s
    ran_mm = feed.position(sighting.captured_s) - feed.position(sighting.passes_s)
    at_speed_mm = jog * (sighting.captured_s - sighting.passes_s)
    asked_mm = jog_end(
        feed.position(sighting.captured_s),
        jog,
        delay_s=eye_delay(machine.eye, controller),
        stage_mm=machine.settings.stage_position_mm,
    )
    speed = jog * per_feed
    breakdown = Breakdown(feeder, "disengage", speed=speed, at=lambda t: t * speed)
    _stage_eye(breakdown, staging, sighting)
    breakdown.travel("jog_speed", per_feed * (ran_mm - at_speed_mm))
    breakdown.travel("jog_overshoot", per_feed * (staging.rest_mm - asked_mm))
    return breakdown.parts
