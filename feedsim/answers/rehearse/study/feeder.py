"""One feeder of a scene: its geometry, its motion, and what it did for each carrier."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from feedsim.answers.explain.study.record import PARTS
from feedsim.answers.explain.study.run import source_of
from feedsim.answers.explain.study.story import story_of
from feedsim.answers.rehearse.study.columns import BYTES, DOUBLES, SINGLES, WHOLES, columns
from feedsim.answers.rehearse.study.parts import (
    FeedMoves,
    InsertColumns,
    ProgramInput,
    feed_plain,
    in_stretch,
    inserts_shown,
    intervals_plain,
    program_input,
)
from feedsim.answers.rehearse.study.stretch import Excerpt
from feedsim.arrays import Bools, Floats
from feedsim.machine import Feeder
from feedsim.metrics.cycle_hazards import CycleHazard
from feedsim.metrics.plain import AMONG, IF_ANY, Plain
from feedsim.quantities import System
from feedsim.records.columns import Small
from feedsim.records.outcome import Outcome
from feedsim.running.replay.eyes import OnInterval
from feedsim.running.replay.inserts import insert_eye_runs, inserts_of

MOST_STORIES = 1000
"""Above this many, only carriers missed or out of tolerance have their stories."""

_NOTHING_MM = 5e-4  # a part whose error never exceeds this is left out


@dataclass(frozen=True, slots=True)
class ErrorParts:
    """What made the placement errors of placed inserts.

    ``names``: in the order in which they arise. ``carriers``: rising. ``error_mm``: one for each
    carrier and name.
    """

    names: tuple[str, ...]
    carriers: tuple[int, ...] = field(metadata=WHOLES)
    error_mm: tuple[float, ...] = field(metadata=SINGLES)


@dataclass(frozen=True, slots=True)
class Stories:
    """Why carriers ended as they did at one feeder: sentences, by the carrier's number."""

    reasons: dict[int, tuple[str, ...]]
    parts: ErrorParts


def stories_shown(stretch: Excerpt, feeder: int, *, units: System, outside: Bools) -> Stories:
    """Return the stories of carriers at one feeder.

    All chosen carriers have one, unless that makes more than :data:`MOST_STORIES` over all
    feeders: then only those missed or out of tolerance (`outside`).
    """
    source = source_of(stretch.scenario, stretch.records, stretch.trace)
    stories = [
        story_of(source, carrier, feeder=feeder, units=units)
        for carrier in _told(stretch, feeder, outside)
    ]
    placed = [story for story in stories if story.parts]
    errors = [{part.key: part.error_mm for part in story.parts} for story in placed]
    matters = {key for one in errors for key, mm in one.items() if abs(mm) > _NOTHING_MM}
    names = {key: name for key, name in _names().items() if key in matters}
    parts = ErrorParts(
        names=tuple(names.values()),
        carriers=tuple(story.carrier for story in placed),
        error_mm=tuple(one.get(key, 0.0) for one in errors for key in names),
    )
    return Stories({story.carrier: story.reason for story in stories}, parts)


def _names() -> dict[str, str]:
    """Return every part's name by its key; of two equal names the stage's is marked."""
    often = Counter(name for group in PARTS.values() for name in group.values())
    return {
        key: f"stage: {name}" if group == "stage" and often[name] > 1 else name
        for group, parts in PARTS.items()
        for key, name in parts.items()
    }


def _told(stretch: Excerpt, feeder: int, outside: Bools) -> Iterator[int]:
    every = len(stretch.carriers) * len(stretch.machine.feeders) <= MOST_STORIES
    outcomes = stretch.records.feeders[feeder].outcome
    for carrier in stretch.carriers:
        if every or outcomes[carrier] != Outcome.PLACED or outside[carrier]:
            yield carrier


@dataclass(frozen=True, slots=True)
class FeederGeometry:
    """Places along belt and insert path, and what the settings say (mm)."""

    eye_to_placement_mm: float
    insert_eye_to_placement_mm: float
    grip_end_mm: float
    nose_limit_mm: float
    insert_length_mm: float
    insert_pitch_mm: float
    stage_position_mm: float
    target_offset_mm: float


def _flags(there: dict[str, Bools]) -> dict[str, Plain]:
    return columns(there, "u1")


@dataclass(frozen=True, slots=True, eq=False)
class FeederRows:
    """What a feeder did for each carrier that comes into the picture, as in ``FeederRecords``.

    ``missed_s``: when it was given up, NaN if it was not. ``outside``: its insert lies out of
    tolerance. ``margins``, ``hazards``: how far from each hazard, and whether there, by its name.
    """

    outcome: Small = field(metadata=BYTES)
    insert: NDArray[np.int64] = field(metadata=WHOLES)
    missed_s: Floats = field(metadata=DOUBLES)
    outside: Bools = field(metadata=BYTES)
    engage_time_s: Floats = field(metadata=DOUBLES)
    stage_position_mm: Floats = field(metadata=DOUBLES)
    placement_time_s: Floats = field(metadata=DOUBLES)
    placement_error_mm: Floats = field(metadata=DOUBLES)
    opening_time_s: Floats = field(metadata=DOUBLES)
    tail_mm: Floats = field(metadata=DOUBLES)
    double: Small = field(metadata=BYTES)
    late_engage: Small = field(metadata=BYTES)
    late_opening: Small = field(metadata=BYTES)
    margins: dict[str, Floats] = field(metadata={"plain": columns})
    hazards: dict[str, Bools] = field(metadata={"plain": _flags})


@dataclass(frozen=True, slots=True)
class Before:
    """What became of the carriers before those in the picture.

    ``outcomes``: how many of each. ``cycles``: how many had one, ``at_risk``: with a hazard.
    """

    outcomes: tuple[int, ...]
    cycles: int
    at_risk: int
    error_sum_mm: float
    error_square_sum_mm2: float


@dataclass(frozen=True, slots=True)
class SceneFeeder:
    """A feeder of a scene. ``insert_input``: None if the program sees the eye's output itself."""

    name: str
    geometry: FeederGeometry
    feed: FeedMoves = field(metadata={"plain": feed_plain})
    inserts: InsertColumns
    insert_eye: tuple[OnInterval, ...] = field(metadata={"plain": intervals_plain})
    insert_input: ProgramInput | None = field(metadata=IF_ANY)
    rows: FeederRows
    before: Before
    stories: Stories = field(metadata=AMONG)


def feeder_shown(
    stretch: Excerpt,
    number: int,
    *,
    units: System,
    missed_s: Floats,
    hazards: Sequence[CycleHazard],
    outside: Bools,
) -> SceneFeeder:
    """Return one feeder of a stretch, lengths in sentences in some units.

    ``missed_s``, ``hazards``, ``outside``: of all carriers of the run, as in :class:`FeederRows`.
    """
    machine, feed = stretch.machine.feeders[number], stretch.feeds[number]
    inserts = inserts_of(stretch, number, draws=stretch.draws, feed=feed, until_s=stretch.to_s)
    runs = insert_eye_runs(stretch.machine, number, inserts, feed)
    pieces = (piece for piece, _ in feed.pieces(stretch.from_s, stretch.to_s))
    return SceneFeeder(
        name=stretch.scenario.feeder[number].name,
        geometry=_geometry(machine),
        feed=FeedMoves(machine.servo.loop_gain_per_s, tuple(pieces)),
        inserts=inserts_shown(inserts, stretch, number),
        insert_eye=in_stretch(runs, stretch),
        insert_input=program_input(stretch, machine.eye, runs),
        rows=_rows(stretch, number, missed_s=missed_s, hazards=hazards, outside=outside),
        before=_before(stretch, number, hazards),
        stories=stories_shown(stretch, number, units=units, outside=outside),
    )


def _geometry(feeder: Feeder) -> FeederGeometry:
    return FeederGeometry(
        eye_to_placement_mm=feeder.eye_to_placement_mm,
        insert_eye_to_placement_mm=feeder.insert_eye_to_placement_mm,
        grip_end_mm=feeder.grip_end_mm,
        nose_limit_mm=feeder.nose_limit_mm,
        insert_length_mm=feeder.inserts.length_mm,
        insert_pitch_mm=feeder.inserts.pitch_mm,
        stage_position_mm=feeder.settings.stage_position_mm,
        target_offset_mm=feeder.settings.target_offset_mm,
    )


def _rows(
    stretch: Excerpt,
    number: int,
    *,
    missed_s: Floats,
    hazards: Sequence[CycleHazard],
    outside: Bools,
) -> FeederRows:
    rows = stretch.records.feeders[number]
    here = slice(stretch.carriers.start, stretch.carriers.stop)
    return FeederRows(
        outcome=rows.outcome[here],
        insert=rows.insert[here],
        missed_s=missed_s[here],
        outside=outside[here],
        engage_time_s=rows.engage_time_s[here],
        stage_position_mm=rows.stage_position_mm[here],
        placement_time_s=rows.placement_time_s[here],
        placement_error_mm=rows.placement_error_mm[here],
        opening_time_s=rows.opening_time_s[here],
        tail_mm=rows.tail_mm[here],
        double=rows.double[here],
        late_engage=rows.late_engage[here],
        late_opening=rows.late_opening[here],
        margins={hazard.name: hazard.margin[here] for hazard in hazards},
        hazards={hazard.name: hazard.there[here] for hazard in hazards},
    )


def _before(stretch: Excerpt, number: int, hazards: Sequence[CycleHazard]) -> Before:
    before = stretch.carriers.start
    rows = stretch.records.feeders[number]
    outcomes = np.bincount(rows.outcome[:before], minlength=len(Outcome))
    at_risk = np.zeros(before, dtype=np.bool_)
    for hazard in hazards:
        at_risk |= hazard.there[:before]
    errors = rows.placement_error_mm[:before][rows.outcome[:before] == Outcome.PLACED]
    return Before(
        outcomes=tuple(outcomes.tolist()),
        cycles=int(np.count_nonzero(rows.insert[:before] >= 0)),
        at_risk=int(np.count_nonzero(at_risk)),
        error_sum_mm=float(errors.sum()),
        error_square_sum_mm2=float((errors * errors).sum()),
    )
