"""What ``trial_fit.json`` and ``trial plan --json`` hold."""

from __future__ import annotations

from feedsim import __version__
from feedsim.answers.trial.study.correction import Corrections
from feedsim.answers.trial.study.dependence import Dependence
from feedsim.answers.trial.study.fit import FeederFit, TrialFit
from feedsim.answers.trial.study.line import Fitted
from feedsim.answers.trial.study.plan import TrialPlan
from feedsim.metrics.plain import Plain, plain
from feedsim.scenario import Scenario, scenario_to_dict

__all__ = ["fit_plain", "plan_plain"]


def plan_plain(plan: TrialPlan, scenario: Scenario) -> dict[str, Plain]:
    """Return a plan as plain data, with the scenario to make it again."""
    return {
        "feedsim": __version__,
        "title": plan.title,
        "confidence": plan.confidence,
        "spread_within": plan.spread_within,
        "speeds": plain(plan.speeds),
        "showing": plain(plan.showing),
        "feeders": plain(plan.feeders),
        "scenario": scenario_to_dict(scenario),
    }


def fit_plain(fit: TrialFit, *, name: str) -> dict[str, Plain]:
    """Return a fit as plain data.

    Parameters
    ----------
    fit : TrialFit
    name : str
        Of the file that was fitted.
    """
    data = fit.data
    others: list[Plain] = [*data.others]
    feeders: list[Plain] = [_feeder(fit, feeder) for feeder in fit.feeders]
    return {
        "feedsim": __version__,
        "title": fit.scenario.title,
        "data": name,
        "rows": len(data.row),
        "blank_rows": data.blank,
        "rows_left_out": [int(row) for row in data.left_out],
        "columns_not_read": others,
        "error_step_mm": data.error_step_mm,
        "stage_step_mm": data.stage_step_mm,
        "confidence": fit.confidence,
        "feeders": feeders,
        "scenario": scenario_to_dict(fit.scenario),
    }


def _feeder(fit: TrialFit, feeder: FeederFit) -> dict[str, Plain]:
    old, new = fit.settings_of(feeder)
    otherwise = None if feeder.otherwise is None else _lines(feeder.otherwise)
    left_out = bool(feeder.outliers) and not feeder.kept_outliers
    return {
        "number": feeder.number,
        "name": feeder.name,
        "speeds": plain(feeder.speeds),
        **_lines(feeder.found),
        "settings_old": plain(old),
        "settings_new": plain(new),
        "placement_dependence": plain(_dependence(feeder.found.placement_fit)),
        "stage_dependence": plain(_dependence(feeder.found.stage_fit)),
        "placement_spread": plain(feeder.placement_spread),
        "stage_spread": plain(feeder.stage_spread),
        "missed": plain(feeder.missed),
        "outliers": plain(feeder.outliers),
        "outliers_left_out": left_out,
        "with_outliers": otherwise if left_out else None,
        "without_outliers": None if left_out else otherwise,
        "would_explain": plain(feeder.causes),
    }


def _dependence(fitted: Fitted | None) -> Dependence | None:
    return None if fitted is None else fitted.dependence


def _lines(found: Corrections) -> dict[str, Plain]:
    """Return the lines and what to add, without the arrays behind them."""
    names = ("placement", "stage", "remaining", "engage", "disengage")
    return {name: plain(getattr(found, name)) for name in names}
