"""A trial on the line: planned, and fitted when it has been measured."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar

from feedsim import __version__
from feedsim.answers.amounts import share_of
from feedsim.answers.answer import Answer
from feedsim.answers.given import typed
from feedsim.answers.line import Line
from feedsim.answers.trial.study.data import TrialData, read_trial
from feedsim.answers.trial.study.fit import TrialFit, fit_trial
from feedsim.answers.trial.study.plan import TrialPlan, plan_trial, speeds_for
from feedsim.files.new_files import Content
from feedsim.metrics.plain import AMONG, LEFT_OUT
from feedsim.quantities import System
from feedsim.running.axes import parse_speeds
from feedsim.scenario import AS_WRITTEN, Scenario

if TYPE_CHECKING:
    from matplotlib.figure import Figure

CONFIDENCES = (0.5, 0.9999)
SPREADS = (0.02, 2.0)


@dataclass(frozen=True, slots=True, repr=False)
class PlannedTrial(Answer):
    """Speeds, carriers, expected results, and a blank file to fill in.

    ``scenario``: to make it again.
    """

    line: Line = field(metadata=LEFT_OUT)
    feedsim: str
    trial: TrialPlan = field(metadata=AMONG)
    scenario: Scenario = field(metadata=AS_WRITTEN)
    name: ClassVar[str] = "trial_plan"

    def _text(self, units: System) -> str:
        from feedsim.answers.trial.plan_text import plan_text

        return plan_text(self.trial, units=units)

    def _files(self, units: System) -> dict[str, Content]:
        from feedsim.answers.trial.plan_text import blank_csv

        return {"trial_plan.csv": blank_csv(self.trial, units=units)}


@dataclass(frozen=True, slots=True, repr=False)
class FittedTrial(TrialFit, Answer):
    """What to type in, what spreads, what is missed, what stays open."""

    line: Line = field(metadata=LEFT_OUT)
    name: ClassVar[str] = "trial_fit"

    def _text(self, units: System) -> str:
        from feedsim.answers.trial.text import fit_text

        return fit_text(self, units=units)

    def _figures(self, units: System) -> dict[str, Figure]:
        from feedsim.answers.trial.figure import trial_figures

        return trial_figures(self, units=units)

    def changes(self) -> dict[str, str]:
        """Return the settings to type in as changes of the line: ``line.but(fit.changes())``."""
        return {
            f"feeder.{feeder.number}.settings.{key}": f"{value!r} {'s' if 'lead' in key else 'mm'}"
            for feeder in self.feeders
            for key, value in feeder.changed.items()
        }


@typed
def trial_plan(
    line: Line,
    speeds: str | None = None,
    *,
    confidence: float | str = 0.95,
    spread_within: float | str = 0.25,
    units: System | None = None,
) -> PlannedTrial:
    """Plan a trial on the line.

    Parameters
    ----------
    speeds : str, optional
        As in :func:`feedsim.sweep`; four round ones up to line speed if left out.
    confidence : float or str
        How sure to be, 0.5 to 0.9999, or ``"50 %"`` to ``"99.99 %"``.
    spread_within : float or str
        Wanted half width of each spread's interval, as a share of it, 0.02 to 2, or ``"2 %"`` to
        ``"200 %"``.
    units : {"metric", "inch"}, optional
        In which the speeds are round.

    Raises
    ------
    FeedsimError
        If a share or a range is out of bounds.
    """
    sure = share_of("confidence", confidence, *CONFIDENCES)
    within = share_of("spread_within", spread_within, *SPREADS)
    scenario = line.scenario
    usual = units or line.units
    chosen = parse_speeds(speeds, usual).numbers if speeds else speeds_for(scenario, units=usual)
    planned = plan_trial(scenario, chosen, confidence=sure, spread_within=within)
    return PlannedTrial(line, __version__, planned, scenario)


@typed
def trial_fit(
    line: Line,
    data: str | Path,
    *,
    confidence: float | str = 0.95,
    without: Collection[int] = (),
    keep_outliers: bool = False,
) -> FittedTrial:
    """Fit a trial that was run with the settings of a line.

    Parameters
    ----------
    data : str or Path
        What was measured, a CSV file.
    confidence : float or str
        Two-sided, of every interval, 0.5 to 0.9999, or ``"50 %"`` to ``"99.99 %"``.
    without : collection of int
        Rows of the file to leave out, the head being the first.
    keep_outliers : bool
        Keep outliers in all figures and corrections.

    Raises
    ------
    FeedsimError
        If the file cannot be read, or with what is wrong in it.
    """
    sure = share_of("confidence", confidence, *CONFIDENCES)
    measured = measured_in(line, data, without=without)
    name = Path(data).name
    return fitted(line, measured, name=name, confidence=sure, keep_outliers=keep_outliers)


def measured_in(line: Line, data: str | Path, *, without: Collection[int]) -> TrialData:
    """Read what was measured; see :func:`trial_fit`."""
    names = [feeder.name for feeder in line.scenario.feeder]
    measured = read_trial(Path(data), feeders=names, longest_mm=line.scenario.carrier.length)
    return measured.without(set(without))


def fitted(
    line: Line, measured: TrialData, *, name: str, confidence: float, keep_outliers: bool
) -> FittedTrial:
    """Fit what was measured; see :func:`trial_fit`."""
    found = fit_trial(
        line.scenario, measured, name=name, confidence=confidence, keep_outliers=keep_outliers
    )
    return FittedTrial(**{f.name: getattr(found, f.name) for f in fields(found)}, line=line)
