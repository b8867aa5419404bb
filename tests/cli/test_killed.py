"""A sweep asked to end at each of its steps on disk: nothing is lost, mixed or said that is not so.

``killed.py`` does it, and says what it looks at.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
LEAST_STEPS = 40  # a point is two, a file of the set three

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="no forks here")


def tried(*words: object) -> tuple[int, list[str]]:
    done = subprocess.run(
        [sys.executable, str(Path(__file__).with_name("killed.py")), *map(str, words)],
        env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONWARNINGS": "ignore"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    return found["steps"], found["wrong"]


@pytest.mark.parametrize("number", ["SIGINT", "SIGTERM", "SIGKILL"])
def test_ended_at_any_step_a_sweep_goes_on_to_the_same_bytes(number: str, tmp_path: Path) -> None:
    steps, wrong = tried(number, tmp_path, 1, "none")
    assert wrong == []
    assert steps >= LEAST_STEPS


@pytest.mark.parametrize(
    ("number", "fault", "says"),
    [
        ("SIGKILL", "no manifest", "a mixture that passes for a set"),
        ("SIGTERM", "not held", "runs points again"),
    ],
)
def test_a_planted_fault_is_noticed(number: str, fault: str, says: str, tmp_path: Path) -> None:
    _, wrong = tried(number, tmp_path, 4, fault)
    assert any(says in line for line in wrong)
