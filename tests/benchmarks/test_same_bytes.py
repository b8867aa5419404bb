"""Both engines write the same bytes, for every scenario that ships: run, sweep and limit.

Takes some minutes. Run with ``pytest -m benchmark -s tests/benchmarks/test_same_bytes.py``. What a
machine that nothing ships as comes to is in ``tests/reference/test_compiled_agrees.py``.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from io import BytesIO
from pathlib import Path

import pytest

import feedsim
from feedsim.answers.answer import Answer
from feedsim.answers.sweep.answer import sweep_csv
from feedsim.compiled.choice import why_not
from feedsim.files.new_files import Content
from feedsim.running.engines import ENGINE, ENGINES
from feedsim.running.run import machine_of

pytestmark = pytest.mark.benchmark

SCENARIOS = sorted((Path(__file__).parents[2] / "scenarios").glob("*.toml"))


def written(content: Content) -> bytes:
    if isinstance(content, bytes):
        return content
    file = BytesIO()
    content(file)
    return file.getvalue()


def of_run(line: feedsim.Line) -> dict[str, bytes]:
    return {name: written(content) for name, content in feedsim.run(line).files().items()}


def of_sweep(line: feedsim.Line) -> dict[str, bytes]:
    at = line.scenario.line.speed
    speeds = ",".join(repr(at * share) for share in (0.5, 1.0, 1.5))
    found = feedsim.sweep(line.but({"run.carriers": 1500}), f"{speeds} mm/s")
    return {"sweep.json": found.json().encode(), "sweep.csv": written(sweep_csv(found))}


def of_limit(line: feedsim.Line) -> dict[str, bytes]:
    found = feedsim.limit(line.but({"run.carriers": 1000}), within=0.2, at_most=30_000)
    return {"limit.json": found.json().encode()}


@pytest.mark.parametrize("asked", [of_run, of_sweep, of_limit], ids=lambda asked: asked.__name__)
@pytest.mark.parametrize("path", SCENARIOS, ids=lambda path: path.stem)
def test_same_bytes_from_both_engines(
    path: Path, asked: Callable[[feedsim.Line], dict[str, bytes]], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Answer, "pictures", lambda *_, **__: {})
    line = feedsim.load(path)
    if reason := why_not(machine_of(line.scenario)):
        monkeypatch.setenv(ENGINE, "compiled")
        with pytest.raises(feedsim.FeedsimError, match="cannot run this line"):
            asked(line)
        pytest.skip(f"one engine: {reason}")
    files = []
    for engine in ENGINES:
        monkeypatch.setenv(ENGINE, engine)
        files.append(asked(line))
    assert files[0].keys() == files[1].keys()
    for name, content in files[0].items():
        digest = hashlib.sha256(content).hexdigest()[:12]
        print(f"\n    {path.stem}: {name} {digest}, {len(content)} bytes")  # noqa: T201
        assert content == files[1][name], name
