"""By how many carriers stops and pitches move planned changes, from the records of a run."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from enum import Enum
from statistics import NormalDist
from typing import NamedTuple

import numpy as np

from feedsim.arrays import Floats
from feedsim.machine import Clearing, Machine
from feedsim.metrics.course import Course, Labels
from feedsim.metrics.moves import Moves
from feedsim.records.columns import RunRecords
from feedsim.records.stop import Stop

_UNSEEN = 0.5
"""Stops that are added to those seen: Jeffreys's prior for the rate of a Poisson process."""
_LAW = 16
"""Equally likely clearing times that stand for their law."""
_NORMAL = NormalDist()
_PARTS = 64
"""Parts into which the carriers up to the last end are cut."""


class By(Enum):
    """What fixes the carrier at which a stratum ends."""

    CARRIER = "carrier"
    TIME = "time"
    CORNER = "corner"


class End(NamedTuple):
    """Where a stratum ends: the place of the first carrier of the next one.

    ``by``: what fixes it, at ``at_s`` (s). ``cleaned_from_s``: a stop that is cleared after that
    brings it at once (a dirty eye).
    """

    place: int
    by: By
    at_s: float
    cleaned_from_s: float = math.inf


class _Stops(NamedTuple):
    """What is expected of stops by chance.

    ``per_carrier``: their number. ``lost_s``, ``weights``: for how long the belt in effect stands
    still, and how often so long, shape (Q,). ``ramps_s``: what the belt's ramps cost of it.
    """

    per_carrier: float
    carriers: int
    lost_s: Floats
    weights: Floats
    ramps_s: float

    def dead(self, rate_hz: float, places: Floats) -> Floats:
        """Return by what factor fewer carriers and shorter delays dead times leave, per end.

        ``places``: after how many carriers ends come if nothing stops, at ``rate_hz``.
        """
        lost = rate_hz * float(np.sum(self.weights * self.lost_s))
        number = max(0.0, self.per_carrier * self.carriers - _UNSEEN) / self.carriers
        ahead = np.clip(1.0 - lost / np.maximum(places, 1.0), 0.0, 1.0)
        return 1.0 + number * lost * ahead**2


def moves_of(
    records: RunRecords, machine: Machine, labels: Labels, ends: Sequence[Sequence[End]]
) -> tuple[Moves, ...]:
    """Return what may move the ends of each run's strata; none if carriers fix them all.

    ``labels``: the stratum of each carrier. ``ends``: those of each run, in any order.

    Carriers come as a renewal process (:func:`_looseness`). Stops by chance come as a Poisson
    process along the carriers, of k + 1/2 where k were seen (Jeffreys 1946, from memory), and each
    moves a time by the carriers that did not come as the belt stood still, or to its own carrier
    if it was over before the restart; a corner by those that the belt's ramps cost, since the
    profile waits for the belt (feedsim/MODEL.md, section 14). A planned stop moves later times as
    its clearing time spreads.
    """
    stops, rows = _expected(records, machine), Course(records.begins).runs(len(labels))
    found = (
        _Run(records, machine, number, run).moves(labels, stops, places)
        for number, (run, places) in enumerate(zip(rows, ends, strict=True))
    )
    return tuple(moves for moves in found if moves is not None)


def _expected(records: RunRecords, machine: Machine) -> _Stops:
    """Return what is expected: as seen, and half a stop of the law of clearing."""
    ramps_s, supervision = _ramps_s(machine), machine.supervision
    planned = _planned_causes(machine)
    seen = [stop for stop in records.stops if stop.cause not in planned]
    lost = [_stood_s(stop, ramps_s) for stop in seen if not math.isnan(stop.restarted_s)]
    weights = [1.0] * len(lost)
    doubles = any(feeder.double_check.stops for feeder in machine.feeders)
    if supervision and (seen or doubles or supervision.may_stop_by_chance):
        law = [time_s + ramps_s for time_s in _clearings_s(supervision.rules.clearing)]
        lost, weights = [*lost, *law], [*weights, *[_UNSEEN / len(law)] * len(law)]
    number = sum(weights)
    carriers = len(records.carriers.eye_time_s) + records.left_out * len(records.begins)
    shares = np.array(weights) / max(number, _UNSEEN)
    return _Stops(number / carriers, carriers, np.array(lost), shares, ramps_s)


def _planned_causes(machine: Machine) -> set[str]:
    """Return the causes of stops that come at the same carrier in every run."""
    faults = machine.supervision.faults if machine.supervision else ()
    return {"magazine_empty", *(fault.kind.value for fault in faults)}


def _clearings_s(clearing: Clearing) -> Floats:
    """Return clearing times (s) that are equally likely, of the law's mean and spread."""
    if not clearing.sd_s:
        return np.array([clearing.mean_s])
    ranks = [(k + 0.5) / _LAW for k in range(_LAW)]
    if clearing.exponential:
        times = np.array([-math.log1p(-rank) for rank in ranks])
    else:
        times = np.array([clearing.lognormal_s(_NORMAL.inv_cdf(rank)) for rank in ranks])
    times = (times - times.mean()) / times.std()  # the middles of ranks spread too little
    return np.asarray(np.maximum(0.0, clearing.mean_s + clearing.sd_s * times))


def _ramps_s(machine: Machine) -> float:
    """Return by how much a stop's ramps delay a belt more than standing still as long (s).

    From v to rest and back at a₁ and a₂ it travels v²/2a₁ + v²/2a₂ in v/a₁ + v/a₂ (any textbook).
    """
    line, supervision = machine.line, machine.supervision
    fastest = max([line.speed_mm_s, *(speed for _, speed in line.profile)])
    ways = 1.0 / line.acceleration_mm_s2
    ways += 1.0 / supervision.rules.stop_deceleration_mm_s2 if supervision else 0.0
    return 0.5 * fastest * ways


def _stood_s(stop: Stop, ramps_s: float) -> float:
    """Return for how long a belt in effect stood still; infinite if to the end."""
    over = not math.isnan(stop.restarted_s)
    return stop.restarted_s - stop.at_rest_s + ramps_s if over else math.inf


class _Run:
    """One of the runs in some records: ``number`` from 0, and its rows."""

    def __init__(self, records: RunRecords, machine: Machine, number: int, rows: slice) -> None:
        self._machine, self._times = machine, records.carriers.eye_time_s
        self._begin, self._end = rows.start, rows.stop
        self._left_out = records.left_out
        self._counted = max(rows.start, records.warm_up)
        self._stops = [stop for stop in records.stops if stop.run == number]
        causes = _planned_causes(machine)
        self._planned_stops = [stop for stop in self._stops if stop.cause in causes]
        self._ramps_s, self._loose = _ramps_s(machine), _looseness(machine)

    def moves(self, labels: Labels, stops: _Stops, ends: Sequence[End]) -> Moves | None:
        """Return what may move the ends of the run's strata."""
        moving = [
            end
            for end in dict.fromkeys(ends)
            if end.by is not By.CARRIER and self._counted < end.place < self._end
        ]
        if not moving:
            return None
        at = np.array([end.place for end in moving])
        causes = [*self._along(moving, stops), *self._planned(moving)]
        return Moves(labels[at - 1], labels[at], np.array(causes)) if causes else None

    def _along(self, ends: Sequence[End], stops: _Stops) -> Iterator[Floats]:
        """Yield by what causes along the carriers move ends, part by part.

        A line that stands cannot stop: with a carriers lost to stops for each that comes, as many
        come in a time less 1/(1 + a), and a stop takes only 1/(1 + a) of what it delays (counters
        with a dead time: Cox, Renewal Theory, from memory).
        """
        rate, timed = self._rate_hz(ends), np.array([end.by is By.TIME for end in ends])
        lost = stops.lost_s[:, None] * rate
        places = np.array([self._unstopped(end, rate) for end in ends])
        dead = np.where(timed, stops.dead(rate, places), 1.0)
        places = places / dead
        cleaned = np.array([self._place(end.cleaned_from_s, rate) for end in ends]) / dead
        edges = np.linspace(0.0, max(1.0, float(places.max())), _PARTS + 1)
        each = float(edges[1])
        for middle in (edges[:-1] + edges[1:]) / 2.0:
            ahead = places - middle
            reached = np.clip(ahead / each + 0.5, 0.0, 1.0)
            if self._loose:
                yield math.sqrt(self._loose * each) * reached
            if stops.per_carrier:
                rest, took = np.maximum(ahead, 0.0), lost / dead
                most = np.where(middle >= cleaned - took, rest, np.minimum(took, rest))
                earlier = np.sqrt(stops.weights @ most**2)
                by = np.where(timed, -earlier, reached * stops.ramps_s * rate)
                yield math.sqrt(stops.per_carrier * each) * by

    def _unstopped(self, end: End, rate: float) -> float:
        """Return after how many carriers an end had come, had the belt not stopped by chance."""
        if end.by is By.CORNER:
            return float(end.place - self._begin + self._left_out)
        return self._place(end.at_s, rate)

    def _place(self, time_s: float, rate: float) -> float:
        """Return after how many carriers a time comes on a line that stops by plan only."""
        if math.isinf(time_s):
            return math.inf
        first_s = float(self._times[self._begin])
        took_s = time_s - first_s - self._stood_s(self._planned_stops, first_s, time_s)
        return max(0.0, self._left_out + took_s * rate)

    def _planned(self, ends: Sequence[End]) -> Iterator[Floats]:
        """Yield by what planned stops move times, as their clearing time spreads."""
        supervision = self._machine.supervision
        clearing = supervision.rules.clearing if supervision else Clearing()
        law = _clearings_s(clearing)[:, None] + self._ramps_s
        timed = np.array([end.by is By.TIME for end in ends])
        for stop in self._planned_stops if clearing.sd_s else ():
            ahead = [self._ahead_s(stop, end.at_s) for end in ends]
            spread_s = np.minimum(law, np.array(ahead)).std(axis=0)
            if (timed & (spread_s > 0.0)).any():
                yield -self._rate_hz(ends) * timed * spread_s

    def _ahead_s(self, stop: Stop, until_s: float) -> float:
        """Return for how long the belt would run from a stop to some time, but for that stop."""
        later = [other for other in self._planned_stops if other.time_s > stop.time_s]
        return max(0.0, until_s - stop.time_s - self._stood_s(later, stop.time_s, until_s))

    def _rate_hz(self, ends: Sequence[End]) -> float:
        """Return how many carriers came in a second up to the last end, stops left out."""
        end = min(max(end.place for end in ends), self._end - 1)
        first, last = float(self._times[self._begin]), float(self._times[end])
        took_s = last - first - self._stood_s(self._stops, first, last)
        line, law = self._machine.line, self._machine.carriers.arrival
        return (end - self._begin) / took_s if took_s > 0.0 else line.speed_mm_s / law.pitch_mm

    def _stood_s(self, stops: Iterable[Stop], from_s: float, until_s: float) -> float:
        """Return for how long (s) the belt stood in stops that came from a time to another."""
        return sum(
            min(_stood_s(stop, self._ramps_s), until_s - stop.time_s)
            for stop in stops
            if from_s <= stop.time_s < until_s
        )


def _looseness(machine: Machine) -> float:
    """Return the variance of the number of carriers in a time over that number.

    The square of the pitch's spread over its mean (any text on renewals), thinned as carriers are
    missing (derived); 0 if the pitches are those of a record.
    """
    law, missing = machine.carriers.arrival, machine.carriers.missing
    spread = (law.sd_mm / law.pitch_mm) ** 2
    return 0.0 if law.in_order else (1.0 - missing) * spread + missing
