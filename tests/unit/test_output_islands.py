"""Speeds accepted above a refused one are named as islands."""

from __future__ import annotations

import pytest

from feedsim.answers.limit.islands import island_words

SPEEDS = [1000.0 * v / 60.0 for v in (33.0, 34.0, 35.0, 36.0, 37.0)]


@pytest.mark.parametrize(
    ("accepted", "said"),
    [
        ([True] * 5, ""),
        ([True, True, False, False, False], ""),
        (
            [True, False, False, True, False],
            "Accepted at 36 m/min, not at 35 m/min: not a speed to set.",
        ),
        (
            [True, False, True, False, True],
            "Accepted at 35 m/min, not at 34 m/min; at 37 m/min, not at 36 m/min: "
            "not speeds to set.",
        ),
    ],
)
def test_islands_are_named(accepted: list[bool], said: str) -> None:
    assert island_words(SPEEDS, accepted) == said
