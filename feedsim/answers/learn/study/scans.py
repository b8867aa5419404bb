"""How long the program's scan is, by how the acts behind a scanned eye spread."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from feedsim.answers.learn.study.figures import NORMAL_95, Figure

__all__ = ["ScanSeen", "scan_seen"]

Floats = NDArray[np.float64]
_LEAST = 60
_MOST_STEPS = 12
_EACH = 20  # acts to a step, or one of twelve is empty by chance
_RARE = 0.02
_ROUNDS = 6
_ROOM = 1.1
_THIN = 4.0
_SURE = 3.2905267314919255  # 99.9 % of a normal law


@dataclass(frozen=True, slots=True)
class ScanSeen:
    """What acts behind a scanned eye show of the scan.

    ``scan``: s; None where acts spread over one step of their grid alone: then that is the scan, or
    the motion cycle and the scan is short beside it. ``step_s``: of the acts' places within a
    motion cycle where scan and cycle are locked, 0 where they are not.
    """

    scan: Figure | None
    step_s: float


def scan_seen(waits_s: Floats, acts_s: Floats, *, grid: Figure, noise_s: float) -> ScanSeen | None:
    """Tell the scan; None where it cannot be told.

    Parameters
    ----------
    waits_s : float64 array, shape (n,)
        From each edge to its act, the travel that is asked for in it.
    acts_s : float64 array, shape (n,)
        On their grid.
    grid : Figure
        Its period (s).
    noise_s : float
        Standard deviation of what edge, count and log add to a wait.

    Notes
    -----
    An edge waits for its scan and then for a tick, uniform over each: the variance of the sum is
    (s² + g² − γ²)/12, γ the step that is left where the two are locked (feedsim/MODEL.md, 13.4).
    Locked they are in a ratio p : q if acts fall on q of each p ticks alone.
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
            return ScanSeen(grid.scaled(many / used), step)
    more = seen - g**2
    if abs(more) <= _SURE * error:
        return ScanSeen(None, g)
    if more < 0.0:
        return None
    value, low, high = (
        math.sqrt(max(0.0, more + side * NORMAL_95 * error)) for side in (0.0, -1.0, 1.0)
    )
    if float(np.ptp(waits_s)) < value + g - _THIN * math.sqrt(2.0 * value * g / n):
        return None  # no such sum: locked, and now and then an act is one tick later
    return ScanSeen(Figure(value, low, high, n), 0.0)


def _timely(waits_s: Floats, acts_s: Floats, g: float) -> tuple[Floats, Floats]:
    """Leave out acts that came later than scan and tick together have them."""
    for _ in range(_ROUNDS):
        if len(waits_s) < _LEAST:
            break
        scan = math.sqrt(max(0.0, 12.0 * float(waits_s.var(ddof=1)) - g**2))
        timely = waits_s <= np.quantile(waits_s, 0.01) + _ROOM * (max(scan, g) + g)
        if timely.all():
            break
        waits_s, acts_s = waits_s[timely], acts_s[timely]
    return waits_s, acts_s
