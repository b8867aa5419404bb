"""Warnings about place: stage, grip, gaps, where an insert lies on its carrier."""

from __future__ import annotations

from collections.abc import Iterator

from feedsim.answers.check.study.checked_feeder import SIGMAS, CheckedFeeder
from feedsim.machine import SAME_TRAVEL_MM
from feedsim.metrics.percent import percent
from feedsim.records.on_carrier import inside_mm
from feedsim.settings import spreads
from feedsim.settings.marks import share_merged
from feedsim.settings.mechanisms_unseen import merged_inserts
from feedsim.settings.sources import placement_spread

_EXAMPLE_WAY_MM = 120.0  # of the starter scenario, for which the defaults hold
_SAME_MM, _RARE = 1e-6, 1e-3


def stage(s: CheckedFeeder) -> Iterator[str]:
    """Warn of a staged nose at or near the nose limit."""
    staged = spreads.staged_nose(s.here)
    spread = staged.sd
    left = s.feeder.nose_limit_mm - staged.average
    if left < 0.0:
        yield (
            f"The staged nose is {s.say(-left)} beyond the nose limit on average: most inserts, "
            f"if not all, reach into the carriers' way."
        )
    elif left < SIGMAS * spread:
        yield (
            f"The staged nose is {s.say(left)} short of the nose limit, only "
            f"{left / spread:.1f} standard deviations of the stage position ({s.say(spread)})."
        )


def limits(s: CheckedFeeder) -> Iterator[str]:
    """Warn of a nose limit or a grip end that cannot be where the scenario puts it."""
    f = s.feeder
    for key, place in (("nose_limit", f.nose_limit_mm), ("grip_end", f.grip_end_mm)):
        given = key in s.scenario.feeder[s.number].model_fields_set
        way = f.insert_eye_to_placement_mm
        if place < way and not given and abs(way - _EXAMPLE_WAY_MM) > _SAME_MM:
            yield (
                f"{key} is not given: the default of {s.say(place)} is that of a feeder with "
                f"{s.say(_EXAMPLE_WAY_MM)} from insert eye to placement point, and this one has "
                f"{s.say(way)}. Measure it on the machine."
            )
        if place >= way:
            yield (
                f"{key} is {s.say(place)}{'' if given else ', the default'}, at or past the "
                f"placement point ({s.say(way)}): it protects "
                f"nothing there. Measure it on the machine."
            )


def tail(s: CheckedFeeder) -> Iterator[str]:
    """Warn of a placed tail at or near the grip end when the clutch opens."""
    there = spreads.tail_at_opening(s.here)
    tail, spread = there.average, there.sd
    margin = tail - s.feeder.grip_end_mm
    if margin < 0.0:
        yield (
            f"Tail held: when the clutch opens, the tail of the placed insert stands at "
            f"{s.say(tail)}, {s.say(-margin)} short of the grip end: the conveyor pulls on an "
            f"insert that the feeder still holds. Widen the gap, shorten the ramp-out, slow down, "
            f"or stage further, as far as the nose limit allows."
        )
    elif margin < SIGMAS * spread:
        yield (
            f"When the clutch opens, the tail of the placed insert is only {s.say(margin)} past "
            f"the grip end, {margin / spread:.1f} standard deviations ({s.say(spread)})."
        )


def landing(s: CheckedFeeder) -> Iterator[str]:
    """Warn of inserts that land when the feed is already slowing down."""
    nose = spreads.placed_nose_at_opening(s.here)
    past, spread = nose.average - s.feeder.insert_eye_to_placement_mm, nose.sd
    if past < SIGMAS * spread:
        where = f"only {s.say(past)} past" if past >= 0.0 else f"{s.say(-past)} short of"
        yield (
            f"When the clutch opens {s.at_speed}, the insert to be placed is {where} "
            f"the placement point on average (spread {s.say(spread)}): some land while the "
            f"feed slows down, or stop short. Widen the gap, shorten the ramp-out, or stage "
            f"further."
        )


def next_nose(s: CheckedFeeder) -> Iterator[str]:
    """Warn of a next insert that rests at or past its eye before the search begins."""
    nose = spreads.next_nose(s.here)
    behind, spread = -nose.average, nose.sd
    if behind < SIGMAS * spread or behind <= 0.0:
        yield (
            f"With an insert staged the next one's nose rests {s.say(abs(behind))} "
            f"{'before' if behind > 0.0 else 'past'} the insert eye (spread {s.say(spread)}): an "
            f"edge that has passed before the search begins is not seen, and strays. Stage nearer "
            f"to the eye, or widen the gap."
        )


def gaps(s: CheckedFeeder) -> Iterator[str]:
    """Warn of gaps that an eye may not see.

    An insert whose tail is past its eye at rest leaves it a whole cycle to switch off.
    """
    at, ins, c = s.here, s.feeder.inserts, s.machine.carriers
    rows = []
    staged = spreads.staged_nose(at)
    if staged.average - SIGMAS * staged.sd < ins.length_mm:
        slip = spreads.slips(at)
        left = spreads.gaps(at).plus(slip.times(-1.0))
        least = max(left.average - SIGMAS * left.sd, ins.min_gap_mm - slip.average)
        rows.append(("insert", at.eye, left.average, left.sd, least, at.feed_mm_s))
    eye, law = s.machine.carrier_eye, c.arrival
    if law.gap is not None:
        gap = c.pitch_mm - c.length_mm
        rows.append(("carrier", eye, gap, law.sd_mm, law.least_gap_mm(SIGMAS), s.speed))
    for name, eye, gap, sd, least, speed in rows:
        blind = speed * eye.off_response_s
        if least < blind:
            yield (
                f"The {name} eye may not see the gap between two {name}s: it needs {s.say(blind)} "
                f"to switch off {s.at_speed}, and gaps of {s.say(gap)} with a spread of "
                f"{s.say(sd)} can be as short. Cards would merge into one."
            )
    if law.gap is None:
        blind = s.speed * s.machine.carrier_eye.off_response_s
        share = law.share_of_gaps_below(blind, edge_sd_mm=0.0)
        if share > (0.0 if law.in_order else s.scenario.acceptance.missed):
            yield (
                f"{percent(share)} of the {'recorded' if law.in_order else 'hand-fed'} carriers "
                f"follow too closely for the carrier eye to switch off between them {s.at_speed}: "
                f"it needs {s.say(blind)}, and gaps come down to {s.say(law.min_gap_mm)}. They "
                f"merge into one."
            )


def merging(s: CheckedFeeder) -> Iterator[str]:
    """Say that cards merge at their eye, and that the others are a selection.

    Where the gap alone decides, placement does not depend on it.
    """
    eyes = [("insert", s.feeder.eye, merged_inserts(s.here))]
    if s.machine.carriers.arrival.in_step:
        eyes.append(("carrier", s.machine.carrier_eye, share_merged(s.here)))
    for name, eye, share in eyes:
        if share <= _RARE or not (eye.edge_sd_mm or eye.polled):
            continue
        lost = "edges that are seen early are lost, and the others spread less"
        if eye.polled:
            lost = "those whose gap falls between two scans are lost, and the others come later"
        yield (
            f"About {percent(share)} of the {name}s merge with the one before at their eye "
            f"{s.at_speed}: {lost}."
        )


def on_carrier(s: CheckedFeeder) -> Iterator[str]:
    """Warn of inserts that overhang an end of their carrier, on target or by spread."""
    settings, c = s.feeder.settings, s.machine.carriers
    target, fits = settings.target_offset_mm, c.room_mm(s.feeder.inserts)
    over, allowed = target - fits, s.scenario.limits.overhang
    sd = placement_spread(s.here).sd
    room = allowed + inside_mm(target, room_mm=fits)
    if 0.0 <= room < SIGMAS * sd:
        yield (
            f"On target the insert is {s.say(room)} from an end of the carrier, only "
            f"{room / sd:.1f} standard deviations of the placement ({s.say(sd)})."
        )
    if over > allowed + SAME_TRAVEL_MM:
        yield (
            f"On target the insert sticks out {s.say(over)} over the carrier's trailing edge; "
            f"{s.say(allowed)} is allowed."
        )


def speed_match(s: CheckedFeeder) -> Iterator[str]:
    """Warn of inserts that land at another speed than the belt's."""
    ratio = s.feeder.settings.speed_ratio / s.machine.encoder.scale
    limit = s.scenario.limits.speed_mismatch
    if abs(ratio - 1.0) > limit:
        yield (
            f"Inserts land {percent(abs(ratio - 1.0))} {'faster' if ratio > 1.0 else 'slower'} "
            f"than the belt; {percent(limit)} is allowed."
        )
