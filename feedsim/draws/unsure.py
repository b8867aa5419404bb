"""Machines drawn from unsure values: for a search, and afresh for its verdict."""

from __future__ import annotations

import math
from statistics import NormalDist

from feedsim.draws.streams import stream

SEARCH, VERDICT = "tune.search", "tune.verdict"
_NORMAL = NormalDist()
_SIGMAS = 3.0
"""Where a normal law is cut off."""


def deviations(
    seed: int, kind: str, name: str, *, n: int, low: float, high: float, law: str
) -> list[float]:
    """Return n deviations of one unsure value.

    Parameters
    ----------
    seed : int
    kind : {"tune.search", "tune.verdict"}
        A search gets one in each n-th of the law (Latin hypercube sampling, McKay, Beckman and
        Conover 1979, Technometrics 21:239-245); a verdict independent ones, so that counted shares
        have the intervals of independent trials.
    name : str
        Of the value; each has its own stream.
    law : {"uniform", "triangular", "normal"}
        Between ``low`` and ``high``; a normal law is cut off there, at three standard deviations.
    """
    source = stream(seed, f"{kind}:{name}")
    shares = source.random(n)
    if kind == SEARCH:
        shares = (source.permutation(n) + shares) / n
    return [low + (high - low) * _placed(float(share), law) for share in shares]


def _placed(share: float, law: str) -> float:
    """Return the place in its range, 0…1, below which a share of the law lies."""
    if law == "triangular":
        half = math.sqrt(0.5 * min(share, 1.0 - share))
        return half if share < 0.5 else 1.0 - half
    if law == "normal":
        least = _NORMAL.cdf(-_SIGMAS)
        at = _NORMAL.inv_cdf(least + share * (1.0 - 2.0 * least))
        return min(1.0, max(0.0, 0.5 + 0.5 * at / _SIGMAS))
    return share
