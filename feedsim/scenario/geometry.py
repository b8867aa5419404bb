"""Whether the machine in a file can work at all.

The checks read the raw data key by key and skip faulty keys, so all faults are reported at once.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from feedsim.errors import Fault
from feedsim.machine import SAME_TRAVEL_MM
from feedsim.quantities import display
from feedsim.scenario.drive_checks import drive_faults
from feedsim.scenario.given import Given, KeyPath, mm
from feedsim.scenario.product_checks import product_faults
from feedsim.scenario.record_file import MOST_ROWS, PitchRecord
from feedsim.scenario.stopping import stopping_faults
from feedsim.scenario.tune_checks import tune_faults
from feedsim.scenario.wording import dotted, shown

_SAME_S = 1e-12
_LEAST_RATIO = 10


def geometry_faults(data: dict[str, Any]) -> list[Fault]:
    """Find combinations of valid keys of a whole scenario that cannot work."""
    given = Given(data)
    faults = [*_carriers(given), *_record(given), *_eye(given, ("carrier_eye",)), *_names(given)]
    for number in range(given.feeders):
        here = ("feeder", number)
        faults += [*_insert_path(given, here), *_target(given, here), *_eye(given, (*here, "eye"))]
        faults += [*_resolution(given, (*here, "settings", "resolution"))]
        faults += drive_faults(given, here)
    faults += [*product_faults(given), *stopping_faults(given)]
    return [*faults, *tune_faults(data, given)]


def _carriers(given: Given) -> Iterator[Fault]:
    names = ("pitch", "length", "min_gap", "arrival")
    pitch, length, min_gap, arrival = (given("carrier", name) for name in names)
    if None in (pitch, length, min_gap, arrival):
        return
    least = mm(length + min_gap)
    if pitch < length + min_gap - SAME_TRAVEL_MM:
        allowed = f"at least {least} (carrier.length and carrier.min_gap): carriers would overlap"
        yield given.fault(("carrier", "pitch"), allowed)
    elif arrival == "random" and pitch <= length + min_gap + SAME_TRAVEL_MM:
        allowed = (
            f"more than {least} (carrier.length and carrier.min_gap): carriers that arrive at "
            "random need room on average"
        )
        yield given.fault(("carrier", "pitch"), allowed)


def _record(given: Given) -> Iterator[Fault]:
    """Check that recorded carriers do not overlap, and that some come after the warm-up."""
    record = given("carrier", "record")
    if not record or given("carrier", "arrival") != "recorded":
        return
    length, warm_up = given("carrier", "length"), given("run", "warm_up")
    if length is not None:
        yield from _overlaps(given.raw("carrier", "record"), record, length)
    ends = given("carrier", "after_record") == "end"
    if ends and warm_up is not None and warm_up >= len(record):
        allowed = (
            f"less than {len(record)}: after {len(record)} carriers the record ends, and the run "
            'with it (carrier.after_record is "end")'
        )
        yield given.fault(("run", "warm_up"), allowed)


def _overlaps(raw: Any, record: Sequence[float], length: float) -> Iterator[Fault]:
    """Report pitches shorter than a carrier, the first few one by one."""
    short = [place for place, pitch in enumerate(record) if pitch < length - SAME_TRAVEL_MM]
    needs = f"at least {mm(length)} (carrier.length): carriers would overlap"
    for place in short[:MOST_ROWS]:
        if isinstance(raw, PitchRecord):
            said = f"a pitch of {mm(record[place])}; needs {needs}"
            yield Fault("carrier.record", message=f"{raw.row(place)}: {said}")
        else:
            yield Fault(dotted(("carrier", "record", place)), shown(raw[place]), needs)
    if len(short) > MOST_ROWS:
        yield Fault("carrier.record", message=f"and {len(short) - MOST_ROWS} more such pitches")


def _eye(given: Given, here: KeyPath) -> Iterator[Fault]:
    response, jitter = given(*here, "response"), given(*here, "response_jitter")
    if None not in (response, jitter) and jitter > response + _SAME_S:
        allowed = (
            f"at most the response, {display(response, 'time')}: the eye would switch before "
            "the edge comes"
        )
        yield given.fault((*here, "response_jitter"), allowed)


def _names(given: Given) -> Iterator[Fault]:
    first: dict[str, int] = {}
    for number in range(given.feeders):
        name = given("feeder", number, "name")
        if name is not None and first.setdefault(name, number) != number:
            allowed = f"a name of its own: feeder.{first[name]} has this one"
            yield given.fault(("feeder", number, "name"), allowed)


def _insert_path(given: Given, here: KeyPath) -> Iterator[Fault]:
    """Check the insert path from the insert eye to the placement point."""
    to_placement = given(*here, "insert_eye_to_placement")
    stage = given(*here, "settings", "stage_position")
    length, gap = given(*here, "insert", "length"), given(*here, "insert", "gap")
    min_gap = given(*here, "insert", "min_gap")
    if None not in (gap, min_gap) and gap < min_gap - SAME_TRAVEL_MM:
        yield given.fault((*here, "insert", "gap"), f"at least insert.min_gap, {mm(min_gap)}")
    if None not in (stage, to_placement) and not 0.0 < stage < to_placement:
        allowed = (
            "a place between the insert eye and the placement point: more than 0 mm and less "
            f"than insert_eye_to_placement, {mm(to_placement)}"
        )
        yield given.fault((*here, "settings", "stage_position"), allowed)
    if None in (stage, length, gap):
        return
    if stage >= length + gap - SAME_TRAVEL_MM:
        allowed = (
            f"less than {mm(length + gap)} (insert.length and insert.gap): the next insert "
            "would be past the insert eye before this one is staged"
        )
        yield given.fault((*here, "settings", "stage_position"), allowed)
    reach = stage + length + gap
    if to_placement is not None and reach <= to_placement + SAME_TRAVEL_MM:
        allowed = (
            f"less than {mm(reach)} (stage_position, insert.length and insert.gap): the feeder "
            "would stop with an insert short of the placement point and push two at once"
        )
        yield given.fault((*here, "insert_eye_to_placement"), allowed)


def _target(given: Given, here: KeyPath) -> Iterator[Fault]:
    offset, length = given(*here, "settings", "target_offset"), given("carrier", "length")
    if None not in (offset, length) and offset >= length:
        allowed = f"less than carrier.length, {mm(length)}: the insert would miss the carrier"
        yield given.fault((*here, "settings", "target_offset"), allowed)


def _resolution(given: Given, here: KeyPath) -> Iterator[Fault]:
    """Check that distances have one step, and that a fraction can approximate any ratio."""
    length, counts = given(*here, "distance"), given(*here, "distance_counts")
    ratio = given(*here, "ratio")
    if length and counts:
        allowed = f"0 beside resolution.distance, {mm(length)}: give one of the two"
        yield given.fault((*here, "distance_counts"), allowed)
    if ratio is not None and 0 < ratio < _LEAST_RATIO:
        yield given.fault((*here, "ratio"), f"0, or {_LEAST_RATIO} or more")
