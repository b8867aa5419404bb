"""Rehearse a line that lays one card on each passing card.

The interface for Python; the command line is a thin layer on it. ``feedsim.load`` reads a line
from a scenario file, and each function below answers a question about it. An answer can be printed,
drawn (``figures``), read as columns (``tables``) or as data (``plain``), and saved (``save``).

Examples
--------
>>> import feedsim
>>> line = feedsim.load("scenarios/membership_card.toml", {"run.carriers": 400})
>>> run = feedsim.run(line)
>>> round(run.feeders[0].placement_error.sd_mm, 1)
0.5
>>> len(run.carriers["placement_error_mm"])
400
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from feedsim.answers.budget.answer import budget
    from feedsim.answers.check.answer import check
    from feedsim.answers.compare.answer import compare
    from feedsim.answers.drive.answer import drive
    from feedsim.answers.explain.answer import explain
    from feedsim.answers.learn.answer import learn
    from feedsim.answers.limit.answer import limit
    from feedsim.answers.line import Line, load
    from feedsim.answers.rehearse.answer import rehearse
    from feedsim.answers.run.answer import run
    from feedsim.answers.setup.answer import setup
    from feedsim.answers.sweep.answer import sweep
    from feedsim.answers.trial.answer import trial_fit, trial_plan
    from feedsim.answers.tune.answer import tune
    from feedsim.errors import Fault, FeedsimError

__version__ = "0.1.0"

__all__ = [
    "Fault",
    "FeedsimError",
    "Line",
    "budget",
    "check",
    "compare",
    "drive",
    "explain",
    "learn",
    "limit",
    "load",
    "rehearse",
    "run",
    "setup",
    "sweep",
    "trial_fit",
    "trial_plan",
    "tune",
]

_HOMES = {
    "Fault": "errors",
    "FeedsimError": "errors",
    "Line": "answers.line",
    "load": "answers.line",
    "trial_fit": "answers.trial.answer",
    "trial_plan": "answers.trial.answer",
}


def __getattr__(name: str) -> Any:
    """Import a part of the interface when it is first asked for, so that importing is quick."""
    if name not in __all__:
        msg = f"module {__name__!r} has no attribute {name!r}"
        raise AttributeError(msg)
    found = getattr(import_module(f"feedsim.{_HOMES.get(name, f'answers.{name}.answer')}"), name)
    globals()[name] = found
    return found


def __dir__() -> list[str]:
    """List the interface, whether it has been imported yet or not."""
    return sorted({*globals(), *__all__})
