"""What a set-up sheet holds, as ``setup.json`` has it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Literal

from feedsim.answers.limit.study.closed import FeederLimit, RefusedSpeeds
from feedsim.machine import SIDES, SideName
from feedsim.metrics.machine_settings import DistancesAndLeads, MachineSettings
from feedsim.scenario import AS_WRITTEN, Scenario
from feedsim.settings.derivation import Term


@dataclass(frozen=True, slots=True)
class Right(DistancesAndLeads):
    """What ``"auto"`` would stand for; the keys are those of the settings."""

    engage_distance_mm: float
    engage_lead_ms: float
    disengage_distance_mm: float
    disengage_lead_ms: float
    engage_distance_counts: int | None
    disengage_distance_counts: int | None


@dataclass(frozen=True, slots=True)
class Reasons:
    """The terms whose sums the right settings are, in their units."""

    engage_distance_mm: tuple[Term, ...]
    engage_lead_ms: tuple[Term, ...]
    disengage_distance_mm: tuple[Term, ...]
    disengage_lead_ms: tuple[Term, ...]

    def side(self, name: SideName) -> tuple[tuple[Term, ...], tuple[Term, ...]]:
        """Return the terms of a side's distance, and of its lead."""
        if name == "engage":
            return self.engage_distance_mm, self.engage_lead_ms
        return self.disengage_distance_mm, self.disengage_lead_ms


@dataclass(frozen=True, slots=True)
class GoodFor:
    """What the settings do at one line speed.

    ``known_terms_mm``, ``scale_shift_mm``: of the mean of the placement: counts and ticks, the
    encoder's scale error.
    ``nose_margin_mm``, ``tail_margin_mm``, ``tail_sd_mm``: the staged nose short of its limit; the
    placed tail past the grip end at opening.
    ``cycle_s``, ``carrier_every_s``: A feed cycle, and the time between carriers.
    ``acceleration_mm_s2``, ``max_acceleration_mm_s2``: asked of the drive (infinity: a step), and
    its limit (infinity: none).
    ``to_run``: whether every speed up to this one is accepted in closed form.
    """

    line_speed_mm_s: float
    placement_mean_mm: float
    known_terms_mm: float
    scale_shift_mm: float
    placement_sd_mm: float
    stage_mean_mm: float
    stage_sd_mm: float
    nose_margin_mm: float
    tail_margin_mm: float
    tail_sd_mm: float
    cycle_s: float
    carrier_every_s: float
    acceleration_mm_s2: float
    max_acceleration_mm_s2: float
    to_run: bool


@dataclass(frozen=True, slots=True)
class TwoSpeedCorrection:
    """The correction if the mean B at the fast speed exceeds A at the slow one by a difference.

    ``standstill_less_a_mm``: mean at standstill, less A.
    """

    b_less_a_mm: float
    lead_ms: float
    standstill_less_a_mm: float


def corrected(b_less_a_mm: float, slow_mm_s: float, fast_mm_s: float) -> TwoSpeedCorrection:
    """Return the correction for a difference of the means A (slow) and B (fast).

    If the mean is linear in speed, it is A - (B - A)·slow/(fast - slow) at standstill and grows
    by (B - A)/(fast - slow).
    """
    more, apart = b_less_a_mm, fast_mm_s - slow_mm_s
    return TwoSpeedCorrection(more, 1e3 * more / apart, -more * slow_mm_s / apart)


@dataclass(frozen=True, slots=True)
class Adjusting:
    """How to turn means measured slow (A) and fast (B) into corrections."""

    slow_mm_s: float
    fast_mm_s: float
    speed_ratio: float
    table: tuple[TwoSpeedCorrection, ...]

    @property
    def factor(self) -> float:
        """Multiple of B - A to subtract from A for the value at standstill."""
        return -corrected(1.0, self.slow_mm_s, self.fast_mm_s).standstill_less_a_mm


@dataclass(frozen=True, slots=True)
class SheetSetting:
    """A distance (mm) or a lead (ms) to type in, beside the right one and its terms."""

    name: str
    kind: Literal["length", "time"]
    value: float
    right: float
    counts: int | None
    terms: tuple[Term, ...]
    typed: bool


@dataclass(frozen=True, slots=True)
class FeederSheet:
    """One feeder's sheet.

    ``settings``: in force.
    ``typed``: those that the scenario gives.
    ``good_for``: rising in speed.
    ``adjusting``: None where there are no two speeds to measure at.
    ``limits``: the lowest first.
    ``notes``, ``words``, ``warnings``: as ``check`` has them.
    """

    name: str
    settings: MachineSettings
    typed: tuple[str, ...]
    right: Right
    derivation: Reasons
    right_at_line_speed_only: bool
    good_for: tuple[GoodFor, ...]
    adjusting: Adjusting | None
    limits: tuple[FeederLimit, ...]
    notes: tuple[str, ...]
    words: tuple[str, ...]
    warnings: tuple[str, ...]

    @property
    def each(self) -> list[SheetSetting]:
        """The distances and leads in turn."""
        return [setting for side in SIDES for setting in self._side(side)]

    def _side(self, side: SideName) -> Iterator[SheetSetting]:
        have, right = self.settings.side(side), self.right.side(side)
        of_distance, of_lead = self.derivation.side(side)
        yield SheetSetting(
            name=f"{side.capitalize()} distance",
            kind="length",
            value=have.distance_mm,
            right=right.distance_mm,
            counts=have.distance_counts,
            terms=of_distance,
            typed=f"{side}_distance" in self.typed,
        )
        yield SheetSetting(
            name=f"{side.capitalize()} lead",
            kind="time",
            value=have.lead_ms,
            right=right.lead_ms,
            counts=None,
            terms=of_lead,
            typed=f"{side}_lead" in self.typed,
        )


@dataclass(frozen=True, slots=True, repr=False)
class SetUp:
    """A set-up sheet.

    ``count_mm``: belt travel of a count; None on a master without counts.
    ``highest_speed_mm_s``: up to this speed every speed is accepted, in closed form; None: no
    limit.
    ``production``: whether the line speed is fit for production.
    ``words``, ``warnings``: as ``check`` has them.
    """

    feedsim: str
    title: str
    scenario: Scenario = field(metadata=AS_WRITTEN)
    line_speed_mm_s: float
    count_mm: float | None
    highest_speed_mm_s: float | None
    production: bool
    closed_form_refused: tuple[RefusedSpeeds, ...]
    words: tuple[str, ...]
    warnings: tuple[str, ...]
    feeders: tuple[FeederSheet, ...]

    @property
    def all_warnings(self) -> list[str]:
        """Those of the line, and of each feeder."""
        return [*self.warnings, *(w for feeder in self.feeders for w in feeder.warnings)]
