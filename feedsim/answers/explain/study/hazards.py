"""The hazards of one feed cycle: how near each came and why."""

from __future__ import annotations

import math

from feedsim.answers.explain.study.record import HazardMargin
from feedsim.answers.explain.study.source import FeederSource
from feedsim.answers.explain.study.stage import staged_in
from feedsim.answers.explain.study.words import Say, ranged
from feedsim.arrays import Bools, Floats, Ints
from feedsim.metrics.cycle_hazards import HAZARDS, CycleHazard, HazardName, any_of, cycle_hazards
from feedsim.metrics.percent import percent
from feedsim.quantities import listed, noun_for
from feedsim.records.columns import Small


def hazards_of(feeder: FeederSource, carrier: int, say: Say) -> tuple[HazardMargin, ...]:
    """Return the hazards of a carrier's feed cycle, as :mod:`feedsim.metrics.cycle_hazards` does.

    Empty where the clutch did not close for it.
    """
    if feeder.rows.insert[carrier] < 0:
        return ()
    found = _cycles(feeder, slice(carrier, carrier + 1))
    words = _Words(feeder, carrier, say)
    margins = []
    for name, hazard in found.items():
        seen, margin = bool(hazard.there[0]), float(hazard.margin[0])
        shown, told = margin if math.isfinite(margin) else None, words.told(name, seen=seen)
        margins.append(HazardMargin(name, seen, shown, HAZARDS[name], told))
    return tuple(margins)


def at_risk(feeder: FeederSource) -> Bools:
    """Return for each carrier whether its feed cycle had a hazard."""
    return any_of(_cycles(feeder, slice(0, len(feeder.rows.insert))).values())


def _cycles(feeder: FeederSource, rows: slice) -> dict[HazardName, CycleHazard]:
    run = feeder.run
    found = cycle_hazards(
        feeder.rows,
        rows,
        machine=feeder.machine,
        room_mm=run.machine.carriers.room_mm(feeder.machine.inserts),
        criteria=run.criteria,
        resolution_mm=run.resolution_mm,
    )
    return {hazard.name: hazard for hazard in found}


class _Words:
    """What each hazard means in one cycle."""

    def __init__(self, feeder: FeederSource, carrier: int, say: Say) -> None:
        self._feeder, self._carrier, self._say = feeder, carrier, say
        self._rows = feeder.rows

    def told(self, name: HazardName, *, seen: bool) -> str:
        """Return the words for one hazard."""
        return {
            "nose_strike": self.nose_strike,
            "tail_held": self.tail_held,
            "speed_mismatch": self.speed_mismatch,
            "off_carrier": self.off_carrier,
            "stray_insert": self.stray_insert,
            "double": self.double,
            "drive_overload": self.drive_overload,
        }[name](seen=seen)

    def _here(self, column: Floats | Ints | Small) -> float:
        return float(column[self._carrier])

    def nose_strike(self, *, seen: bool) -> str:
        say, limit = self._say, self._feeder.machine.nose_limit_mm
        position = self._here(self._rows.stage_position_mm)
        words = f"the staged nose rested at {say.mm(position)}; beyond {say.mm(limit)} it "
        words += "reaches into the carriers' way"
        return f"{words}: carriers before this one could have struck it" if seen else words

    def tail_held(self, *, seen: bool) -> str:
        say, tail_mm = self._say, self._here(self._rows.tail_mm)
        if math.isnan(tail_mm):
            return "the clutch did not open in this cycle"
        words = f"when the clutch opened, the tail of the placed insert was at {say.mm(tail_mm)}; "
        words += f"the feeder holds it up to {say.mm(self._feeder.machine.grip_end_mm)}"
        return f"{words}. {self._why_held(tail_mm)}" if seen else words

    def _why_held(self, tail_mm: float) -> str:
        """Break the tail's position down: gap − slip + how far the next nose had come."""
        say, feeder = self._say, self._feeder
        pulls = "So the carrier pulled on an insert that the feeder still held."
        number, staged = int(self._here(self._rows.insert)), staged_in(feeder, self._carrier)
        if staged is None:
            return pulls
        card = feeder.inserts.draw(number)
        gap_mm = staged.nose_mm - feeder.inserts.nose_mm(number) - card.length_mm
        next_mm = tail_mm - gap_mm + card.slip_mm
        nominal = say.mm(feeder.machine.inserts.gap_mm)
        return (
            f"{pulls} Behind it came a gap of {say.mm(gap_mm)} (nominal {nominal}), and the next "
            f"nose was {say.mm(next_mm)} past the insert eye when the clutch opened"
        )

    def speed_mismatch(self, *, seen: bool) -> str:
        say, lands_s = self._say, self._here(self._rows.placement_time_s)
        if math.isnan(lands_s):
            return "the insert has not landed"
        nose, belt = self._here(self._rows.nose_speed_mm_s), self._here(self._rows.belt_speed_mm_s)
        words = f"at the landing the nose moved at {say.speed(nose)}, the belt at {say.speed(belt)}"
        if not seen:
            return words
        words += f"; more than {percent(self._feeder.run.criteria.speed_mismatch)} apart"
        return f"{words}: {self._why_apart(lands_s)}"

    def _why_apart(self, lands_s: float) -> str:
        machine = self._feeder.machine
        begins_s = self._here(self._rows.engage_time_s) + machine.servo.command_delay_s
        if lands_s <= begins_s:
            return "the insert lay on the carrier before the feed moved"
        if lands_s > self._here(self._rows.opening_time_s) + machine.servo.command_delay_s:
            return "the clutch had opened before the landing"
        if self._feeder.ramp_end(begins_s) > lands_s:
            return "the ramp-in was not over at the landing"
        return "the servo lag had not settled, or the speed ratio is off 1"

    def off_carrier(self, *, seen: bool) -> str:
        say, offset = self._say, self._here(self._rows.offset_mm)
        if math.isnan(offset):
            return "the insert has not landed"
        end = offset + self._feeder.machine.inserts.length_mm
        length = self._feeder.run.machine.carriers.length_mm
        words = f"the insert lies from {say.mm(offset)} to {say.mm(end)} on a carrier of "
        words += say.mm(length)
        if not seen:
            return words
        over = max(-offset, end - length)
        allowed = say.mm(self._feeder.run.criteria.overhang_mm)
        return f"{words}: it overhangs by {say.mm(over)}; {allowed} is allowed"

    def stray_insert(self, *, seen: bool) -> str:
        return stray_words(self._feeder, self._carrier) if seen else "no insert was a stray"

    def double(self, *, seen: bool) -> str:
        called = bool(self._here(self._rows.called_double))
        if seen:
            check = "found it" if called else "did not find it"
            return f"two inserts were drawn as one; the double check {check}"
        return "a single insert" + (", which the double check called a double" if called else "")

    def drive_overload(self, *, seen: bool) -> str:
        say, machine = self._say, self._feeder.machine
        demand = self._here(self._rows.demanded_acceleration_mm_s2)
        asked = "an infinite acceleration (a step)" if math.isinf(demand) else None
        words = f"the ramps ask for {asked or say.acceleration(demand)}"
        limit = machine.servo.max_acceleration_mm_s2
        words += ", too much" if seen else ""
        if math.isinf(limit):
            return f"{words}; the drive has no limit"
        return f"{words}; the drive can give {say.acceleration(limit)}"


def _too_short(feeder: FeederSource, carrier: int) -> dict[int, str]:
    """Return what hid each insert whose level was too short to be seen."""
    events = feeder.run.events_of(carrier, feeder.part("insert_eye"))
    counted = {event.insert for event in events if event.event == "input_on"}
    short = [event.insert for event in events if event.event == "too_short"]
    return {insert: "scan" if insert in counted else "input filter" for insert in short}


def stray_words(feeder: FeederSource, carrier: int) -> str:
    """Say which inserts passed the eye as strays in a carrier's feed cycle, and why."""
    closes_s = float(feeder.rows.engage_time_s[carrier])
    limit_mm = feeder.feed.position(closes_s) + feeder.run.machine.controller.search_limit_mm
    told: dict[str, list[int]] = {}
    too_short = _too_short(feeder, carrier)
    for event in feeder.run.events(carrier, feeder.part("insert_eye"), "stray"):
        card, edge_mm = feeder.inserts.draw(event.insert), feeder.inserts.seen_edge_mm(event.insert)
        switches_s = feeder.feed.time_at(edge_mm) + card.eye_delay_s
        if card.missed:
            why = "the eye did not see"
        elif event.insert in too_short:
            why = f"passed too fast for the eye's {too_short[event.insert]}"
        elif switches_s < closes_s:
            why = "switched the eye while no search was on"
        elif feeder.feed.position(switches_s) > limit_mm:
            why = "switched the eye only past the search limit"
        else:
            why = "came while the eye's output was still on from the insert before"
            if feeder.machine.eye.polled or feeder.machine.eye.filter_s:
                why = "came too close behind the insert before for the eye, its filter or its scan"
        told.setdefault(why, []).append(event.insert)
    parts = []
    for why, inserts in told.items():
        number = f"{noun_for(len(inserts), 'insert')} {ranged(inserts)}"
        parts.append(f"{why} {number}" if why.endswith("see") else f"{number} {why}")
    return f"{listed(parts)}, so the search went on for the next one"
