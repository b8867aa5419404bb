"""What a traced run records in addition: every event, and the motion itself."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from feedsim.motion.belt import BeltMotion
from feedsim.motion.feed import FeedMotion


class TraceEvent(NamedTuple):
    """One event.

    ``part``: ``line``, ``carrier_eye``, ``feeder.0.insert_eye``, ``feeder.0.clutch``, …
    ``event``: ``switched``, ``closes``, ``landed``, …
    ``carrier``, ``insert``: numbers from 0, the warm-up included; −1 where the event has none.
    ``belt_mm``: belt travel at that time.
    ``feed_mm``: the feeder's travel at that time; NaN for an event of no feeder.
    """

    time_s: float
    part: str
    event: str
    carrier: int
    insert: int
    belt_mm: float
    feed_mm: float


@dataclass(frozen=True, slots=True)
class Trace:
    """A traced run, or the requested stretch of it.

    ``events``: in order of time. ``belt``, ``feeds``: position and speed at any time of the
    stretch; ``feeds`` also the engagement of the clutch. ``moved``, for each feeder: (insert, mm),
    by how much this insert and all later ones lie further back because the feed ran without one.
    """

    events: tuple[TraceEvent, ...]
    belt: BeltMotion
    feeds: tuple[FeedMotion, ...]
    moved: tuple[tuple[tuple[int, float], ...], ...] = ()
