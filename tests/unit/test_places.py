"""Places in the program's memory come free first in, first out, worked out by hand."""

from __future__ import annotations

import numpy as np

from feedsim.settings.places import with_a_place


def test_a_mark_behind_one_that_is_still_kept_keeps_its_place() -> None:
    # two places: the second mark is acted on at 50 mm, the first only at 100 mm
    acts = np.array([100.0, 50.0, 160.0, 170.0, 400.0])
    # so the third finds none at 60 mm; the fourth, at 100 mm, finds both free; the fifth one more
    comes = np.array([0.0, 10.0, 60.0, 100.0, 120.0])
    found = with_a_place(acts, comes, places=2)
    assert found.tolist() == [True, True, False, True, True]
    # the twin: acted on in their order, the first at 50 mm, the third finds a place
    acts[:2] = 50.0, 100.0
    assert with_a_place(acts, comes, places=2).tolist() == [True, True, True, True, False]
