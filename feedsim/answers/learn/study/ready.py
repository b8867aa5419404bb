"""How long a feeder is busy after its clutch has opened, from what it served and what it let go."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from feedsim.arrays import Floats


class Bounds(NamedTuple):
    """Between which a time lies (s); ``low`` is None where nothing bounds it from below."""

    low: float | None
    high: float
    n: int


def busy_bounds(
    served_s: Floats, waited_s: Floats, let_go_s: Floats, *, tick_s: float
) -> Bounds | None:
    """Bound the time from the opening of a clutch until the feeder is ready.

    Parameters
    ----------
    served_s : float64 array
        From an opening to the next closing, of marks that did not wait: ready by then.
    waited_s : float64 array
        The same of marks that waited: ready within a tick before.
    let_go_s : float64 array
        From an opening to the point of a mark for which the clutch did not close: not ready by
        then.
    tick_s : float
        Time between two motion ticks.

    Notes
    -----
    A time between the longest that was too short and the shortest that was enough is as likely as
    any other, since those two are points of a row that falls at random about it. None where
    nothing was served, or where they contradict each other.
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
