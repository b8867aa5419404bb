"""How long carriers wait for a feeder, each wait passed on to the next (Lindley's recursion).

With D the belt travel by which the feeder is ready after a carrier's engage point, the carrier
waits W = max(0, D − U), U the noise of its own point and tick. If the wait does not exceed its room
it is served, and the next one finds D' = max(U, D) + service − pitch; else it is dropped, and the
next finds D' = D − pitch, as after a pitch that brings no mark.

A stage correction that moves points later by c is in force only while an insert is staged. A
carrier whose feeder is not ready by its point without it is served as soon as the feeder is, and
comes W − c late; else it is served at U + c, and the next finds D' = U + c + service − pitch.

That is Lindley's recursion (Lindley 1952, Proceedings of the Cambridge Philosophical Society
48:277-289, from memory) with limited patience. Its stationary law is solved on a row of nodes, fine
near 0 and a thirtieth of D apart far from it: a value between two nodes is shared between them so
that its mean stays, and the share beyond a limit is taken from the law itself, one step on. Sharing
adds a variance to D of up to a quarter of the squared node distance a step, which matters where
a feeder hardly keeps up. So nodes are then placed where D mostly is, with distances that grow as
the third root of its rarity (which minimises the sum of all added variances), until the mean wait
stays. With exponential gaps, equal services and unlimited patience this is M/D/1, whose formula
(Erlang 1909) is the test: shares agree to 1 %, the mean wait to 1.5 % (tests/theory/test_waits.py).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import lru_cache

import numpy as np

from feedsim.arrays import Floats
from feedsim.arrivals.law import Arrival, clipped_beyond
from feedsim.probability.distribution_parts import normal_nodes

_FINE = 8192
_FAR = 8.0  # standard deviations beyond which a normal part is negligible
_RELATIVE = 1.0 / 30.0
_NODES_BELOW = 16.0
_NOISE_NODES = 7
_MOST_MOVES, _SETTLED = 20, 1e-15
_NODES, _ENOUGH = (160, 220, 400, 600), 2
_SAME, _HARDLY = 0.03, 1e-3
_ANYWHERE = 1e-4
"""Share of all nodes' weight given to places where D is practically never."""


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
        Standard deviation of U, mean 0.
    room_mm : float
        The longest wait that is served.
    fine_mm : float
        Resolution of waits.
    corrected_mm : float
        By how much later than its point a carrier is served if the feeder is ready by then: the
        stage correction, which is in force only while an insert is staged.
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


@dataclass(frozen=True, slots=True)
class Waits:
    """The stationary law of waits.

    ``beyond``: travel (mm, not below 0; one or an array) → share of the marked carriers that wait
    longer; ``up_to``: travel (mm) → E[min(wait, travel)], its integral. ``dropped``: share that
    waits longer than its room. ``lasting_mm``: how far the mean wait may stay from its own for a
    long time (:mod:`feedsim.settings.followed`). ``corrected_mm``: of the queue; a carrier that
    waits W is served W less that late.
    """

    beyond: Callable[[Floats | float], Floats]
    up_to: Callable[[float], float]
    room_mm: float
    lasting_mm: float = 0.0
    corrected_mm: float = 0.0
    dropped: float = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "dropped", float(self.beyond(self.room_mm)))

    def served_beyond(self, travel: Floats | float) -> Floats:
        """Return the share of served carriers that come more than a travel (mm) late, or each."""
        return self.waiting(np.maximum(0.0, travel) + self.corrected_mm)

    def served_before(self, travel: float) -> float:
        """Return the share of served carriers that come more than a travel (mm) early."""
        if travel >= self.corrected_mm:
            return 0.0
        return float(self.waiting(0.0) - self.waiting(self.corrected_mm - travel))

    def waiting(self, travel: Floats | float) -> Floats:
        """Return the share of served carriers that wait more than a travel (mm), or each."""
        if self.dropped >= 1.0:
            return np.zeros_like(travel)
        waits = np.maximum(0.0, self.beyond(np.maximum(0.0, travel)) - self.dropped)
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


@lru_cache(maxsize=64)
def waits_of(queue: Queue, *, closely: bool = False) -> Waits:
    """Return the stationary waits of a queue.

    ``closely``: with more nodes where many hardly suffice, as for waits of a few values next to the
    room.
    """
    return _law_of(queue, len(_NODES) if closely else _ENOUGH).waits


def mean_if_longer(queue: Queue, by_mm: float) -> float:
    """Return the mean lateness (mm) if each service were so much longer, nodes staying."""
    law = _law_of(queue, _ENOUGH)
    longer = replace(queue, service_mm=queue.service_mm + by_mm)
    return law.with_steps(longer, law.steps.longer(by_mm)).waits.mean_mm


def _law_of(queue: Queue, most: int) -> _Settled:
    """Return the law on nodes placed anew until the mean wait stays, at most so many times."""
    law = _settled(queue, 0)
    for anew in range(1, 1 + most):
        coarse = law.waits.mean_wait_mm
        if coarse < _HARDLY * queue.fine_mm:
            break
        law = _settled(queue, anew)
        if abs(law.waits.mean_wait_mm - coarse) < _SAME * coarse:
            break
    return law


@lru_cache(maxsize=64)
def _settled(queue: Queue, anew: int) -> _Settled:
    """Return the law on nodes placed anew so many times."""
    if anew > 0:
        return _settled(queue, anew - 1).on_dense_nodes(_NODES[anew - 1])
    steps = _Steps.of(queue)
    normal, chances = normal_nodes(_NOISE_NODES)
    noise = normal * queue.noise_sd_mm
    nodes = _nodes(queue, low=-float(noise[-1]), high=steps.highest(queue, float(noise[-1])))
    return _Settled.of(queue, steps, nodes, noise, chances)


@dataclass(frozen=True, slots=True)
class _Settled:
    """The stationary law of D on a row of nodes.

    ``here``: share of carriers at each node; ``starts``, ``stays``: shares that go on by a service,
    and by a pitch alone.
    """

    queue: Queue
    steps: _Steps
    nodes: Floats
    noise: Floats
    chances: Floats
    here: Floats
    starts: Floats
    stays: Floats
    waits: Waits = field(init=False)

    def __post_init__(self) -> None:
        room, later = self.queue.room_mm, self.queue.corrected_mm
        waits = Waits(self.beyond, self.up_to, room, corrected_mm=later)
        object.__setattr__(self, "waits", waits)

    @classmethod
    def of(
        cls, queue: Queue, steps: _Steps, nodes: Floats, noise: Floats, chances: Floats
    ) -> _Settled:
        # served at once, from the noise's point (nodes × noise), or later, from D
        waits = nodes[:, None] - noise
        sooner = (waits <= 0.0) * chances * queue.come
        later = ((waits > 0.0) & (waits <= queue.room_mm)) @ chances * queue.come
        stay = 1.0 - later - sooner.sum(axis=1)
        points = _between(noise + queue.corrected_mm, nodes)
        serving = _moves(steps.serving, nodes)
        moved = later[:, None] * serving + stay[:, None] * _moves(steps.passing, nodes)
        # einsum, not BLAS, whose threads each occupy a core while they wait for the others
        moved += np.einsum("ij,jk->ik", sooner, np.einsum("ij,jk->ik", points, serving))
        here = _stationary(moved)
        starts, stays = here * later + (here @ sooner) @ points, here * stay
        return cls(queue, steps, nodes, noise, chances, here, starts, stays)

    def with_steps(self, queue: Queue, steps: _Steps) -> _Settled:
        """Return the law of a queue with other steps on the same nodes."""
        return _Settled.of(queue, steps, self.nodes, self.noise, self.chances)

    def on_dense_nodes(self, many: int) -> _Settled:
        """Return the law on so many nodes, dense where D mostly is."""
        apart = np.diff(self.nodes)
        weights = 0.5 * (self.here[1:] + self.here[:-1]) + _ANYWHERE * apart / apart.sum()
        nodes = np.concatenate(([0.0], np.cumsum(apart * np.cbrt(weights / apart))))
        dense = np.interp(np.linspace(0.0, nodes[-1], many), nodes, self.nodes)
        return _Settled.of(self.queue, self.steps, dense, self.noise, self.chances)

    def beyond(self, travel: Floats | float) -> Floats:
        """Return the share of carriers that wait more than a travel (mm), or each of some."""
        # travels × noise × nodes
        far = np.asarray(travel)[..., None, None] + self.noise[:, None] - self.nodes
        moves = np.einsum("...ij,j", 1.0 - self.steps.serving.below(far), self.starts)
        moves += np.einsum("...ij,j", 1.0 - self.steps.passing.below(far), self.stays)
        found: Floats = np.clip(moves @ self.chances, 0.0, 1.0)
        return found

    def up_to(self, travel: float) -> float:
        """Return E[min(wait, travel)] (mm): ∫ P(wait > x) dx from 0 to the travel (elementary)."""
        near = self.noise[:, None] - self.nodes
        both = ((self.steps.serving, self.starts), (self.steps.passing, self.stays))
        whole = sum(
            (travel - law.under(near + travel) + law.under(near)) @ here for law, here in both
        )
        return float(whole @ self.chances)


def _nodes(queue: Queue, *, low: float, high: float) -> Floats:
    """Return nodes from the lowest relevant D to the highest."""
    fine = max(queue.fine_mm, (high - low) / 4000.0)
    places = list(np.arange(low, 0.0, max(fine, -low / _NODES_BELOW)))
    x = 0.0
    while x < high:
        places.append(x)
        x += max(fine, _RELATIVE * x)
    places.append(max(high, x))
    return np.array(places)


def _between(places: Floats, nodes: Floats) -> Floats:
    """Return each place's (row) weights at its two neighbouring nodes (columns)."""
    after = np.clip(np.searchsorted(nodes, places), 1, len(nodes) - 1)
    part = np.clip((places - nodes[after - 1]) / (nodes[after] - nodes[after - 1]), 0.0, 1.0)
    ones = np.eye(len(nodes))
    return (1.0 - part)[:, None] * ones[after - 1] + part[:, None] * ones[after]


@dataclass(frozen=True, slots=True)
class _Law:
    """A law on a fine even row of places: its distribution function and the integral of it.

    ``rises``: by how much the integral grows from each place to the next.
    """

    places: Floats
    function: Floats
    integral: Floats
    rises: Floats

    @classmethod
    def of(cls, places: Floats, shares: Floats) -> _Law:
        function = np.minimum(1.0, np.cumsum(shares))
        width = places[1] - places[0]
        whole = np.concatenate(([0.0], np.cumsum(function)[:-1] * width))
        # half of a place's share lies below it
        return cls(places, function - 0.5 * shares, whole, np.diff(whole))

    def below(self, x: Floats) -> Floats:
        """Return the share below each place, shape of ``x``."""
        share = np.interp(x, self.places, self.function, left=0.0, right=1.0)
        return np.asarray(share, dtype=np.float64)

    def under(self, x: Floats) -> Floats:
        """Return E[max(0, x − X)], shape of ``x``."""
        last = len(self.rises)
        found = np.clip((x - self.places[0]) / (self.places[1] - self.places[0]), 0.0, last)
        low = np.minimum(found.astype(np.intp), last - 1)
        found -= low
        found *= self.rises.take(low)
        found += self.integral.take(low)
        found += np.maximum(0.0, x - self.places[-1])
        return np.asarray(found, dtype=np.float64)


def _moves(law: _Law, nodes: Floats) -> Floats:
    """Return the shares with which each node (row) moves to each (column) by a step of the law.

    A node's share is the mean of its tent function: second differences of E[max(0, x − X)] (any
    textbook on finite elements). Moves beyond the first or last node end there.
    """
    under = law.under(nodes[None, :] - nodes[:, None])
    slopes = np.diff(under, axis=1) / np.diff(nodes)
    found: Floats = np.empty_like(under)
    found[:, 0], found[:, -1] = slopes[:, 0], 1.0 - slopes[:, -1]
    np.subtract(slopes[:, 1:], slopes[:, :-1], out=found[:, 1:-1])
    return found


def _stationary(moved: Floats) -> Floats:
    """Return the stationary law, πM = π, Σπ = 1; overwrites ``moved``.

    If the feeder rests now and then, a few moves give it. Else, with share 1 at the node k where D
    was most often and rows and columns of the others, π(I − M) is row k of M: an M-matrix with a
    dominant diagonal, which is factored as it stands, without pivots (Golub and Van Loan, Matrix
    Computations, section 4.1, from memory). SuperLU, as dense LAPACK shares the work among threads:
    its last digits then depend on their number.
    """
    np.maximum(moved, 0.0, out=moved)
    moved /= moved.sum(axis=1)[:, None]
    here = moved[0]
    for _ in range(_MOST_MOVES):
        before, here = here, np.einsum("i,ij", here, moved)
        if np.abs(here - before).sum() < _SETTLED:
            return np.asarray(here / here.sum(), dtype=np.float64)
    often = int(np.argmax(here))
    others = np.arange(len(moved)) != often
    among = moved[np.ix_(others, others)]
    np.fill_diagonal(among, 0.0)
    leave = among.sum(axis=1) + moved[others, often]
    found = np.insert(_solved(np.diag(leave) - among, moved[often, others]), often, 1.0)
    return np.asarray(found / found.sum(), dtype=np.float64)


def _solved(matrix: Floats, right: Floats) -> Floats:
    """Return x with x·matrix = right."""
    from scipy.sparse import csr_matrix
    from scipy.sparse.linalg import splu

    factors = splu(csr_matrix(matrix).T, permc_spec="NATURAL", diag_pivot_thresh=0.0)
    return np.asarray(factors.solve(right), dtype=np.float64)


@dataclass(frozen=True, slots=True)
class _Steps:
    """The changes of D to the next carrier, served or not."""

    serving: _Law
    passing: _Law
    longest_mm: float

    @classmethod
    def of(cls, queue: Queue) -> _Steps:
        """Return the steps of a queue: service less pitch, and less pitch alone."""
        reach = _FAR * queue.gap_sd_mm
        gaps = (queue.least_gap_mm, queue.gap_mm - reach, queue.gap_mm + reach)
        low = queue.service_mm + max(gaps[0], gaps[1])
        high = queue.service_mm + max(gaps[0], gaps[2])
        most = high + queue.double_mm * (queue.double > 0.0)
        most += max(longer for longer, _ in queue.again)
        furthest = queue.room_mm + 2.0 * most + _FAR * queue.noise_sd_mm
        furthest = min(furthest, queue.arrival.longest_mm)
        width = float(most - low + furthest) / (_FINE - 16)
        pitch = _tents(queue.arrival.mean_beyond, start=-width, width=width)
        start = low - 2.0 * width
        normal = {"least": queue.least_gap_mm, "mean": queue.gap_mm, "sd": queue.gap_sd_mm}
        gap = _tents(
            lambda x: clipped_beyond(x - queue.service_mm, **normal), start=start, width=width
        )
        longer = _tents(lambda x: _longer_beyond(queue, x), start=-width, width=width)
        size = 2 * _FINE
        # service − pitch: the pitch reversed, so that its last place comes first
        waves = (np.fft.rfft(shares, size) for shares in (gap, longer, pitch[::-1]))
        both = np.maximum(np.fft.irfft(math.prod(waves), size)[:-1], 0.0)
        first = start - (_FINE - 1) * width
        places = first + width * np.arange(len(both), dtype=np.float64)
        back = width * (np.arange(_FINE, dtype=np.float64) - _FINE + 2.0)
        return cls(
            _Law.of(places, both / both.sum()),
            _Law.of(back, pitch[::-1] / pitch.sum()),
            most - queue.arrival.shortest_mm,
        )

    def longer(self, by_mm: float) -> _Steps:
        """Return the steps if each service is so much longer."""
        serving = replace(self.serving, places=self.serving.places + by_mm)
        return _Steps(serving, self.passing, self.longest_mm + by_mm)

    def highest(self, queue: Queue, noise: float) -> float:
        """Return the highest possible D."""
        latest = max(queue.room_mm, queue.corrected_mm)
        return max(queue.fine_mm, latest + noise + max(0.0, self.longest_mm))


def _tents(beyond: Callable[[Floats], Floats], *, start: float, width: float) -> Floats:
    """Return a law's shares on an even row of places, its mean kept; the last takes the rest.

    ``beyond``: x → E[max(0, X − x)], whose second differences they are (elementary).
    """
    places = start + width * np.arange(-1, _FINE + 1, dtype=np.float64)
    found: Floats = np.maximum(np.diff(beyond(places), n=2), 0.0) / width
    found[-1] += max(0.0, 1.0 - float(found.sum()))
    return found


def _longer_beyond(queue: Queue, x: Floats) -> Floats:
    """Return E[max(0, L − x)], L the extra travel for a double and passed inserts, shape of ``x``.

    A double adds anything up to d: E[max(0, U − x)] = (d − x)²/2d for 0 ≤ x ≤ d (elementary).
    """
    found: Floats = np.zeros_like(x)
    for longer, chance in queue.again:
        left = longer - x
        found += chance * (1.0 - queue.double * (queue.double_mm > 0.0)) * np.maximum(left, 0.0)
        if queue.double > 0.0 and queue.double_mm > 0.0:
            part = np.clip(left + queue.double_mm, 0.0, queue.double_mm)
            twice = part * part / (2.0 * queue.double_mm) + np.maximum(left, 0.0)
            found += chance * queue.double * twice
    return found
