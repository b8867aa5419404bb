"""Marks followed one by one, from the eye through the memory to the feeder.

Merging at the eye, a full memory and a busy feeder (feedsim/MODEL.md, sections 4 and 5) each remove
marks from the next stage, and no closed form is known for all three together. So a fixed stream of
carriers of the given law (the record's own pitches, if there is one) is followed with fixed draws:
the share is that of the stream, with a standard error of at most about √(p·(1 − p)/10 000).

A full memory of several places hands its pattern on: two marks kept in a row come free one after
the other, and two more are kept in a row. Whether carriers wait may so stay the same for thousands
of carriers and change by chance; how far the mean wait of any tenth of the stream is from that of
all, beyond three standard errors of independent ones, is the size of that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from feedsim.arrays import Floats
from feedsim.arrivals import Arrival
from feedsim.machine import Carriers
from feedsim.settings.nominal import clipped_draws
from feedsim.settings.places import Memory
from feedsim.settings.queues import Queue, Waits
from feedsim.settings.seen import NONE_MERGE, STREAM, Gap, carriers_seen, fractions

_NEAR_MM = 1e-6
_TENTHS, _ERRORS = 10, 3.0


@dataclass(frozen=True, slots=True)
class Stream:
    """The stream to follow: mm of belt travel.

    Attributes
    ----------
    carriers : Carriers
    queue : Queue
        Service time, and how long a carrier can wait.
    seen : float
        Share of carriers that the eye does not miss.
    waits : bool
        Whether carriers wait for the feeder; else one that finds it busy is lost.
    places : int
        Places in the memory; 0: unlimited.
    kept_mm, kept_sd_mm : float
        Mean and spread of the travel from when a mark is known to its point.
    gap : Gap
        Which carriers merge.
    edge_sd_mm : float
        Spread of the edges that the eye sees.
    """

    carriers: Carriers
    queue: Queue
    seen: float
    waits: bool
    places: int
    kept_mm: float
    kept_sd_mm: float
    gap: Gap
    edge_sd_mm: float

    @property
    def room_mm(self) -> float:
        """The longest wait of a carrier that is not lost."""
        return self.queue.room_mm if self.waits else 0.0


@dataclass(frozen=True, slots=True)
class Followed:
    """Outcome of the carriers that the eye did not miss.

    ``busy``: found the feeder busy, or waited until out of reach. ``waits_mm``: of those that came
    to the feeder, rising. ``lasting_mm``, ``corrected_mm``: as in
    :class:`feedsim.settings.queues.Waits`.
    """

    carriers: int
    merged: int
    full: int
    busy: int
    waits_mm: Floats
    room_mm: float
    lasting_mm: float = 0.0
    corrected_mm: float = 0.0

    @property
    def lost(self) -> float:
        """Share of the carriers that were lost."""
        return (self.merged + self.full + self.busy) / max(1, self.carriers)

    @property
    def waits(self) -> Waits:
        """Waits of those that came to the feeder."""
        waited = self.waits_mm

        def beyond(travel: Floats | float) -> Floats:
            return 1.0 - np.searchsorted(waited, travel, side="right") / max(1, len(waited))

        def up_to(travel: float) -> float:
            return float(np.minimum(waited, travel).sum()) / max(1, len(waited))

        return Waits(beyond, up_to, self.room_mm, self.lasting_mm, self.corrected_mm)


@lru_cache(maxsize=64)
def follow(stream: Stream) -> Followed:
    """Follow the stream of carriers."""
    comes = carriers_seen(stream.carriers, stream.seen, stream.edge_sd_mm)
    here = int(np.count_nonzero(stream.gap.shows(comes)))
    merged = len(comes.edge) - here
    laps = _remembered(replace(stream, places=0, gap=stream.gap if merged else NONE_MERGE))
    waits = np.concatenate([_waits(marks, waits, stream) for marks, waits in laps])
    busy = int(np.count_nonzero(waits > stream.room_mm))
    full = here - len(waits)
    lasting = _lasting(np.maximum(waits[waits <= stream.room_mm], 0.0)) if full else 0.0
    waits = np.sort(np.maximum(waits, 0.0))
    queue = stream.queue
    return Followed(
        len(comes.edge), merged, full, busy, waits, queue.room_mm, lasting, queue.corrected_mm
    )


def _lasting(served: Floats) -> float:
    """Return how far a tenth of waits (mm, in order) has its mean from all, beyond chance."""
    if len(served) < _TENTHS:
        return 0.0
    off = max(abs(float(part.mean() - served.mean())) for part in np.array_split(served, _TENTHS))
    chance = _ERRORS * float(served.std()) / math.sqrt(len(served) / _TENTHS)
    return max(0.0, off - chance)


@lru_cache(maxsize=4)
def _remembered(stream: Stream) -> list[tuple[_Marks, Floats]]:
    """Return the marks of each lap and their waits (mm), as if all were remembered."""
    comes = carriers_seen(stream.carriers, stream.seen, stream.edge_sd_mm)
    takes, noise = _services(stream.queue, stream.carriers.arrival)
    here = stream.gap.shows(comes)
    place, edge = comes.place[here], comes.edge[here]
    points = edge + stream.kept_mm
    marks = _Marks(
        edge + stream.kept_sd_mm * comes.sooner[here], points, points + noise[place], takes[place]
    )
    ends = np.flatnonzero(np.diff(comes.lap[here])) + 1
    laps = zip(*(np.split(column, ends) for column in marks), strict=True)
    return [(lap, _served(lap, stream)) for lap in map(_Marks._make, laps)]


class _Marks(NamedTuple):
    """Columns of marks (mm of belt travel).

    Latest instant for a place to come free, point, point with noise, service.
    """

    free: Floats
    point: Floats
    noisy: Floats
    takes: Floats


def _waits(marks: _Marks, waits: Floats, stream: Stream) -> Floats:
    """Return the waits (mm) of marks that find a place; ``waits``: as if all were remembered."""
    room, places = stream.room_mm, stream.places
    if not places:
        return waits
    later = np.where(waits > room, marks.point + room, marks.noisy + waits)
    acts = np.where(waits > 0.0, later, marks.point + stream.queue.corrected_mm)
    latest = np.maximum.accumulate(acts) + _NEAR_MM
    if np.all(latest[:-places] <= marks.free[places:]):
        return waits  # a place is always free: earlier marks have been acted on in time
    return _walked(marks, stream)


def _served(marks: _Marks, stream: Stream) -> Floats:
    """Return each mark's wait (mm), as if all were remembered; below 0 the feeder waits.

    Only stretches in which a mark waits for another are followed one by one.
    """
    room, later = stream.room_mm, stream.queue.corrected_mm
    alone = marks.noisy + later + marks.takes
    waits = np.concatenate(([-math.inf], alone[:-1] - marks.noisy[1:]))[: len(alone)]
    starts = np.flatnonzero(waits > 0.0).tolist()
    if not starts:
        return waits
    noisy, takes, found = marks.noisy.tolist(), marks.takes.tolist(), waits.tolist()
    at = -1
    for start in starts:
        if start <= at:
            continue
        ready = noisy[start - 1] + later + takes[start - 1]
        for at in range(start, len(noisy)):
            found[at] = wait = ready - noisy[at]
            if wait <= 0.0:
                break
            if wait <= room:
                ready += takes[at]
    return np.array(found)


def _walked(marks: _Marks, stream: Stream) -> Floats:
    """Return the waits (mm) of marks that find a place."""
    room, later, memory = stream.room_mm, stream.queue.corrected_mm, Memory(stream.places)
    ready = at = -math.inf
    waits: list[float] = []
    for free, point, noisy, takes in zip(*(column.tolist() for column in marks), strict=True):
        if not memory.has_place(free):
            continue
        wait = ready - noisy
        waits.append(wait)
        if wait <= 0.0:
            at, ready = point + later, noisy + later + takes
        elif wait <= room:
            at, ready = ready, ready + takes
        else:
            at = point + room if stream.waits else max(point, at)
        memory.keep(at)
    return np.array(waits)


@lru_cache(maxsize=8)
def _draws(count: int) -> tuple[Floats, Floats, Floats, Floats]:
    """Return the draws of services: noise and gap in standard deviations, again and double."""
    from scipy.special import ndtri

    # after the draws of the carriers
    draws = fractions(9 * count).reshape(9, count)[5:]
    return ndtri(draws[0]), ndtri(draws[1]), draws[2], draws[3]


@lru_cache(maxsize=8)
def _services(queue: Queue, arrival: Arrival) -> tuple[Floats, Floats]:
    """Return how long the feeder is busy with each carrier, and the error of its point (mm)."""
    noise, gap, again, twice = _draws(arrival.whole(STREAM))
    gaps = clipped_draws(gap, queue.least_gap_mm, mean=queue.gap_mm, sd=queue.gap_sd_mm)
    longer, shares = np.array(sorted(queue.again)).T
    more = np.minimum(np.searchsorted(np.cumsum(shares), again), len(longer) - 1)
    takes = queue.service_mm + gaps + longer[more]
    if queue.double:
        takes += np.maximum(0.0, 1.0 - twice / queue.double) * queue.double_mm
    further = math.sqrt(sum(share * far * far for far, share in queue.further))
    return takes, math.hypot(queue.noise_sd_mm, further) * noise
