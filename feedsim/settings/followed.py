"""Marks followed one by one, from the eye through the memory to the feeder.

Where marks merge at the eye, find the memory full and find the feeder busy, each takes some from
the next, and no closed form is known for all of them in a row. So a fixed row of carriers of the
given law (the record's own pitches where there is one) is followed with fixed draws: the share is
that of the row, whose standard error is below √(p·(1 − p)/10 000) times a factor near 1.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from feedsim.machine import Carriers
from feedsim.settings.mark_memory import fractions
from feedsim.settings.waits import Queue, Waits

__all__ = ["Followed", "Row", "follow"]

_ROW = 10_000


@dataclass(frozen=True, slots=True)
class Row:
    """What is followed: mm of belt travel.

    Attributes
    ----------
    carriers : Carriers
    queue : Queue
        What a service takes, and how long a carrier can wait.
    seen : float
        Share of carriers that the eye does not miss.
    waits : bool
        A carrier waits for the feeder; else one that finds it busy is lost.
    places : int
        Of the memory; 0: without end.
    kept_mm, kept_sd_mm : float
        From when a mark is known until it is acted on, at its point, and the spread of that.
    blind_mm : float
        The gap that the eye needs between two carriers; −inf: none merge.
    edge_sd_mm : float
        Of the edges that it sees.
    """

    carriers: Carriers
    queue: Queue
    seen: float
    waits: bool
    places: int
    kept_mm: float
    kept_sd_mm: float
    blind_mm: float
    edge_sd_mm: float


@dataclass(frozen=True, slots=True)
class Followed:
    """What became of the carriers that the eye did not miss.

    ``busy``: found the feeder busy, or waited until they could no longer be hit. ``waits_mm``: of
    those that came to the feeder, rising.
    """

    carriers: int
    merged: int
    full: int
    busy: int
    waits_mm: NDArray[np.float64]
    room_mm: float

    @property
    def lost(self) -> float:
        """Share of the carriers that were lost."""
        return (self.merged + self.full + self.busy) / max(1, self.carriers)

    @property
    def waits(self) -> Waits:
        """How long those waited that came to the feeder."""
        row = self.waits_mm

        def beyond(travel: float) -> float:
            return 1.0 - float(np.searchsorted(row, travel, side="right")) / max(1, len(row))

        return Waits(beyond, self.room_mm)


class _Comes(NamedTuple):
    """Of each pitch of the row, as plain lists."""

    pitch: list[float]
    present: list[bool]
    seen: list[bool]
    edge: list[float]
    known: list[float]


@lru_cache(maxsize=64)
def follow(row: Row) -> Followed:
    """Follow the row of carriers."""
    queue, comes = row.queue, _comes(row.carriers, row.seen, row.edge_sd_mm)
    takes, noise = _services(queue, len(comes.pitch))
    lap = 0 if row.carriers.record_repeats else len(row.carriers.record_mm)
    acts: deque[float] = deque()
    tail = ready = at = -math.inf
    edge, carriers, merged, full, busy = 0.0, 0, 0, 0, 0
    waits: list[float] = []
    for k, (pitch, present, seen, off, known) in enumerate(zip(*comes, strict=True)):
        edge += pitch
        if lap and k % lap == 0:
            tail = ready = at = -math.inf
            acts.clear()
        if not (present and seen):
            continue
        carriers += 1
        behind, tail = edge + off - tail, edge + row.carriers.length_mm
        if behind < row.blind_mm:
            merged += 1
            continue
        while acts and acts[0] <= edge + row.kept_sd_mm * known:
            acts.popleft()
        if row.places and len(acts) >= row.places:
            full += 1
            continue
        point = edge + row.kept_mm
        wait = ready - point - noise[k]
        if wait <= 0.0 or (row.waits and wait <= queue.room_mm):
            at = max(point + noise[k], ready)
            ready = at + takes[k]
        else:
            busy += 1
            at = point + queue.room_mm if row.waits else max(point, at)
        waits.append(max(0.0, wait))
        acts.append(at)
    found = np.sort(np.array(waits))
    return Followed(carriers, merged, full, busy, found, queue.room_mm)


@lru_cache(maxsize=8)
def _comes(carriers: Carriers, seen: float, edge_sd_mm: float) -> _Comes:
    """Return what comes along: pitches, who is there, who is seen, how far off edges are.

    ``known``: how much sooner a mark is known, or one before it acted on, in standard deviations.
    """
    from scipy.special import ndtri

    shortest = carriers.length_mm + carriers.min_gap_mm
    laps = max(1, math.ceil(_ROW / max(1, len(carriers.record_mm))))
    count = laps * len(carriers.record_mm) if carriers.record_mm else _ROW
    chances = np.array(fractions(5 * count)).reshape(5, count)
    if carriers.record_mm:
        pitches = np.tile(np.array(carriers.record_mm), laps)
    elif carriers.random:
        pitches = shortest - (carriers.pitch_mm - shortest) * np.log(chances[0])
    else:
        pitches = np.maximum(carriers.pitch_mm + carriers.pitch_sd_mm * ndtri(chances[0]), shortest)
    missing = 0.0 if carriers.record_mm else carriers.missing
    return _Comes(
        pitches.tolist(),
        (chances[1] >= missing).tolist(),
        (chances[2] < seen).tolist(),
        (edge_sd_mm * ndtri(chances[3])).tolist(),
        ndtri(chances[4]).tolist(),
    )


@lru_cache(maxsize=8)
def _services(queue: Queue, count: int) -> tuple[list[float], list[float]]:
    """Return how long the feeder is busy with each carrier, and how far off its point is (mm)."""
    from scipy.special import ndtri

    # behind the draws of the carriers
    draws = np.array(fractions(9 * count)).reshape(9, count)[5:]
    gaps = np.maximum(queue.least_gap_mm, queue.gap_mm + queue.gap_sd_mm * ndtri(draws[1]))
    again = np.searchsorted(np.cumsum(queue.again), draws[2])
    again = np.minimum(again, len(queue.again) - 1)
    double = np.maximum(0.0, 1.0 - draws[3] / queue.double) if queue.double else 0.0 * draws[3]
    takes = queue.service_mm + gaps + again * queue.again_mm + double * queue.double_mm
    return takes.tolist(), (queue.noise_sd_mm * ndtri(draws[0])).tolist()
