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


def stays_on(eye: Eye, *, length_mm: float, speed_mm_s: float) -> Distribution:
    """Return the travel (mm) for which the output is on behind a card's edge.

    From the seen edge plus response to the tail plus off-response: length + v·(off-response −
    response) (feedsim/MODEL.md, section 13, fact 14).
    """
    return Distribution(
        length_mm + speed_mm_s * (eye.off_response_s - eye.response_s),
        eye.edge_sd_mm,
        (speed_mm_s * eye.response_jitter_s,),
    )


def too_short(eye: Eye, controller: Controller, *, length_mm: float, speed_mm_s: float) -> float:
    """Return the share of cards at a speed for which the output is on for too short a time.

    P(:func:`stays_on` < v·needed) (feedsim/MODEL.md, section 13, fact 14).
    """
    if not filters(eye):
        return 0.0
    lasts = stays_on(eye, length_mm=length_mm, speed_mm_s=speed_mm_s)
    return lasts.plus(level_lasts(eye, controller).times(-speed_mm_s)).share_below(0.0)


def gap_too_short(
    eye: Eye, controller: Controller, gap: Distribution, *, speed_mm_s: float
) -> float:
    """Return the share of gaps (mm) at a speed that end before the eye may see them.

    P(gap + edge < v·(off-response + :func:`gap_lasts`)) (feedsim/MODEL.md, section 13, fact 13).
    """
    seen = gap.plus(Distribution(normal_sd=eye.edge_sd_mm))
    if filters(eye):
        seen = seen.plus(gap_lasts(eye, controller).times(-speed_mm_s))
    return seen.share_below(speed_mm_s * eye.off_response_s)


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
