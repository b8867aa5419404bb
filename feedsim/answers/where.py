"""Where the runs of an answer are made."""

from __future__ import annotations

import os

from feedsim.errors import Fault, FeedsimError, argument
from feedsim.machine import Machine
from feedsim.running.engines import get_ready, is_quick
from feedsim.running.executor import Cluster, Local, Where

MOST_JOBS = 1000


def where_of(jobs: int | None, cluster: str | None = None) -> Where:
    """Return where to make runs.

    ``jobs``: processes of this machine; None: one for each core. ``cluster``: address of a Dask
    scheduler, whose workers make them instead. Raises FeedsimError if both are asked for, or no or
    too many processes.
    """
    if jobs is not None and not 1 <= jobs <= MOST_JOBS:
        raise FeedsimError(Fault(argument("jobs"), str(jobs), f"at least 1, at most {MOST_JOBS}"))
    if cluster is None:
        return Local(jobs or os.cpu_count() or 1)
    if jobs is not None:
        message = (
            f"cannot go with {argument('jobs')}: a cluster has as many processes as it has workers"
        )
        raise FeedsimError(Fault(argument("cluster"), message=message))
    return Cluster(cluster)


def quickest(machine: Machine, carriers: int, *, jobs: int | None, cluster: str | None) -> Where:
    """Return where these carriers run soonest, unless given; get this process ready.

    Parameters and what is refused: see :func:`where_of`.
    """
    where = where_of(jobs, cluster)
    if isinstance(where, Cluster):
        return where
    ready = get_ready((machine, carriers))
    return Local(1) if jobs is None and ready and is_quick(machine, carriers) else where
