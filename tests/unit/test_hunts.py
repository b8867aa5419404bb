"""A cheap part of the hunts over random scenarios; the whole is in ``tests/benchmarks``."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from feedsim.answers.check.study import advice
from feedsim.scenario import override
from tests.hunts import Hunt, hunted_auto, hunted_check, hunted_limit, refused_for_sure
from tests.random_scenarios import random_scenario, scenario_of_all_keys


@pytest.mark.parametrize(
    ("hunt", "seeds"),
    [(hunted_check, range(8)), (hunted_auto, range(0, 18, 3)), (hunted_limit, (21,))],
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
    monkeypatch.setattr(advice, "counted", lambda *_: ())
    assert "missed" in (hunted_check(bad) or "")
