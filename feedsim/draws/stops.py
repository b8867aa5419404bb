"""Draws for stops: which hazard becomes a jam, and how long clearing takes.

Jams are drawn by insert number, one stream for each feeder and hazard, clearing times in the
order of clearings: the same seed has the same ones at any speed and under any supervision.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from numpy.random import Generator

from feedsim.machine import Clearing

_BLOCK = 256


def jam_chances(source: Generator, probability: float) -> Callable[[int], bool]:
    """Return a function of the insert number: whether a hazard becomes a jam.

    Parameters
    ----------
    source : Generator
        The stream of one feeder and hazard.
    probability : float
        0…1.
    """
    known: list[bool] = []

    def jams(insert: int) -> bool:
        while len(known) <= insert:
            known.extend((source.random(_BLOCK) < probability).tolist())
        return known[insert]

    return jams


def clearing_times(source: Generator, clearing: Clearing) -> Iterator[float]:
    """Yield clearing times (s), without end.

    Exponential, of their mean; or lognormal (:meth:`feedsim.machine.Clearing.lognormal_s`).
    """
    mean = clearing.mean_s
    if clearing.exponential:
        while True:
            yield mean * float(source.standard_exponential())
    if clearing.cv <= 0.0 or mean <= 0.0:
        while True:
            yield mean
    while True:
        yield clearing.lognormal_s(float(source.standard_normal()))
