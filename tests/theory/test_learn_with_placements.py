"""Logs and measured placements of one machine together part delays from slip."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import feedsim
from feedsim.answers.learn.answer import Learnt, learn
from feedsim.answers.learn.study.figures import Finding, Learned, Subject
from feedsim.answers.learn.study.placed import Placements
from feedsim.answers.learn.text import beside_text
from feedsim.running.run import machine_of
from tests.logged import logged

CARD = Path(__file__).parents[2] / "scenarios/learn_card.toml"
TRUTH = {"carrier_eye.response": 0.0019, "feeder.0.eye.response": 0.0012, "carrier.slip": 0.9}
HIDDEN = {
    "carrier_eye.response": "1.9 ms",
    "feeder.0.eye.response": "1.2 ms",
    "carrier.slip": "0.9 mm",
    "controller.motion_cycle": "2.7183 ms",
    "feeder.0.servo.command_delay": "1.3 ms",
    "run.carriers": 60,
}
SPEEDS = (613.7, 1187.3)


@pytest.fixture(scope="module")
def measured() -> list[tuple[str, str, str]]:
    """Measure 60 placements at each speed on the hidden machine, to a hundredth of a mm."""
    rows = []
    for speed in SPEEDS:
        line = feedsim.load(CARD, HIDDEN | {"line.speed": f"{speed} mm/s"})
        columns = feedsim.run(line).carriers
        pairs = zip(columns["placement_error_mm"], columns["stage_position_mm"], strict=True)
        rows += [
            (f"{0.06 * speed:.4f}", f"{error:.2f}", f"{stage:.2f}")
            for error, stage in pairs
            if not np.isnan(error)
        ]
    return rows


def trial_of(folder: Path, measured: list[tuple[str, str, str]], *, columns: int) -> Path:
    head = ("line_speed_m_per_min", "placement_error_mm", "stage_position_mm")
    path = folder / "trial.csv"
    path.write_text("\n".join(",".join(row[:columns]) for row in (head, *measured)), "utf-8")
    return path


@pytest.fixture(scope="module")
def logs(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    folder = tmp_path_factory.mktemp("logs")
    return [
        logged(
            machine_of(feedsim.load(CARD, HIDDEN | {"line.speed": f"{speed} mm/s"}).scenario),
            folder,
            carriers=80,
            seed=number,
        )
        for number, speed in enumerate(SPEEDS)
    ]


def rows_of(found: Learnt) -> dict[str, Learned]:
    return {row.key: row for row in found.learned if row.key}


def test_placements_tell_delays_and_slip(
    logs: list[Path], measured: list[tuple[str, str, str]], tmp_path: Path
) -> None:
    found = learn(feedsim.load(CARD), *logs, trial=trial_of(tmp_path, measured, columns=3))
    rows = rows_of(found)
    for key, truth in TRUTH.items():
        row = rows[key]
        assert row.value is not None
        assert row.low is not None
        assert row.high is not None
        # 95 % intervals of the placements alone; what the logs leave open comes on top: 4 sd
        assert abs(row.value - truth) < row.high - row.low, key
    assert rows["carrier_eye.response"].verdict == "differs"
    text = found.text()
    assert "Added by trial.csv" in text
    assert "carrier eye's own delay" in text


def test_without_stages_delays_do_not_part(
    logs: list[Path], measured: list[tuple[str, str, str]], tmp_path: Path
) -> None:
    found = learn(feedsim.load(CARD), *logs, trial=trial_of(tmp_path, measured, columns=2))
    rows = rows_of(found)
    assert {rows[key].verdict for key in TRUTH} == {"untold"}
    assert "adds nothing" in found.text()


def test_beside_a_fit_stands_only_what_the_placements_show(logs: list[Path]) -> None:
    """The eye of another feeder has a row of the same words, which they do not show."""
    found = learn(feedsim.load(CARD), logs[0])
    told = Subject("feeder.0.eye.response", "insert eye's own delay", "time").told(
        Finding(0.0012, 0.0011, 0.0013, 40), 0.0005
    )
    other = replace(told, key="feeder.1.eye.response", value=None, verdict="untold")
    there = Placements("trial.csv", 40, 40, 2, ("insert eye's own delay",))
    both = replace(found, learned=(replace(told, placed=True), other), placements=there)
    assert beside_text(both, units="metric").count("insert eye's own delay  ") == 1
