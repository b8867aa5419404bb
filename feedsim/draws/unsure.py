"""Machines drawn of what is known only roughly: for a search, and afresh for its verdict."""

from __future__ import annotations

import math
from statistics import NormalDist

from feedsim.draws.streams import stream

SEARCH, VERDICT = "tune.search", "tune.verdict"
_NORMAL = NormalDist()
_SIGMAS = 3.0
"""Where a normal law is cut off."""


def seed_of(seed: int, what: str) -> int:
    """Return a seed of 32 bits for a library that asks for one."""
    return int(stream(seed, what).integers(0, 2**32))


def deviations(
    seed: int, kind: str, name: str, *, n: int, low: float, high: float, law: str
) -> list[float]:
    """Return n deviations of one value that is unsure.

    Parameters
    ----------
    seed : int
    kind : {"tune.search", "tune.verdict"}
        Those of a search are spread evenly, one in each n-th of the law (Latin hypercube sampling,
        McKay, Beckman and Conover 1979, Technometrics 21:239-245); those of a verdict are
        independent, so that shares counted in them have the intervals of independent trials.
    name : str
        Of the value; each has a stream of its own.
    law : {"uniform", "triangular", "normal"}
        Between them; normal: they are three standard deviations off, and it ends there.
    """
    source = stream(seed, f"{kind}:{name}")
    shares = source.random(n)
    if kind == SEARCH:
        shares = (source.permutation(n) + shares) / n
    return [low + (high - low) * _placed(float(share), law) for share in shares]


def _placed(share: float, law: str) -> float:
    """Return where in its range, 0…1, a share of the law lies below."""
    if law == "triangular":
        half = math.sqrt(0.5 * min(share, 1.0 - share))
        return half if share < 0.5 else 1.0 - half
    if law == "normal":
        least = _NORMAL.cdf(-_SIGMAS)
        at = _NORMAL.inv_cdf(least + share * (1.0 - 2.0 * least))
        return min(1.0, max(0.0, 0.5 + 0.5 * at / _SIGMAS))
    return share
