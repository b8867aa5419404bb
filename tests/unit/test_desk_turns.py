"""However one came to the values: the answer is that of a fresh desk and of the command."""

from __future__ import annotations

import shlex
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from feedsim.desk import answering
from feedsim.scenario import at_line_speed
from tests.desk_asked import SCENARIOS, Asked
from tests.desk_turns import turns

CARD = SCENARIOS / "membership_card.toml"
CARRIERS = 60


def test_random_turns_end_on_the_answer_of_a_fresh_desk_and_of_the_command(tmp_path: Path) -> None:
    asked = Asked(CARD)
    end: list[str] = []
    for end in turns(asked, 25, seed=3):
        asked.ask("run", end, carriers=CARRIERS)
    assert len(end) > 8
    run, forms = asked.ask("run", end, carriers=CARRIERS), asked.ask("forms", end)
    fresh = Asked(CARD)
    assert fresh.ask("run", end, carriers=CARRIERS) == run
    assert fresh.ask("forms", end) == forms
    command = shlex.split(run["command"])
    assert command[0] == "feedsim"
    words = [sys.executable, "-m", *command, "--out", str(tmp_path)]
    printed = subprocess.run(words, check=True, capture_output=True, text=True, timeout=600).stdout
    assert printed.startswith(run["text"])


def test_a_desk_that_kept_something_would_be_found(monkeypatch: pytest.MonkeyPatch) -> None:
    """Plant the fault: a desk that remembers the line speed of its first question."""
    kept: list[float] = []
    honest = answering.read

    def forgetful(*given: Any, **more: Any) -> Any:
        line = honest(*given, **more)
        kept.append(line.scenario.line.speed)
        object.__setattr__(line, "scenario", at_line_speed(line.scenario, kept[0]))
        return line

    monkeypatch.setattr(answering, "read", forgetful)
    asked = Asked(CARD)
    asked.ask("run", ["line.speed=70 m/min"], carriers=CARRIERS)
    turned = asked.ask("run", ["line.speed=80 m/min"], carriers=CARRIERS)
    kept.clear()
    assert Asked(CARD).ask("run", ["line.speed=80 m/min"], carriers=CARRIERS) != turned
