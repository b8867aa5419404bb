"""From the lines of a trial to the settings to type in.

The placement error of a belt speed v is a + b·v, the stage is off by c + d·v. With
ΔE, ΔU what distances and leads are changed by (feedsim/MODEL.md, section 13)::

    stage      moves by  g·(ΔU − ΔLu·v/(1+ε))
    placement  moves by  (1+ε)·(ΔE − ΔU) − (ΔLe − ΔLu)·v       without stage correction
                         (1+ε)·ΔE − ΔLe·v                      with it

so ΔU = −c/g and ΔLu = d·(1+ε)/g put the stage right; that makes every insert later by
(1+ε)·(c + d·v)/g, since it starts from further back; and ΔE, ΔLe take out that and a + b·v.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import partial
from typing import NamedTuple

import numpy as np

from feedsim.answers.trial.study.data import TrialData
from feedsim.answers.trial.study.line import (
    Estimate,
    Fitted,
    SpeedLine,
    fitted_line,
    joined,
    line_of,
)
from feedsim.arrays import Bools, Floats
from feedsim.machine import Machine, Resolution, Settings
from feedsim.metrics.plain import LEFT_OUT
from feedsim.settings.steps import nearest_pair, nearest_step


@dataclass(frozen=True, slots=True)
class Correction:
    """What to add to a distance and a lead.

    ``lead_s``: None if there was only one speed. ``applied``: whether the side is surely off; if
    not it is better left alone, since chasing noise adds to it.
    """

    distance_mm: Estimate
    lead_s: Estimate | None
    applied: bool


@dataclass(frozen=True, slots=True)
class Corrections:
    """What a trial says about one feeder.

    ``placement``, ``stage``: as measured, error and stage position less stage target; None if too
    little was. ``remaining``: the placement error once the stage is corrected; None if it is not.
    The fits are those behind the lines.
    """

    placement: SpeedLine | None
    stage: SpeedLine | None
    remaining: SpeedLine | None
    engage: Correction | None
    disengage: Correction | None
    placement_fit: Fitted | None = field(metadata=LEFT_OUT)
    stage_fit: Fitted | None = field(metadata=LEFT_OUT)

    def moved(
        self, machine: Machine, number: int, speeds_mm_s: Floats, *, exact: bool = False
    ) -> Floats:
        """Return how far the corrections move the placement (mm), shape of the speeds.

        ``exact``: as if the controller had no steps.
        """
        old, engage, _ = self._added(machine, number, speeds_mm_s, exact=exact)
        scale = machine.encoder.scale
        if not old.stage_correction:
            stage = self.moved_stage(machine, number, speeds_mm_s, exact=exact)
            engage = engage - stage / old.speed_ratio
        return np.asarray(scale * engage, dtype=np.float64)

    def moved_stage(
        self, machine: Machine, number: int, speeds_mm_s: Floats, *, exact: bool = False
    ) -> Floats:
        """Return how far the corrections move the stage (mm), shape of the speeds."""
        old, _, disengage = self._added(machine, number, speeds_mm_s, exact=exact)
        return np.asarray(old.speed_ratio * disengage, dtype=np.float64)

    def _added(
        self, machine: Machine, number: int, speeds_mm_s: Floats, *, exact: bool
    ) -> tuple[Settings, Floats, Floats]:
        """Return the old settings, and what is added to E and U (counted travel)."""
        old = machine.feeders[number].settings
        new = exact_settings_with(self, old) if exact else settings_with(self, machine, number)
        counted = speeds_mm_s / machine.encoder.scale
        engage, disengage = (
            (after.distance_mm - before.distance_mm) - (after.lead_s - before.lead_s) * counted
            for before, after in zip(_sides(old), _sides(new), strict=True)
        )
        return old, engage, disengage


def corrections(
    data: TrialData, rows: Bools, machine: Machine, number: int, *, confidence: float
) -> Corrections:
    """Compute the corrections from one feeder's rows that count (bool array, shape (n,)).

    ``machine``: with the settings of the trial. ``confidence``: two-sided, of every interval; a
    side is changed if the probability of no error at all is below 1 − confidence.
    """
    settings, scale = machine.feeders[number].settings, machine.encoder.scale
    g, off_stage = settings.speed_ratio, data.stage_mm - settings.stage_position_mm
    placement = _fit(data, rows, data.error_mm, confidence=confidence)
    stage = _fit(data, rows, off_stage, confidence=confidence)
    disengage = remaining = engage = None
    stage_line = stage.line(confidence) if stage else None
    if stage_line is not None:
        disengage = _correction(stage_line, -1.0 / g, scale / g, confidence=confidence)
    line = placement_line = placement.line(confidence) if placement else None
    couple = disengage is not None and disengage.applied and not settings.stage_correction
    if placement is not None and stage is not None and couple:
        values, covariance, dof = joined(placement, stage, factor=scale / g)
        one_speed = placement.one_speed and stage.one_speed
        remaining = line_of(values, covariance, dof, confidence=confidence, one_speed=one_speed)
        line = remaining
    if line is not None:
        engage = _correction(line, -1.0 / scale, 1.0, confidence=confidence)
    elif disengage is not None:
        # moving the stage would move an unknown placement
        disengage = replace(disengage, applied=False)
    return Corrections(
        placement=placement_line,
        stage=stage_line,
        remaining=remaining,
        engage=engage,
        disengage=disengage,
        placement_fit=placement,
        stage_fit=stage,
    )


def _fit(data: TrialData, rows: Bools, values: Floats, *, confidence: float) -> Fitted | None:
    place = np.flatnonzero(rows & ~np.isnan(values))
    return fitted_line(values[place], data.speed_mm_s[place], place, confidence=confidence)


def _correction(line: SpeedLine, distance: float, lead: float, *, confidence: float) -> Correction:
    """Turn a line into what to add, by the factors of its two figures."""
    return Correction(
        distance_mm=_times(line.at_standstill_mm, distance),
        lead_s=None if line.per_speed_s is None else _times(line.per_speed_s, lead),
        applied=line.by_chance < 1.0 - confidence,
    )


def _times(estimate: Estimate, factor: float) -> Estimate:
    low, high = sorted((factor * estimate.low, factor * estimate.high))
    return Estimate(factor * estimate.value, low, high)


def settings_with(found: Corrections, machine: Machine, number: int) -> Settings:
    """Return a feeder's settings with the sure corrections, on the controller's steps.

    If the engage distance is corrected too, it makes up for the steps' error of the stage.
    """
    old = machine.feeders[number].settings
    engage, disengage = _sides(exact_settings_with(found, old))
    was_engage, was_disengage = _sides(old)
    counted = machine.line.speed_mm_s / machine.encoder.scale
    on_steps = partial(_on_steps, steps=old.resolution, counted_mm_s=counted)
    opens = on_steps(disengage, was_disengage)
    staged_later = (opens.distance_mm - disengage.distance_mm) - counted * (
        opens.lead_s - disengage.lead_s
    )
    if found.engage is not None and found.engage.applied and not old.stage_correction:
        engage = engage._replace(distance_mm=engage.distance_mm + staged_later)
    return _with(old, on_steps(engage, was_engage), opens)


class _Side(NamedTuple):
    distance_mm: float
    lead_s: float


def _sides(settings: Settings) -> tuple[_Side, _Side]:
    """Return distance and lead of the engage side and of the disengage side."""
    return (
        _Side(float(settings.engage_distance_mm), float(settings.engage_lead_s)),
        _Side(float(settings.disengage_distance_mm), float(settings.disengage_lead_s)),
    )


def _with(old: Settings, engage: _Side, disengage: _Side) -> Settings:
    return replace(
        old,
        engage_distance_mm=engage.distance_mm,
        engage_lead_s=engage.lead_s,
        disengage_distance_mm=disengage.distance_mm,
        disengage_lead_s=disengage.lead_s,
    )


def _on_steps(wanted: _Side, before: _Side, *, steps: Resolution, counted_mm_s: float) -> _Side:
    """Return a side on the controller's steps; what is unchanged stays."""
    if wanted.lead_s != before.lead_s:
        return _Side(*nearest_pair(*wanted, steps, counted_mm_s=counted_mm_s))
    if wanted.distance_mm != before.distance_mm:
        return wanted._replace(distance_mm=nearest_step(wanted.distance_mm, steps.distance_mm))
    return wanted


def exact_settings_with(found: Corrections, old: Settings) -> Settings:
    """Return the settings with the sure corrections, as if a controller had no steps."""
    (distance, lead), (far, early) = _added(found.engage), _added(found.disengage)
    engage = _Side(old.engage_distance_mm + distance, old.engage_lead_s + lead)
    return _with(old, engage, _Side(old.disengage_distance_mm + far, old.disengage_lead_s + early))


def _added(correction: Correction | None) -> tuple[float, float]:
    if correction is None or not correction.applied:
        return 0.0, 0.0
    lead = correction.lead_s
    return correction.distance_mm.value, 0.0 if lead is None else lead.value
