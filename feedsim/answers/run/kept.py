"""Which carriers' rows are written: all of a short run, those that matter of a long one."""

from __future__ import annotations

from typing import Literal

import numpy as np

from feedsim.arrays import Places
from feedsim.criteria import Criteria
from feedsim.metrics.paired_feeders import Ran, with_hazard
from feedsim.metrics.results import Results
from feedsim.records.outcome import Outcome
from feedsim.running.run import ScenarioRun, criteria_of

Kept = Literal["all", "missed", "none"]

MOST_ROWS = 100_000
"""Carriers up to which all have their row, unless asked for otherwise."""


def kept_of(asked: Kept | None, results: Results) -> Kept:
    """Return which carriers have a row: as asked, else all, or of a long run those missed."""
    return asked or ("all" if results.carriers <= MOST_ROWS else "missed")


def kept_rows(kept: Kept, ran: ScenarioRun) -> Places:
    """Return the counted carriers that have a row, by number, the warm-up included.

    ``missed``: those that a feeder missed, or that had a hazard in a feed cycle.
    """
    records = ran.records
    criteria: Criteria = criteria_of(ran.scenario)
    matters = np.full(len(records.carriers.eye_time_s), kept == "all")
    for number, feeder in enumerate(records.feeders if kept == "missed" else ()):
        matters |= feeder.outcome != Outcome.PLACED
        matters |= with_hazard(Ran(records, ran.machine, criteria), number)
    return np.flatnonzero(matters[records.warm_up :]) + records.warm_up


def kept_words(kept: Kept, results: Results) -> str:
    """Return what a summary says of rows that were left out; empty where none were."""
    match kept:
        case "missed":
            return f"carriers.csv: carriers missed or at risk, of {results.carriers:,}"
        case "none":
            return "carriers.csv: not written"
        case _:
            return ""
