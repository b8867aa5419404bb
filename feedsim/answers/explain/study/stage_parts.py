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

from feedsim.answers.explain.study.filter_parts import filter_parts
from feedsim.answers.explain.study.ledger import Ledger
from feedsim.answers.explain.study.record import Part
from feedsim.answers.explain.study.source import FeederSource
from feedsim.answers.explain.study.stage import Opening, Sighting, Staging
from feedsim.settings.nominal import eye_delay, following_time

__all__ = ["stage_parts"]


def stage_parts(feeder: FeederSource, staging: Staging, *, correction_mm: float) -> list[Part]:
    """Return the parts that come from the stage.

    Parameters
    ----------
    feeder : FeederSource
    staging : Staging
        How the insert was staged.
    correction_mm : float
        What the stage correction had added to the engage travel, as belt travel.
    """
    parts: list[Part] = []
    if staging.sighting is not None and staging.opening is not None:
        parts = _opened(feeder, staging, staging.sighting, staging.opening)
    elif staging.sighting is not None:
        parts = _jogged(feeder, staging, staging.sighting)
    if feeder.machine.settings.stage_correction:
        ledger = Ledger(speed=0.0, sign=1.0)
        ledger.travel("stage_correction", "stage correction", group="stage", cost_mm=correction_mm)
        parts += ledger.parts
    return parts


def _opened(
    feeder: FeederSource, staging: Staging, sighting: Sighting, opening: Opening
) -> list[Part]:
    ledger = Ledger(speed=feeder.run.belt.speed(opening.opens_s), sign=-1.0)
    _edge(ledger, feeder, staging, sighting)
    _seen(ledger, feeder, sighting)
    _opening(ledger, feeder, opening)
    _to_rest(ledger, feeder, staging, sighting, opening)
    _setting_parts(ledger, feeder, opening)
    return ledger.parts


def _edge(ledger: Ledger, feeder: FeederSource, staging: Staging, sighting: Sighting) -> None:
    edge_mm = feeder.feed.position(sighting.passes_s) - staging.nose_mm
    cost = feeder.per_feed * edge_mm
    ledger.travel("insert_eye_edge", "insert eye edge", group="stage", cost_mm=cost)


def _seen(ledger: Ledger, feeder: FeederSource, sighting: Sighting) -> None:
    run, eye, at = feeder.run, feeder.machine.eye, feeder.run.belt.position
    answers_s = max(sighting.output_s, sighting.passes_s + sighting.response_s)
    ledger.delay(
        "insert_eye_response",
        "insert eye response",
        group="stage",
        delay_s=sighting.response_s,
        moved_mm=at(answers_s) - at(sighting.passes_s),
        allowed_s=eye.response_s,
    )
    filter_parts(ledger, "insert_eye", eye, sighting, at=at, group="stage")
    ledger.delay(
        "insert_eye_scan",
        "insert eye scan",
        group="stage",
        delay_s=sighting.captured_s - sighting.switches_s,
        moved_mm=at(sighting.captured_s) - at(sighting.switches_s),
        allowed_s=0.5 * run.machine.controller.scan_s if eye.scanned else 0.0,
    )
    ledger.travel(
        "insert_eye_count",
        "insert eye count",
        group="stage",
        cost_mm=sighting.reading_mm - at(sighting.captured_s),
        allowed_mm=-0.5 * run.machine.encoder.count_mm * run.scale,
    )


def _opening(ledger: Ledger, feeder: FeederSource, opening: Opening) -> None:
    run, at = feeder.run, feeder.run.belt.position
    cycle_s = run.machine.controller.motion_cycle_s
    for key, name, cost_mm in (
        (
            "disengage_rounding",
            "disengage point in whole counts",
            opening.rounded_mm - opening.travel_mm,
        ),
        ("late_opening", "edge known past its point", opening.known_mm - opening.point_mm),
    ):
        ledger.travel(key, name, group="stage", cost_mm=cost_mm)
    ledger.delay(
        "opening_tick",
        "opening tick",
        group="stage",
        delay_s=min(max(opening.opens_s - opening.due_s, 0.0), cycle_s),
        moved_mm=at(opening.opens_s) - opening.known_mm,
        allowed_s=0.5 * cycle_s,
    )


def _to_rest(
    ledger: Ledger,
    feeder: FeederSource,
    staging: Staging,
    sighting: Sighting,
    opening: Opening,
) -> None:
    what, belt, feed = feeder.machine, feeder.run.belt, feeder.feed
    clutch, delay_s, lag_s = what.clutch, what.servo.command_delay_s, following_time(what.servo)
    acts_s = opening.opens_s + delay_s
    ledger.delay(
        "disengage_delay",
        "command delay",
        group="stage",
        delay_s=delay_s,
        moved_mm=belt.position(acts_s) - belt.position(opening.opens_s),
        allowed_s=delay_s,
    )
    ran_mm = feeder.per_feed * (staging.rest_mm - feed.command(acts_s))
    if clutch.travel_ramp:
        allowed_mm = 0.5 * clutch.ramp_out * feeder.run.scale
        ledger.travel("ramp_out", "ramp-out", group="stage", cost_mm=ran_mm, allowed_mm=allowed_mm)
    else:
        r = _engagement(feeder, staging, acts_s)
        ledger.delay(
            "ramp_out",
            "ramp-out",
            group="stage",
            delay_s=0.5 * r * r * clutch.ramp_out,  # ∫ r dt of a ramp that falls from r
            moved_mm=ran_mm,
            allowed_s=0.5 * clutch.ramp_out,
        )
    moved_mm = belt.position(acts_s) - belt.position(sighting.passes_s)
    fed_mm = feeder.per_feed * (feed.command(acts_s) - feed.command(sighting.passes_s))
    name = "clutch not yet closed at the edge"
    ledger.travel("not_closed_yet", name, group="stage", cost_mm=fed_mm - moved_mm)
    with_speed_mm = lag_s * (belt.speed(sighting.passes_s) - ledger.speed)
    ledger.changed_mm -= with_speed_mm
    ledger.travel(
        "stage_lag",
        "servo lag at the insert's edge",
        group="stage",
        cost_mm=feeder.per_feed * feed.lag(sighting.passes_s) - with_speed_mm,
        allowed_mm=lag_s * ledger.speed,
    )
    name = "belt speed changed while staging"
    ledger.changing_speed("stage_speed_change", name, group="stage")


def _engagement(feeder: FeederSource, staging: Staging, acts_s: float) -> float:
    """Return how far the clutch had closed (0…1) when the drive acts on a time ramp's opening."""
    ramp_in, rows = feeder.machine.clutch.ramp_in, feeder.rows
    assert staging.carrier is not None  # noqa: S101 - a cycle has staged it
    begins_s = float(rows.engage_time_s[staging.carrier]) + feeder.machine.servo.command_delay_s
    return min(1.0, (acts_s - begins_s) / ramp_in) if ramp_in else 1.0


def _setting_parts(ledger: Ledger, feeder: FeederSource, opening: Opening) -> None:
    run, settings = feeder.run, feeder.machine.settings
    terms, right, lead = feeder.terms, feeder.right, settings.disengage_lead_s
    seen = run.scale * run.master.speed.at(opening.opens_s)
    for key, name, cost_mm in (
        (
            "disengage_unsettled",
            "disengage distance, cycle as it runs",
            run.scale * (right.disengage_distance_mm - terms.disengage_distance_mm),
        ),
        (
            "disengage_distance",
            "disengage distance not the right one",
            run.scale * (settings.disengage_distance_mm - right.disengage_distance_mm),
        ),
        (
            "disengage_lead",
            "disengage lead off the sum of delays",
            -(lead - terms.disengage_lead_s) * ledger.speed,
        ),
        (
            "disengage_filter",
            "controller's speed off the belt's",
            lead * (ledger.speed - seen),
        ),
    ):
        ledger.travel(key, name, group="stage", cost_mm=cost_mm)


def _jogged(feeder: FeederSource, staging: Staging, sighting: Sighting) -> list[Part]:
    what, feed, per_feed = feeder.machine, feeder.feed, feeder.per_feed
    controller, jog = feeder.run.machine.controller, what.jog_speed_mm_s
    waits_s = sighting.captured_s - sighting.switches_s
    ran_mm = feed.position(sighting.captured_s) - feed.position(sighting.passes_s)
    at_speed_mm = jog * (sighting.captured_s - sighting.passes_s)
    asked_mm = what.settings.stage_position_mm - jog * eye_delay(what.eye, controller)
    asked_mm += feed.position(sighting.captured_s)
    ledger = Ledger(speed=jog * per_feed, sign=-1.0)
    _edge(ledger, feeder, staging, sighting)
    ledger.delay(
        "insert_eye_response",
        "insert eye response",
        group="stage",
        delay_s=sighting.response_s,
        moved_mm=sighting.response_s * ledger.speed,
        allowed_s=what.eye.response_s,
    )
    speed = ledger.speed
    filter_parts(ledger, "insert_eye", what.eye, sighting, at=lambda t: t * speed, group="stage")
    ledger.delay(
        "insert_eye_scan",
        "insert eye scan",
        group="stage",
        delay_s=waits_s,
        moved_mm=waits_s * ledger.speed,
        allowed_s=0.5 * controller.scan_s if what.eye.scanned else 0.0,
    )
    for key, name, cost_mm in (
        ("jog_speed", "feed not at jog speed yet", per_feed * (ran_mm - at_speed_mm)),
        ("jog_overshoot", "jog stopped past the stage", per_feed * (staging.rest_mm - asked_mm)),
    ):
        ledger.travel(key, name, group="stage", cost_mm=cost_mm)
    return ledger.parts
