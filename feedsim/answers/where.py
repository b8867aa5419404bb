"""Where the runs of an answer are made."""

from __future__ import annotations

import os

from feedsim.errors import Fault, FeedsimError
from feedsim.running.executor import Cluster, Local, Where

__all__ = ["where_of"]


def where_of(jobs: int | None, cluster: str | None = None) -> Where:
    """Return where runs are to be made.

    Parameters
    ----------
    jobs : int or None
        Processes of this machine; None: one for each core.
    cluster : str, optional
        Address of a Dask scheduler, whose workers make them instead.

    Raises
    ------
    FeedsimError
        If both are asked for.
    """
    if cluster is None:
        return Local(jobs or os.cpu_count() or 1)
    if jobs is not None:
        message = "cannot go with --jobs: a cluster has as many processes as it has workers"
        raise FeedsimError(Fault("--cluster", message=message))
    return Cluster(cluster)
