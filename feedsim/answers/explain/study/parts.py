"""The parts of one insert's placement error, each from the run itself.

With M the carrier's leading edge, D and S as in the model, t_L the landing, m(t) belt travel,
p(t) the feed's command and f(t) its travel, κ = (1 + ε)/g belt travel per feed travel:

    error = m(t_L) − M − D − carrier slip − target.

**Where the belt is when the clutch closes.** From the edge to the closing tick the belt moves
through instants that the run knows, one after the other: the seen edge passes (`edge`), the
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
correction, whose parts :mod:`feedsim.answers.explain.study.stage_parts` has.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from feedsim.answers.explain.study.filter_parts import filter_parts
from feedsim.answers.explain.study.ledger import Ledger
from feedsim.answers.explain.study.mark import Closing
from feedsim.answers.explain.study.record import Part
from feedsim.answers.explain.study.source import FeederSource
from feedsim.answers.explain.study.stage import Sighting, Staging
from feedsim.answers.explain.study.stage_parts import stage_parts
from feedsim.settings.nominal import clipped_slip_mean, following_time

__all__ = ["Landing", "landing_of", "parts_of"]


@dataclass(frozen=True, slots=True)
class Landing:
    """From the closing to the landing.

    ``begins_s``: the drive acts. ``ramp_ends_s``: the ramp-in is over, or what came before.
    ``opens_s``: the drive acts on the opening of the same cycle. ``lands_s``: the landing.
    ``ramp_loss_mm``, ``open_loss_mm``: belt travel that the engagement lost before and after
    the opening. ``lag_mm``: what the command was ahead by, feed travel. ``past_mm``: by what
    the nose rested past the placement point, where it did.
    """

    begins_s: float
    ramp_ends_s: float
    opens_s: float
    lands_s: float
    ramp_loss_mm: float
    open_loss_mm: float
    lag_mm: float
    past_mm: float


def landing_of(feeder: FeederSource, carrier: int, *, staging: Staging) -> Landing:
    """Return how the insert that was engaged for a carrier ran up to it and landed."""
    what, belt, feed = feeder.machine, feeder.run.belt, feeder.feed
    closes_s = float(feeder.rows.engage_time_s[carrier])
    lands_s = float(feeder.rows.placement_time_s[carrier])
    delay_s = what.servo.command_delay_s
    opening_s = float(feeder.rows.opening_time_s[carrier])
    opens_s = math.inf if math.isnan(opening_s) else opening_s + delay_s
    begins_s = min(closes_s + delay_s, lands_s)
    on_until_s = min(lands_s, opens_s)

    def lost(from_s: float, to_s: float) -> float:
        moved = belt.position(to_s) - belt.position(from_s)
        return moved - feeder.per_feed * (feed.command(to_s) - feed.command(from_s))

    target_mm = staging.nose_mm + feeder.inserts.card(staging.insert).slip_mm
    target_mm += what.insert_eye_to_placement_mm
    past_mm = feed.position(lands_s) - target_mm if lands_s <= closes_s else 0.0
    return Landing(
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
    landing: Landing,
) -> tuple[Part, ...]:
    """Return all parts of the placement error of a placed insert, those of nothing too.

    Their sum is the placement error.
    """
    speed = feeder.run.belt.speed(closing.first_s)
    ledger = Ledger(speed=speed, sign=1.0)
    _mark_parts(ledger, feeder, carrier, mark)
    _closing_parts(ledger, feeder, closing)
    _landing_parts(ledger, feeder, closing, landing)
    _slips(ledger, feeder, carrier, staging)
    _setting_parts(ledger, feeder, closing)
    return (*ledger.parts, *stage_parts(feeder, staging, correction_mm=closing.correction_mm))


def _mark_parts(ledger: Ledger, feeder: FeederSource, carrier: int, mark: Sighting) -> None:
    run, belt = feeder.run, feeder.run.belt
    eye, controller = run.machine.carrier_eye, run.machine.controller
    answers_s = mark.passes_s + mark.response_s
    at = belt.position
    ledger.travel(
        "carrier_eye_edge",
        "carrier eye edge",
        group="mark",
        cost_mm=at(mark.passes_s) - run.carriers[carrier].leading_edge_mm,
    )
    ledger.delay(
        "carrier_eye_response",
        "carrier eye response",
        group="mark",
        delay_s=mark.response_s,
        moved_mm=at(answers_s) - at(mark.passes_s),
        allowed_s=eye.response_s,
    )
    ledger.delay(
        "carrier_eye_held",
        "held back by its last switching",
        group="mark",
        delay_s=max(mark.output_s - answers_s, 0.0),
        moved_mm=at(max(mark.output_s, answers_s)) - at(answers_s),
        allowed_s=0.0,
    )
    filter_parts(ledger, "carrier_eye", eye, mark, at=at, group="mark")
    ledger.delay(
        "carrier_eye_scan",
        "carrier eye scan",
        group="mark",
        delay_s=mark.captured_s - mark.switches_s,
        moved_mm=at(mark.captured_s) - at(mark.switches_s),
        allowed_s=0.5 * controller.scan_s if eye.scanned else 0.0,
    )
    ledger.travel(
        "carrier_eye_count",
        "carrier eye count",
        group="mark",
        cost_mm=mark.reading_mm - at(mark.captured_s),
        allowed_mm=-0.5 * run.machine.encoder.count_mm * run.scale,
    )


def _closing_parts(ledger: Ledger, feeder: FeederSource, closing: Closing) -> None:
    cycle_s = feeder.run.machine.controller.motion_cycle_s
    for key, name, cost_mm in (
        ("engage_rounding", "engage point in whole counts", closing.rounded_mm - closing.travel_mm),
        ("late_mark", "mark known past its point", closing.known_mm - closing.point_mm),
        ("queued", "behind the mark before", closing.head_mm - closing.known_mm),
        ("feeder_wait", "waited for the feeder", closing.ready_mm - closing.head_mm),
    ):
        ledger.travel(key, name, group="mark", cost_mm=cost_mm)
    ledger.delay(
        "closing_tick",
        "closing tick",
        group="mark",
        delay_s=min(max(closing.closes_s - closing.due_s, 0.0), cycle_s),
        moved_mm=feeder.run.belt.position(closing.closes_s) - closing.ready_mm,
        allowed_s=0.5 * cycle_s,
    )


def _landing_parts(
    ledger: Ledger, feeder: FeederSource, closing: Closing, landing: Landing
) -> None:
    what, belt = feeder.machine, feeder.run.belt
    clutch, lag_s = what.clutch, following_time(what.servo)
    ledger.delay(
        "engage_delay",
        "command delay",
        group="run_up",
        delay_s=landing.begins_s - closing.closes_s,
        moved_mm=belt.position(landing.begins_s) - belt.position(closing.closes_s),
        allowed_s=what.servo.command_delay_s,
    )
    if clutch.travel_ramp:
        allowed_mm = 0.5 * clutch.ramp_in * feeder.run.scale
        cost = landing.ramp_loss_mm
        ledger.travel("ramp_in", "ramp-in", group="run_up", cost_mm=cost, allowed_mm=allowed_mm)
    else:
        ran_s = landing.ramp_ends_s - landing.begins_s
        ledger.delay(
            "ramp_in",
            "ramp-in",
            group="run_up",
            # ∫(1 − r) dt of a ramp of T that has run s: s − s²/(2T)
            delay_s=ran_s * (1.0 - 0.5 * ran_s / clutch.ramp_in) if clutch.ramp_in else 0.0,
            moved_mm=landing.ramp_loss_mm,
            allowed_s=0.5 * clutch.ramp_in,
        )
    ledger.travel(
        "opened_early",
        "clutch opened before the landing",
        group="run_up",
        cost_mm=landing.open_loss_mm,
    )
    # the lag's own allowance follows the speed at the landing, not that at the closing
    with_speed_mm = lag_s * (belt.speed(landing.lands_s) - ledger.speed)
    ledger.changed_mm += with_speed_mm
    ledger.travel(
        "lag",
        "servo lag",
        group="run_up",
        cost_mm=feeder.per_feed * landing.lag_mm - with_speed_mm,
        allowed_mm=lag_s * ledger.speed,
    )
    ledger.changing_speed("speed_change", "belt speed changed on the way", group="run_up")
    ledger.travel(
        "nose_past",
        "nose staged past the placement point",
        group="run_up",
        cost_mm=feeder.per_feed * landing.past_mm,
    )


def _slips(ledger: Ledger, feeder: FeederSource, carrier: int, staging: Staging) -> None:
    run, per_feed = feeder.run, feeder.per_feed
    ledger.travel(
        "insert_slip",
        "insert slip",
        group="run_up",
        cost_mm=per_feed * feeder.inserts.card(staging.insert).slip_mm,
        allowed_mm=per_feed * clipped_slip_mean(feeder.machine.inserts),
    )
    ledger.travel(
        "carrier_slip",
        "carrier slip",
        group="run_up",
        cost_mm=-run.carriers[carrier].slip_mm,
        allowed_mm=-run.machine.carriers.slip_mm,
    )


def _setting_parts(ledger: Ledger, feeder: FeederSource, closing: Closing) -> None:
    run, settings = feeder.run, feeder.machine.settings
    machine, lead = run.machine, settings.engage_lead_s
    way_mm = feeder.machine.eye_to_placement_mm + settings.target_offset_mm
    way_mm += machine.carriers.slip_mm
    terms, right = feeder.terms, feeder.right
    seen = run.scale * run.master.speed.at(closing.first_s)
    for key, name, cost_mm in (
        ("scale_error", "encoder scale error", machine.encoder.scale_error * way_mm),
        (
            "engage_unsettled",
            "engage distance, cycle as it runs",
            run.scale * (right.engage_distance_mm - terms.engage_distance_mm),
        ),
        (
            "engage_distance",
            "engage distance not the right one",
            run.scale * (settings.engage_distance_mm - right.engage_distance_mm),
        ),
        (
            "engage_lead",
            "engage lead off the sum of delays",
            -(lead - terms.engage_lead_s) * ledger.speed,
        ),
        ("engage_filter", "controller's speed off the belt's", lead * (ledger.speed - seen)),
    ):
        ledger.travel(key, name, group="settings", cost_mm=cost_mm)
