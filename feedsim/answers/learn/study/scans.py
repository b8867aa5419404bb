"""Times of a program from its acts: its scan, and how long a feeder is busy."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from feedsim.answers.learn.study.figures import Finding, pooled
from feedsim.arrays import Floats
from feedsim.metrics.intervals import NORMAL_95

_LEAST = 60
_MOST_STEPS = 12
_EACH = 20  # acts to a step, or one of twelve is empty by chance
_RARE = 0.02
_ROUNDS = 6
_ROOM = 1.1
_THIN, _THINNER = 4.0, 2.7
_SURE = 3.2905267314919255  # 99.9 % of a normal law


@dataclass(frozen=True, slots=True)
class ScanSeen:
    """What acts behind a scanned eye show of the scan.

    ``scan``: s; None if acts spread over only one step of their grid: then that is the scan, or the
    motion cycle, with a scan short beside it. ``step_s``: of the acts' places within a motion cycle
    if scan and cycle are locked, else 0. ``square_s2``, ``error_s2``: square of the scan by the
    spread of the acts alone, and its standard deviation. ``n``: number of acts.
    """

    scan: Finding | None
    step_s: float
    square_s2: float
    error_s2: float
    n: int

    @property
    def waits_sd_s(self) -> float:
        """Standard deviation of an edge's mean wait for its scan, half of one."""
        return 0.0 if self.scan is None else 0.5 * self.scan.sd


def scan_of_all(seen: Sequence[ScanSeen]) -> ScanSeen | None:
    """Return what all acts show of the controller's one scan; None if nothing.

    If some show a scan that others should show and do not, the side with more acts is right: a
    travel that ends at the edge of a tick is occasionally one tick longer, which looks like a
    longer scan.
    """
    told = [one for one in seen if one.scan is not None]
    alone = [one for one in seen if one.scan is None]
    if not told:
        return max(alone, key=lambda one: one.n, default=None)
    locked = [one for one in told if one.step_s > 0.0] or told
    square = _mean_square(locked)
    against = [one for one in alone if abs(one.square_s2 - square) > _SURE * one.error_s2]
    if sum(one.n for one in against) > sum(one.n for one in locked):
        return max(alone, key=lambda one: one.n)
    best = min(locked, key=lambda one: one.error_s2)
    scan = pooled([one.scan for one in locked if one.scan is not None])
    return replace(best, scan=scan, n=sum(one.n for one in locked))


def _mean_square(seen: Sequence[ScanSeen]) -> float:
    weights = [one.error_s2**-2 for one in seen]
    squares = sum(w * one.square_s2 for w, one in zip(weights, seen, strict=True))
    return squares / sum(weights)


def scan_seen(waits_s: Floats, acts_s: Floats, *, grid: Finding, noise_s: float) -> ScanSeen | None:
    """Determine the scan; None if the acts do not show it.

    ``waits_s``, shape (n,): from each edge to its act, including the travel asked for. ``acts_s``,
    shape (n,): on their ``grid`` of this period (s). ``noise_s``: standard deviation that edge,
    count and log add to a wait.

    An edge waits for its scan and then for a tick, uniform over each: the variance of the sum is
    (s² + g² − γ²)/12, γ the remaining step if the two are locked (feedsim/MODEL.md, 13.4). They are
    locked in a ratio p : q if acts fall on only q of each p ticks.
    """
    g = grid.value
    waits_s, acts_s = _timely(waits_s, acts_s, g)
    n = len(waits_s)
    if n < _LEAST:
        return None
    off = waits_s - waits_s.mean()
    variance = float(off @ off) / (n - 1)
    seen = 12.0 * (variance - noise_s**2)
    error = 12.0 * math.sqrt(max(0.0, float(np.mean(off**4)) - variance**2) / n)
    numbers = np.rint((acts_s - acts_s[0]) / g).astype(np.int64)
    for many in range(2, min(_MOST_STEPS, n // _EACH) + 1):
        shares = np.bincount(numbers % many, minlength=many) / n
        used = int(np.count_nonzero(shares > _RARE / many))
        scan, step = g * many / used, g / used
        if used < many and abs(seen - (scan**2 + g**2 - step**2)) <= _SURE * error:
            return ScanSeen(grid.scaled(many / used), step, scan**2, error, n)
    more = seen - g**2
    if abs(more) <= _SURE * error:
        return ScanSeen(None, g, more, error, n)
    if more < 0.0:
        return None
    value, low, high = (
        math.sqrt(max(0.0, more + side * NORMAL_95 * error)) for side in (0.0, -1.0, 1.0)
    )
    rough = math.sqrt(12.0) * noise_s  # as a uniform part, the sum is thinner at its ends
    thin = max(
        _THIN * math.sqrt(2.0 * value * g / n), _THINNER * math.cbrt(6.0 * value * g * rough / n)
    )
    if float(np.ptp(waits_s)) < value + g + rough - thin:
        return None  # no such sum: locked, and occasionally an act is one tick later
    return ScanSeen(Finding(value, low, high, n), 0.0, more, error, n)


def _timely(waits_s: Floats, acts_s: Floats, g: float) -> tuple[Floats, Floats]:
    """Leave out acts later than scan and tick together explain."""
    for _ in range(_ROUNDS):
        if len(waits_s) < _LEAST:
            break
        scan = math.sqrt(max(0.0, 12.0 * float(waits_s.var(ddof=1)) - g**2))
        timely = waits_s <= np.quantile(waits_s, 0.01) + _ROOM * (max(scan, g) + g)
        if timely.all():
            break
        waits_s, acts_s = waits_s[timely], acts_s[timely]
    return waits_s, acts_s


class Bounds(NamedTuple):
    """Bounds of a time (s); ``low`` is None if nothing bounds it from below."""

    low: float | None
    high: float
    n: int


def busy_bounds(
    served_s: Floats, waited_s: Floats, let_go_s: Floats, *, tick_s: float
) -> Bounds | None:
    """Bound the time from the opening of a clutch until the feeder is ready.

    ``served_s``: from an opening to the next closing, for marks that did not wait: ready by then.
    ``waited_s``: the same for marks that waited: ready within a motion tick (``tick_s``) before.
    ``let_go_s``: from an opening to the point of a mark for which the clutch did not close: not
    ready by then.

    All times between the longest that was too short and the shortest that was enough are equally
    likely, since those two belong to a series that falls at random around it. None if nothing was
    served, or if they contradict each other.
    """
    enough = np.concatenate([served_s, waited_s])
    if len(enough) == 0:
        return None
    high = float(enough.min())
    too_short = np.concatenate([let_go_s[let_go_s < np.inf], waited_s - tick_s])
    low = float(too_short.max()) if len(too_short) else None
    if low is not None and low > high:
        return None
    return Bounds(low, high, len(enough) + len(let_go_s))
