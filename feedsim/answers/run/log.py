"""The log of a run as a recorder on the machine would write it: what is asked, and its CSV."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np

from feedsim.files.new_files import Content
from feedsim.logs.log import Shape
from feedsim.logs.recorder import LoggedRun, RecordedEvents, Recorder, sample_columns
from feedsim.render.csv_table import columns_csv


@dataclass(frozen=True, slots=True)
class LogAsked:
    """What a log is to be like.

    Attributes
    ----------
    shape : {"samples", "events"}
        A row for each look of the recorder, or for each change of a signal.
    rate_hz : float
        How often the recorder looks.
    dropped : float
        Share of looks that the recorder loses (0 to below 1); of events, of values alone.
    """

    shape: Shape = "samples"
    rate_hz: float = 1000.0
    dropped: float = 0.0


def log_csv(run: LoggedRun, asked: LogAsked, *, seed: int) -> Content:
    """Return what writes the log of a run.

    Raises
    ------
    FeedsimError
        If it would be too long.
    """
    recorder = Recorder(run, rate_hz=asked.rate_hz, seed=seed, dropped=asked.dropped)
    if asked.shape == "events":
        events = RecordedEvents(recorder)
        return columns_csv(events.rows.astype(np.intp), events.columns)
    return columns_csv(recorder.written(), partial(sample_columns, recorder))
