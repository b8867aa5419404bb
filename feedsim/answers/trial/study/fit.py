"""Results of a trial on the line: settings to type in, spreads, misses, outliers."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import partial

import numpy as np

from feedsim import __version__
from feedsim.answers.trial.study.causes import Cause, causes
from feedsim.answers.trial.study.correction import Corrections, corrections, settings_with
from feedsim.answers.trial.study.data import UNKNOWN, TrialData
from feedsim.answers.trial.study.dependence import Dependence
from feedsim.answers.trial.study.expected import SpreadParts, expected_at, spread_parts
from feedsim.answers.trial.study.line import Estimate, Fitted, process_of, speed_groups
from feedsim.answers.trial.study.missed import MissedInTrial, in_order_of, missed_of
from feedsim.answers.trial.study.outliers import Outlier, outliers_of
from feedsim.answers.trial.study.speeds import AtSpeed, at_speeds
from feedsim.answers.trial.study.spread import Split, chance_of_parts
from feedsim.arrays import Places
from feedsim.machine import Machine, Settings
from feedsim.metrics.intervals import Interval
from feedsim.metrics.machine_settings import MachineSettings, machine_settings, typed
from feedsim.metrics.plain import AMONG, LEFT_OUT
from feedsim.running.run import criteria_of, machine_of
from feedsim.scenario import AS_WRITTEN, Scenario


@dataclass(frozen=True, slots=True)
class SpreadFit:
    """A spread against speed, compared with the scenario's.

    ``by_chance``: probability of a split this far from the expected one if that is right.
    ``unlike``: it surely differs from that, placement and stage taken together. If so,
    ``more_time_s`` and ``more_fixed_mm`` are the excess of a part that is surely above the expected
    one (root of the difference of squares), and ``less_time`` and ``less_fixed`` say whether it is
    surely below.
    ``less_fixed``, ``less_time``: whether that part is surely below the expected one.
    ``more_fixed_mm``, ``more_time_s``: the excess of a part that is surely above the
    expected one (root of the difference of squares).
    """

    found: Split
    expected: SpreadParts
    by_chance: float
    unlike: bool
    more_time_s: Estimate | None
    more_fixed_mm: Estimate | None
    less_time: bool
    less_fixed: bool


@dataclass(frozen=True, slots=True)
class FeederFit:
    """Everything that the trial says about one feeder.

    ``settings_old``, ``settings_new``: those of the trial, and the corrected ones.
    ``old``, ``new``: as typed in on the machine.
    ``missed``: None if the trial says nothing of it; outliers are carriers, too.
    ``outliers_left_out``: there are any, and their rows are left out of lines and spreads.
    ``with_outliers``: the corrections with them if they are left out.
    ``without_outliers``: those without if they are kept; None if there are none.
    ``kept_outliers``: all figures include them.
    ``number``: from 0.
    """

    number: int
    name: str
    speeds: tuple[AtSpeed, ...]
    found: Corrections = field(metadata=AMONG)
    settings_old: MachineSettings
    settings_new: MachineSettings
    placement_dependence: Dependence | None
    stage_dependence: Dependence | None
    placement_spread: SpreadFit | None
    stage_spread: SpreadFit | None
    missed: MissedInTrial | None
    outliers: tuple[Outlier, ...]
    outliers_left_out: bool
    with_outliers: Corrections | None
    without_outliers: Corrections | None
    would_explain: tuple[Cause, ...]
    old: Settings = field(metadata=LEFT_OUT)
    new: Settings = field(metadata=LEFT_OUT)
    kept_outliers: bool = field(metadata=LEFT_OUT)

    @property
    def changed(self) -> dict[str, float]:
        """Distances (mm) and leads (s) to type in, by key; none if nothing is corrected."""
        return typed(self.new) if self.new != self.old else {}

    @property
    def otherwise(self) -> Corrections | None:
        """The corrections with the outliers, or without them if they are kept."""
        return self.with_outliers or self.without_outliers


@dataclass(frozen=True, slots=True, repr=False)
class TrialFit:
    """A trial's measurements, and what they say about each feeder.

    ``data``: name of the file with the measurements.
    ``rows_left_out``: numbers of the rows left out on request.
    ``error_step_mm``, ``stage_step_mm``: step in which placement and stage were measured.
    ``confidence``: of all intervals.
    ``machine``: with the settings of the trial.
    ``blank_rows``, ``rows``: rows read, and blank ones.
    """

    feedsim: str
    title: str
    data: str
    rows: int
    blank_rows: int
    rows_left_out: tuple[int, ...]
    columns_not_read: tuple[str, ...]
    error_step_mm: float
    stage_step_mm: float
    confidence: float
    feeders: tuple[FeederFit, ...]
    scenario: Scenario = field(metadata=AS_WRITTEN)
    machine: Machine = field(metadata=LEFT_OUT)
    measured: TrialData = field(metadata=LEFT_OUT)


def fit_trial(
    scenario: Scenario,
    data: TrialData,
    *,
    name: str = "",
    confidence: float = 0.95,
    keep_outliers: bool = False,
) -> TrialFit:
    """Fit a trial that was run with the settings of a scenario.

    ``"auto"`` settings are solved at its line speed and stay the same at every speed of the trial,
    as in the machine. ``name``: of the file. ``confidence``: two-sided, of every interval.
    ``keep_outliers`` leaves outliers in lines, spreads and corrections.
    """
    machine = machine_of(scenario)
    fit = partial(_feeder, scenario, machine, data, confidence=confidence, keep=keep_outliers)
    return TrialFit(
        feedsim=__version__,
        title=scenario.title,
        data=name,
        rows=len(data.row),
        blank_rows=data.blank,
        rows_left_out=data.left_out,
        columns_not_read=data.others,
        error_step_mm=data.error_step_mm,
        stage_step_mm=data.stage_step_mm,
        confidence=confidence,
        feeders=tuple(map(fit, sorted(set(data.feeder.tolist())))),
        scenario=scenario,
        machine=machine,
        measured=data,
    )


def _feeder(
    scenario: Scenario,
    machine: Machine,
    data: TrialData,
    number: int,
    *,
    confidence: float,
    keep: bool,
) -> FeederFit:
    rows = data.feeder == number
    groups = np.full(len(rows), -1, dtype=np.intp)
    groups[rows] = speed_groups(data.speed_mm_s[rows])
    speeds = [
        float(data.speed_mm_s[groups == group].mean()) for group in range(int(groups.max()) + 1)
    ]
    allowed = criteria_of(scenario)
    expected = [expected_at(machine, number, speed_mm_s=v, allowed=allowed) for v in speeds]
    fitted = partial(corrections, data, machine=machine, number=number, confidence=confidence)
    found = fitted(rows)
    outliers = outliers_of(data, found)
    kept, otherwise, left_out = rows, None, bool(outliers) and not keep
    if outliers:
        clean = rows & ~np.isin(data.row, [outlier.row for outlier in outliers])
        otherwise = fitted(clean)
        if left_out:
            kept, found, otherwise = clean, otherwise, found
    placed, staged = found.placement_fit, found.stage_fit
    table = at_speeds(
        data,
        rows,
        groups,
        kept=kept,
        expected=expected,
        moved_mm=found.moved(machine, number, np.array(speeds)),
        processes=(process_of(placed), process_of(staged)),
        confidence=confidence,
    )
    old, new = machine.feeders[number].settings, settings_with(found, machine, number)
    error_sds, stage_sds = zip(*((x.error.sd_mm, x.stage.sd_mm) for x in expected), strict=True)
    spread = partial(_spread, speeds=speeds, confidence=confidence)
    return FeederFit(
        number=number,
        name=scenario.feeder[number].name,
        speeds=table,
        found=found,
        settings_old=machine_settings(old, machine.encoder),
        settings_new=machine_settings(new, machine.encoder),
        placement_dependence=placed.dependence if placed else None,
        stage_dependence=staged.dependence if staged else None,
        placement_spread=spread(placed, sds=error_sds, step_mm=data.error_step_mm),
        stage_spread=spread(staged, sds=stage_sds, step_mm=data.stage_step_mm),
        missed=_missed(data, groups, table, confidence=confidence),
        outliers=tuple(outliers),
        outliers_left_out=left_out,
        with_outliers=otherwise if left_out else None,
        without_outliers=None if left_out else otherwise,
        would_explain=tuple(causes(scenario, machine, number, found=found)),
        old=old,
        new=new,
        kept_outliers=keep,
    )


def _spread(
    fitted: Fitted | None,
    *,
    speeds: Sequence[float],
    sds: Sequence[float],
    step_mm: float,
    confidence: float,
) -> SpreadFit | None:
    if fitted is None or fitted.spread is None:
        return None
    found = fitted.spread
    wanted = spread_parts(speeds, sds, step_mm=step_mm)
    if found.time_s is None:
        wanted = SpreadParts(math.hypot(wanted.fixed_mm, wanted.time_s * max(speeds)), 0.0)
    chance = chance_of_parts(fitted.scatter, found, fixed_mm=wanted.fixed_mm, time_s=wanted.time_s)
    unlike = chance < 0.5 * (1.0 - confidence)
    timed = found.time_ci_s
    return SpreadFit(
        found=found,
        expected=wanted,
        by_chance=chance,
        unlike=unlike,
        more_time_s=_beyond(found.time_s, timed, wanted.time_s, sure=unlike),
        more_fixed_mm=_beyond(found.fixed_mm, found.fixed_ci_mm, wanted.fixed_mm, sure=unlike),
        less_time=unlike and timed is not None and timed.high < wanted.time_s,
        less_fixed=unlike and found.fixed_ci_mm.high < wanted.fixed_mm,
    )


def _beyond(
    value: float | None, interval: Interval | None, expected: float, *, sure: bool
) -> Estimate | None:
    """Return what must be added to the expected spread, in squares; None if it may be 0."""
    if not sure or value is None or interval is None or interval.low <= expected:
        return None
    ends = (float(np.sqrt(end**2 - expected**2)) for end in (value, *interval))
    return Estimate(*ends)


def _missed(
    data: TrialData, groups: Places, speeds: Sequence[AtSpeed], *, confidence: float
) -> MissedInTrial | None:
    if not np.any(data.missed[groups >= 0] != UNKNOWN):
        return None
    return missed_of(
        [(there.carriers, there.missed) for there in speeds],
        [there.expected_missed for there in speeds],
        confidence=confidence,
        orders=[in_order_of(data, groups == number) for number in range(len(speeds))],
    )
