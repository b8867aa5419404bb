"""The functions of the compiled engine as they are written, uncompiled, and records compared."""

from __future__ import annotations

from dataclasses import fields
from typing import Any

import numpy as np

from feedsim.compiled.carriers import see_carriers
from feedsim.compiled.driver import Driver
from feedsim.compiled.feeder import run_feeder
from feedsim.compiled.state import FeederRow
from feedsim.motion.belt import BeltMotion
from feedsim.motion.feed import FeedMotion, feed_obey
from feedsim.records.columns import RunRecords


class _Row(FeederRow):
    """A feeder read by item too, as a row is."""

    def __getitem__(self, name: str) -> Any:
        return getattr(self, name)

    def __setitem__(self, name: str, value: Any) -> None:
        setattr(self, name, value)


class _Feed(FeedMotion):
    def __getitem__(self, name: str) -> int:
        return {"lacking": 0}[name]


def _flat(of: Any) -> Any:
    if isinstance(of, FeedMotion):
        of.__class__ = _Feed
    if not isinstance(of, FeederRow):
        return of
    return _Row(**{field.name: getattr(of, field.name) for field in fields(FeederRow)})


def _follow(feed: FeedMotion, belt: BeltMotion, t: float) -> None:
    feed.belt = belt
    feed_obey(feed, t, (0.0, 0.0, False, 0.0))


UNCOMPILED = Driver(see_carriers, run_feeder, _flat, _follow)


def differences(ours: RunRecords, theirs: RunRecords) -> list[str]:
    """Return the names of the columns that differ by a bit, or in their type."""
    found = [] if ours.start_time_s == theirs.start_time_s else ["start_time_s"]
    pairs = zip((ours.carriers, *ours.feeders), (theirs.carriers, *theirs.feeders), strict=True)
    for number, (a, b) in enumerate(pairs):
        for name in (field.name for field in fields(a)):
            one, other = getattr(a, name), getattr(b, name)
            if isinstance(one, np.ndarray):
                same = one.dtype == other.dtype and one.tobytes() == other.tobytes()
            else:
                same = one == other
            found += [] if same else [f"{number - 1}.{name}"]
    return found
