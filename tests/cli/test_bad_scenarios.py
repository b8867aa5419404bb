"""Every wrong scenario, given to the command line: a message, status 2, nothing written."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.cli.bad_scenarios.table import CASES, FILE

Run = Callable[..., object]
CHUNK = 40


@pytest.mark.parametrize("first", range(0, len(CASES), CHUNK))
def test_a_wrong_scenario_ends_with_a_message_for_each_fault(
    first: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, feedsim: Run
) -> None:
    monkeypatch.chdir(tmp_path)
    path = Path("wrong.toml")
    for case in CASES[first : first + CHUNK]:
        path.write_bytes(case.content)
        ended = feedsim("run", path)
        assert ended.status == 2, case.name
        assert ended.out == "", case.name
        assert "Traceback" not in ended.err, case.name
        told = [line for line in ended.err.splitlines() if line.startswith("error: ")]
        assert len(told) >= len(case.keys), case.name
        for key in case.keys:
            assert any(key.replace(FILE, str(path)) in line for line in told), (case.name, key)
        assert list(tmp_path.iterdir()) == [tmp_path / "wrong.toml"], case.name
