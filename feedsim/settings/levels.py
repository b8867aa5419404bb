"""How long a level of a photo-eye's output must last to be seen, in closed form.

A level counts once it has lasted for the filter's time. A polled one must also be on at a scan:
the first scan comes a time U after it began, uniform on 0…scan at random phases, so a level of
length L is unseen with probability P(U > L) = max(0, 1 − L/scan), and seen at two scans or more
with max(0, min(1, L/scan − 1)) (elementary). With both, a level must last for the longer of filter
and U, since the filter delays both of its ends alike.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from feedsim.machine import Controller, Eye
from feedsim.probability.distribution import Distribution

_PIECES, _NODES = 4, 8


def filters(eye: Eye) -> bool:
    """Return whether a level must last for some time at this eye to be seen."""
    return eye.polled or eye.filter_s > 0.0


def level_lasts(eye: Eye, controller: Controller) -> Distribution:
    """Return how long an output must be on to be seen (s): max(filter, U)."""
    return _longer_than(eye, controller, eye.filter_s)


def gap_lasts(eye: Eye, controller: Controller) -> Distribution:
    """Return how much longer than the off-response a gap must last at the eye (s).

    The output comes on a response r after the next edge, so a gap must last max(filter, U) − r
    longer, or 0 if that is negative: an edge before the output has dropped always merges. Includes
    the response's jitter if a level must last longer than the response.
    """
    least = max(eye.filter_s, eye.response_s)
    needs = _longer_than(eye, controller, least)
    jitter = (eye.response_jitter_s,) if eye.filter_s > eye.response_s else ()
    return needs.plus(Distribution(-eye.response_s, half_widths=jitter))


def _longer_than(eye: Eye, controller: Controller, least_s: float) -> Distribution:
    """Return the distribution of max(least, U), U the wait for a scan of a polled eye (s)."""
    scan = controller.scan_s if eye.polled else 0.0
    if scan <= least_s:
        return Distribution(least_s)
    return Distribution(least_s, rarely=((1.0 - least_s / scan, scan - least_s),))


def averaged(share: Callable[[float], float], needs: Distribution) -> float:
    """Return the average of a share over the time that a gap or a level needs (s).

    The uniform part by an eight-point Gauss-Legendre rule on four pieces; without jitter.
    """
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)  # on −1…1
    found = share(needs.mean)
    for chance, length in needs.rarely:
        found *= 1.0 - chance
        step = length / _PIECES
        for piece in range(_PIECES):
            for node, weight in zip(nodes.tolist(), weights.tolist(), strict=True):
                at = needs.mean + (piece + 0.5 * (node + 1.0)) * step
                found += chance * 0.5 * weight / _PIECES * share(at)
    return found
