"""A queue of carriers for a feeder, and the law of their waits (elementary)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from feedsim.arrays import Floats
from feedsim.arrivals.law import Arrival


@dataclass(frozen=True, slots=True)
class Queue:
    """The parameters of waits: mm of belt travel.

    Attributes
    ----------
    arrival : Arrival
        The law of pitches, taken as independent.
    come : float
        Share of pitches that bring a mark.
    service_mm : float
        From an engage tick to the next possible one, less the gap between inserts.
    gap_mm, gap_sd_mm, least_gap_mm : float
        The gap between inserts, as drawn (clipped), as belt travel.
    double, double_mm : float
        Share of services that are longer by up to a length, and that length.
    again : tuple of (float, float)
        Extra travel of a service because its search goes on (mm; 0 if it does not), with its share.
        The shares add up to 1.
    noise_sd_mm : float
        Standard deviation of the normal part of U, mean 0.
    room_mm : float
        The longest wait that is served.
    fine_mm : float
        Resolution of waits.
    corrected_mm : float
        By how much later than its point a carrier is served if the feeder is ready by then: the
        stage correction, which is in force only while an insert is staged.
    further : tuple of (float, float)
        How much further on than on average the insert is staged, as belt travel, mean 0, with its
        share: the feeder was ready as much later, and the service is as much shorter.
    """

    arrival: Arrival
    come: float
    service_mm: float
    gap_mm: float
    gap_sd_mm: float
    least_gap_mm: float
    double: float
    double_mm: float
    again: tuple[tuple[float, float], ...]
    noise_sd_mm: float
    room_mm: float
    fine_mm: float
    corrected_mm: float = 0.0
    further: tuple[tuple[float, float], ...] = ((0.0, 1.0),)


@dataclass(frozen=True, slots=True)
class Waits:
    """The stationary law of waits.

    ``beyond``: travel (mm, not below 0; one or an array) → share of the marked carriers that wait
    longer; ``up_to``: travel (mm) → E[min(wait, travel)], its integral. ``dropped``: share that
    waits longer than its room. ``lasting_mm``: how far the mean wait may stay from its own for a
    long time (:mod:`feedsim.settings.followed`). ``corrected_mm``: of the queue; a carrier that
    waits W is served W less that late. ``lands``: travel (mm, not below 0) → share of the carriers
    that wait, and whose insert lands more than that late; None if that is the wait.
    """

    beyond: Callable[[Floats | float], Floats]
    up_to: Callable[[float], float]
    room_mm: float
    lasting_mm: float = 0.0
    corrected_mm: float = 0.0
    lands: Callable[[Floats | float], Floats] | None = None
    dropped: float = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "dropped", float(self.beyond(self.room_mm)))

    def served_beyond(self, travel: Floats | float) -> Floats:
        """Return the share of served carriers that come more than a travel (mm) late, or each."""
        late = np.maximum(0.0, travel) + self.corrected_mm
        return self._served(self.lands or self.beyond, late)

    def served_before(self, travel: float) -> float:
        """Return the share of served carriers that come more than a travel (mm) early."""
        if travel >= self.corrected_mm:
            return 0.0
        return float(self.waiting(0.0) - self.waiting(self.corrected_mm - travel))

    def waiting(self, travel: Floats | float) -> Floats:
        """Return the share of served carriers that wait more than a travel (mm), or each."""
        return self._served(self.beyond, travel)

    def _served(self, beyond: Callable[[Floats | float], Floats], travel: Floats | float) -> Floats:
        if self.dropped >= 1.0:
            return np.zeros_like(travel)
        waits = np.maximum(0.0, beyond(np.maximum(0.0, travel)) - self.dropped)
        return np.where(travel < self.room_mm, waits / (1.0 - self.dropped), 0.0)

    @property
    def mean_mm(self) -> float:
        """Mean lateness of served carriers (mm): their mean wait, less what was not corrected."""
        return self.mean_wait_mm - self.corrected_mm * float(self.waiting(0.0))

    @property
    def mean_wait_mm(self) -> float:
        """Mean wait of served carriers (mm): ∫ P(wait > x) dx up to the room (elementary)."""
        if self.dropped >= 1.0:
            return 0.0
        whole = self.up_to(self.room_mm) - self.dropped * self.room_mm
        return max(0.0, whole) / (1.0 - self.dropped)
