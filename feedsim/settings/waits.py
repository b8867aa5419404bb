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

from dataclasses import dataclass, field, replace
from functools import lru_cache

import numpy as np

from feedsim.arrays import Floats
from feedsim.probability.distribution_parts import normal_nodes
from feedsim.probability.stationary import stationary
from feedsim.settings.queues import Queue, Waits
from feedsim.settings.waits_steps import Steps, moves

_RELATIVE = 1.0 / 30.0
_NODES_BELOW = 16.0
_NOISE_NODES, _FEWER_NODES = 7, 4
_NODES, _ENOUGH = (160, 220, 400, 600), 2
_SAME, _HARDLY = 0.03, 1e-3
_ANYWHERE = 1e-4
"""Share of all nodes' weight given to places where D is practically never."""


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
    steps = Steps.of(queue)
    noise = Noise.of(queue)
    most = noise.most
    nodes = _nodes(queue, low=-most, high=steps.highest(queue, most))
    return _Settled.of(queue, steps, nodes, noise)


@dataclass(frozen=True, slots=True)
class Noise:
    """Values of U with their shares, shape (values,): the sum of a normal part and of ``sooner``.

    ``sooner``: by how much sooner an insert lands that is staged further on (mm, below 0).
    """

    normal: Floats
    sooner: Floats
    chances: Floats

    @classmethod
    def of(cls, queue: Queue) -> Noise:
        """Return the values for a queue."""
        further, shares = np.array(queue.further).T
        normal, chances = normal_nodes(_NOISE_NODES if len(further) == 1 else _FEWER_NODES)
        return cls(
            np.tile(normal * queue.noise_sd_mm, len(further)),
            np.repeat(-further, len(normal)),
            np.outer(shares, chances).ravel(),
        )

    @property
    def whole(self) -> Floats:
        """U."""
        return self.normal + self.sooner

    @property
    def most(self) -> float:
        """The largest value, either way."""
        return float(np.abs(self.whole).max())


@dataclass(frozen=True, slots=True)
class _Settled:
    """The stationary law of D on a row of nodes.

    ``here``: share of carriers at each node; ``starts``, ``stays``: shares that go on by a service,
    and by a pitch alone.
    """

    queue: Queue
    steps: Steps
    nodes: Floats
    noise: Noise
    here: Floats
    starts: Floats
    stays: Floats
    waits: Waits = field(init=False)

    def __post_init__(self) -> None:
        room, later = self.queue.room_mm, self.queue.corrected_mm
        lands = self.lands if self.noise.sooner.any() else None
        waits = Waits(self.beyond, self.up_to, room, corrected_mm=later, lands=lands)
        object.__setattr__(self, "waits", waits)

    @classmethod
    def of(cls, queue: Queue, steps: Steps, nodes: Floats, noise: Noise) -> _Settled:
        # served at once, from the noise's point (nodes × noise), or later, from D
        waits, chances = nodes[:, None] - noise.whole, noise.chances
        sooner = (waits <= 0.0) * chances * queue.come
        later = ((waits > 0.0) & (waits <= queue.room_mm)) @ chances * queue.come
        stay = 1.0 - later - sooner.sum(axis=1)
        # a corrected point is as much later as its insert is staged further on
        points = noise.normal + queue.corrected_mm if queue.corrected_mm else noise.whole
        points = _between(points, nodes)
        serving = moves(steps.serving, nodes)
        moved = later[:, None] * serving + stay[:, None] * moves(steps.passing, nodes)
        # einsum, not BLAS, whose threads each occupy a core while they wait for the others
        moved += np.einsum("ij,jk->ik", sooner, np.einsum("ij,jk->ik", points, serving))
        here = stationary(moved)
        starts, stays = here * later + (here @ sooner) @ points, here * stay
        return cls(queue, steps, nodes, noise, here, starts, stays)

    def with_steps(self, queue: Queue, steps: Steps) -> _Settled:
        """Return the law of a queue with other steps on the same nodes."""
        return _Settled.of(queue, steps, self.nodes, self.noise)

    def on_dense_nodes(self, many: int) -> _Settled:
        """Return the law on so many nodes, dense where D mostly is."""
        apart = np.diff(self.nodes)
        weights = 0.5 * (self.here[1:] + self.here[:-1]) + _ANYWHERE * apart / apart.sum()
        nodes = np.concatenate(([0.0], np.cumsum(apart * np.cbrt(weights / apart))))
        dense = np.interp(np.linspace(0.0, nodes[-1], many), nodes, self.nodes)
        return _Settled.of(self.queue, self.steps, dense, self.noise)

    def beyond(self, travel: Floats | float) -> Floats:
        """Return the share of carriers that wait more than a travel (mm), or each of some."""
        return self._above(np.asarray(travel)[..., None] + self.noise.whole)

    def lands(self, travel: Floats | float) -> Floats:
        """Return the share that waits, and whose insert lands more than a travel (mm) late.

        A carrier that waits W is served W late, by an insert that lands W + ``sooner`` late: as D
        is later than the normal part.
        """
        late = np.maximum(np.asarray(travel)[..., None], self.noise.sooner)
        return self._above(late + self.noise.normal)

    def _above(self, places: Floats) -> Floats:
        """Return the share of carriers with D above a place for each noise, in the last axis."""
        # travels × noise × nodes
        far = places[..., None] - self.nodes
        moves = np.einsum("...ij,j", 1.0 - self.steps.serving.below(far), self.starts)
        moves += np.einsum("...ij,j", 1.0 - self.steps.passing.below(far), self.stays)
        found: Floats = np.clip(moves @ self.noise.chances, 0.0, 1.0)
        return found

    def up_to(self, travel: float) -> float:
        """Return E[min(wait, travel)] (mm): ∫ P(wait > x) dx from 0 to the travel (elementary)."""
        near = self.noise.whole[:, None] - self.nodes
        both = ((self.steps.serving, self.starts), (self.steps.passing, self.stays))
        whole = sum(
            (travel - law.under(near + travel) + law.under(near)) @ here for law, here in both
        )
        return float(whole @ self.noise.chances)


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
