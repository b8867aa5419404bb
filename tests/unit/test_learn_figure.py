"""The figure of what logs say: every act of every log is drawn, each log in its own place."""

from __future__ import annotations

import csv
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

import feedsim
from feedsim.answers.learn.figure import learned_figures

SCENARIOS = Path("scenarios")
LOGS = [SCENARIOS / f"learn_card_{speed}.csv" for speed in (40, 60)]


def switched(path: Path, to: str) -> int:
    """Return how often the clutch switches to a level in a log of samples."""
    with path.open(newline="") as file:
        levels = [row["feeder.0.clutch"] for row in csv.DictReader(file)]
    return sum(old != new == to for old, new in pairwise(levels))


@pytest.mark.parametrize("many", [1, 2, 5])
def test_the_acts_of_all_logs_are_drawn(many: int) -> None:
    logs = [LOGS[n % 2] for n in range(many)]
    found = feedsim.learn(feedsim.load(SCENARIOS / "learn_card.toml"), *logs)
    panels = learned_figures(found, units="metric")["learn"].axes[4:6]
    for axes, to in zip(panels, "10", strict=True):
        dots = [line.get_xdata() for line in axes.lines if line.get_marker() == "."]
        assert len(dots) == many
        assert [len(x) for x in dots] == [switched(log, to) for log in logs]
        if many == 1:
            continue
        for place, x in enumerate(dots):  # side by side, none over another
            assert np.all((x > place) & (x < place + 1))
        names = [label.get_text() for label in axes.get_xticklabels()]
        assert [name.split("\n")[0] for name in names] == [f"log {n + 1}" for n in range(many)]
        assert all("m/min" in name for name in names)
