"""``feedsim run --log`` as its user meets it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from feedsim.logs import read_log

SCENARIOS = Path(__file__).parents[2] / "scenarios"
Run = Callable[..., object]


@pytest.mark.parametrize("name", ["membership_card", "two_feeders", "stops", "from_standstill"])
@pytest.mark.parametrize("shape", ["samples", "events"])
def test_a_log_is_written_that_reads_back(
    name: str, shape: str, tmp_path: Path, feedsim: Run
) -> None:
    scenario = SCENARIOS / f"{name}.toml"
    words = ("run", scenario, "--carriers", 60, "--log", shape, "--log-dropped", "0.1 %")
    ended = feedsim(*words, "--out", tmp_path)
    assert ended.status == 0
    assert "log.csv" in (tmp_path / "run.sha256").read_text()
    assert not (tmp_path / "events.csv").exists()
    feeders = ["left", "right"] if name == "two_feeders" else ["one"]
    log = read_log(tmp_path / "log.csv", feeders=feeders)
    assert log.shape == shape
    assert len(log.carrier_eye.on_s) >= 60
    assert len(log.begins_s) == 1
    assert all(len(feeder.clutch.on_s) > 30 for feeder in log.feeders)


@pytest.mark.parametrize(
    ("option", "value", "words"),
    [
        ("--log-rate", "fast", ("--log-rate", "fast", "1 kHz")),
        ("--log-rate", "0 Hz", ("--log-rate", "1 Hz to 1 MHz")),
        ("--log-rate", "1 MHz", ("--log-rate", "at most 20,000,000 rows")),
        ("--log-dropped", "60 %", ("--log-dropped", "50 %")),
        ("--log-dropped", "many", ("--log-dropped",)),
    ],
)
def test_a_wrong_option_leaves_no_file(
    option: str, value: str, words: tuple[str, ...], tmp_path: Path, feedsim: Run
) -> None:
    scenario = SCENARIOS / "membership_card.toml"
    out = tmp_path / "out"
    line = ("run", scenario, "--carriers", 100, "--log", "samples", option, value, "--out", out)
    ended = feedsim(*line)
    assert ended.status == 2
    assert all(word in ended.err for word in words), ended.err
    assert not (out / "log.csv").exists()


@pytest.mark.parametrize(("option", "value"), [("--log-rate", "1 kHz"), ("--log-dropped", "0 %")])
def test_what_shapes_a_log_is_refused_where_none_is_asked_for(
    option: str, value: str, tmp_path: Path, feedsim: Run
) -> None:
    out = tmp_path / "out"
    ended = feedsim("run", SCENARIOS / "membership_card.toml", option, value, "--out", out)
    assert ended.status == 2
    assert option in ended.err
    assert "--log samples" in ended.err
    assert not out.exists()
