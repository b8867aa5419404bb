"""Named random streams, all from one seed.

Every source of chance has a stream of its own, spawned from the seed by the source's
name. A source added later moves no other, and two scenarios with the same seed see the
same draws. ``PCG64`` is named, rather than NumPy's default generator, because a default
may change.
"""

from __future__ import annotations

import hashlib
from functools import cache

from numpy.random import PCG64, Generator, SeedSequence


def stream(seed: int, name: str, *, replication: int = 0) -> Generator:
    """Return the random stream of one source.

    Parameters
    ----------
    seed : int
        The scenario's seed, 0 or above.
    name : str
        The source, such as ``"carrier.pitch"``. Hashed with SHA-256, so that the
        stream depends on the name alone.
    replication : int, optional
        Repetition number, 0 or above.

    Raises
    ------
    ValueError
        If ``seed`` or ``replication`` is negative (NumPy's own check).
    """
    return Generator(PCG64(SeedSequence(seed, spawn_key=(replication, *_words(name)))))


@cache
def _words(name: str) -> tuple[int, ...]:
    digest = hashlib.sha256(name.encode()).digest()
    return tuple(int.from_bytes(digest[i : i + 4], "little") for i in range(0, 32, 4))
