"""What the search calls accepted, of a line that is known: refused in a window and from a speed on.

The line is a made-up one of which nothing is simulated: its counts are written down here, all
carriers well or a tenth of them out of tolerance, so each answer follows from the definition of the
limit, the speed up to which every speed is accepted.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields
from typing import Any

import numpy as np
import pytest

from feedsim.answers.limit.study.search import LOOKS, RefusedSpeed, SpeedSearch, SpeedsFound, search
from feedsim.metrics.clusters import in_order
from feedsim.metrics.hazards import Hazards
from feedsim.metrics.missed import MissCauses
from feedsim.metrics.tally import Tally
from feedsim.scenario import override, scenario_from_text
from tests.theory.test_limits import BASE

CARRIERS = 4000
END = 1000.0
"""mm/s: from here on a tenth is out of tolerance, and in a window below."""
WINDOW = (299.0, 301.0)
NONE = (0,) * max(len(fields(MissCauses)), len(fields(Hazards)))


def known(calls: Sequence[tuple[Any, float, int]]) -> list[list[Tally]]:
    """Run the line that is refused in the window and from ``END`` on."""
    return [[of(speed >= END or WINDOW[0] < speed < WINDOW[1])] for _, speed, _ in calls]


def of(bad: bool) -> Tally:
    good = np.arange(CARRIERS) % 10 > 0 if bad else np.ones(CARRIERS, dtype=np.bool_)
    inside, no = in_order(good), in_order(np.zeros(CARRIERS, dtype=np.bool_))
    placed = int(good.sum())
    return Tally(CARRIERS, 0, CARRIERS, placed, CARRIERS, 0, NONE, NONE, inside, no, no)


def found(looks: int, *, doubtful: float | None = 300.0) -> SpeedsFound:
    """Search with carriers for so many looks at a speed."""
    scenario = override(scenario_from_text(BASE), [f"run.carriers={CARRIERS}"])
    refused = () if doubtful is None else (RefusedSpeed(doubtful, 30.0),)
    most = looks * LOOKS[0] * CARRIERS
    what = SpeedSearch(
        scenario, start_mm_s=900.0, within=0.001, most_carriers=most, doubtful=refused
    )
    return search(what, known)


@pytest.mark.parametrize("looks", [3, 5, 7, 8, 9, 10, 12, 40])
def test_nothing_is_accepted_above_a_window_that_the_closed_forms_refuse(looks: int) -> None:
    said = found(looks)
    assert said.accepted is None or said.accepted.speed_mm_s < WINDOW[0]
    looked = any(WINDOW[0] < s.speed_mm_s < WINDOW[1] for s in said.seen)
    # what was not looked at is said, and speeds accepted above it are named as islands
    assert looked == (said.not_looked_at_mm_s is None)
    assert all(s.speed_mm_s > WINDOW[1] for s in said.islands)
    assert said.islands
    if said.accepted_up_to:
        assert said.accepted_up_to[-1] is said.accepted


def test_carriers_are_kept_for_what_decides() -> None:
    # three looks of the ladder above the window, then at the window, before any range is narrowed
    said = found(10)
    assert said.not_looked_at_mm_s is None
    assert said.refused is not None
    assert said.refused.speed_mm_s == 300.0


def test_without_closed_forms_the_window_is_stepped_over() -> None:
    # the twin: a search that knows nothing of it says 1000 mm/s
    said = found(40, doubtful=None)
    assert said.accepted is not None
    assert END > said.accepted.speed_mm_s > 0.99 * END


def test_a_line_that_no_speed_refuses_is_looked_at_where_the_closed_forms_do(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("tests.unit.test_limit_search.END", float("inf"))
    said = found(60)
    assert said.accepted is not None
    assert said.refused is not None
    assert said.accepted.speed_mm_s <= WINDOW[0] < said.refused.speed_mm_s < WINDOW[1]
