"""A cheap part of the hunts over random scenarios; the whole is in ``tests/benchmarks``."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from feedsim.answers.check.study import advice
from feedsim.scenario import override
from tests.hunts import Hunt, hunted_auto, hunted_check, hunted_limit, refused_for_sure
from tests.random_scenarios import random_scenario, scenario_of_all_keys
from tests.workable_scenarios import workable_scenario

ODD = (37, 115, 121, 127)
"""Lines whose mean was once said without a word of what it left out."""


@pytest.mark.parametrize(
    ("hunt", "seeds"),
    [(hunted_check, range(8)), (hunted_limit, (21,))],
)
def test_nothing_is_found(
    hunt: Hunt, seeds: Sequence[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    stops = hunt is hunted_check
    if not stops:
        monkeypatch.setenv("FEEDSIM_ENGINE", "compiled")
    said = [hunt(scenario_of_all_keys(s, stops=stops), scenarios=len(seeds)) for s in seeds]
    assert not any(said), said
    assert any(each is not None for each in said)


def test_a_check_that_says_nothing_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    # the twin: a line that misses half of its carriers, and no one to warn of it
    bad = override(random_scenario(0, wide=False), ["feeder.0.insert.misfeed=50 %"])
    assert hunted_check(bad) == ""
    assert "missed" in refused_for_sure(bad, bad.line.speed, looks=1)
    monkeypatch.setattr(advice, "_CHECKS", ())
    monkeypatch.setattr("feedsim.answers.check.study.review.refused_words", lambda *_: [])
    assert "missed" in (hunted_check(bad) or "")


@pytest.mark.parametrize("odd", [False, True])
def test_auto_leaves_the_mean_that_is_said(odd: bool) -> None:
    lines = [scenario_of_all_keys(s, stops=False) for s in ODD] if odd else []
    lines = lines or [workable_scenario(s) for s in range(8)]
    said = [hunted_auto(override(line, ["run.carriers=400"])) for line in lines]
    assert said == [""] * len(lines)


def test_a_mean_that_is_said_wrongly_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    # the twin: late openings are forgotten, as they were by what told the mean of "auto"
    late = override(workable_scenario(0), ["feeder.0.settings.stage_position=12 mm",
                    "controller.scan=20 ms", "carrier_eye.capture=latched",
                    "feeder.0.eye.capture=latched", "controller.motion_cycle=1 ms"])  # fmt: skip
    assert hunted_auto(late) == ""
    monkeypatch.setattr("feedsim.settings.predict.late_opening_mean", lambda *_: 0.0)
    monkeypatch.setattr("feedsim.settings.known.late_opening_mean", lambda *_: 0.0)
    assert "at most" in (hunted_auto(late) or "")
