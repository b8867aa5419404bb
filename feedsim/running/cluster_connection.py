"""Connecting to a Dask scheduler, and checking that its workers give the results of this process.

The only home of ``distributed``.
"""

from __future__ import annotations

import asyncio
import pickle
import re
import warnings
from collections.abc import Callable, Mapping
from time import monotonic
from typing import Any

from feedsim.errors import Fault, FeedsimError, argument, shortened
from feedsim.running.provenance import differing, versions

_ADDRESS = re.compile(r"(tcp|tls)://(\[[0-9a-fA-F:.%]+\]|[^\s:/\[\]@]+):(\d{1,5})", re.ASCII)
_ALLOWED = 'the address of a running Dask scheduler, such as "tcp://127.0.0.1:8786"'
_CONNECT_S = 10.0
WORKERS_S = 5.0
"""How long to wait for a first worker."""


def check_address(address: str) -> None:
    """Refuse anything but the address of a scheduler."""
    found = _ADDRESS.fullmatch(address)
    if found is None or not 0 < int(found[3]) < 65536:
        raise FeedsimError(
            Fault(argument("cluster"), found=repr(shortened(address)), allowed=_ALLOWED)
        )


async def connected(address: str) -> Any:
    """Return a client of the scheduler; a FeedsimError if none answers there."""
    client = library().Client(address, asynchronous=True, set_as_default=False, timeout=_CONNECT_S)
    try:
        with warnings.catch_warnings():
            # of versions that differ, we look at those that matter
            warnings.filterwarnings("ignore", module="distributed")
            await asyncio.wait_for(client, _CONNECT_S + 0.5)
    except BaseException as error:  # what answers there may be anything, and answer anything
        await client.close()
        if not isinstance(error, Exception):
            raise
        why = f"where no scheduler answers within {_CONNECT_S:.0f} s"
        if address.startswith("tls") and isinstance(error, TypeError):
            why = "but no certificates in Dask's own configuration"
        found = f"{address!r} ({why})"
        raise FeedsimError(Fault(argument("cluster"), found=found, allowed=_ALLOWED)) from None
    return client


async def checked_workers(client: Any, address: str) -> set[str]:
    """Wait for workers, and check that they give the results of this process."""
    deadline_s = monotonic() + WORKERS_S
    while not await client.nthreads():
        if monotonic() > deadline_s:
            raise fault(
                f"the scheduler at {address} has no workers; start some with "
                f'"dask worker {address} --nthreads 1"'
            )
        await asyncio.sleep(0.1)
    sent = pickle.dumps(SentCall(versions, ()))
    answers = await client.run(pickle.loads, sent, on_error="return")
    # an OSError: it has gone meanwhile
    answers = {worker: a for worker, a in answers.items() if not isinstance(a, OSError)}
    faults = [
        Fault(argument("cluster"), message=f"worker {worker} has {words}")
        for worker, answer in sorted(answers.items())
        if (words := _differing(answer, versions()))
    ]
    if faults:
        raise FeedsimError(*faults)
    return set(answers)


def checked_call(there: Mapping[str, str], work: Callable[..., Any], call: tuple[Any, ...]) -> Any:
    """Make a call on a worker, if its versions are those of the calling process."""
    if words := differing(versions(), there):
        raise fault(f"a worker that came later has {words}")
    return work(*call)


class SentCall:
    """A call that runs where it is unpickled.

    So nothing on the way, not even the scheduler, needs to know the function: if feedsim is
    missing, the call ends in an error and not in a broken connection.
    """

    def __init__(self, work: Callable[..., Any], call: tuple[Any, ...]) -> None:
        self._made_of = (work, call)

    def __reduce__(self) -> tuple[Callable[..., Any], tuple[Any, ...]]:
        return self._made_of


def _differing(there: Mapping[str, str] | Exception, here: Mapping[str, str]) -> str:
    """Return how a worker's versions differ from those here, or ""."""
    return no_feedsim(there) if isinstance(there, Exception) else differing(there, here)


def no_feedsim(error: Exception) -> str:
    """Say why a worker cannot use feedsim."""
    return f"no feedsim that can be used ({error})"


def library() -> Any:
    """Return ``distributed``; a FeedsimError if it is not installed."""
    try:
        import distributed
    except ImportError:
        raise fault(
            "needs the library distributed, which is not installed: install feedsim[cluster]"
        ) from None
    return distributed


def fault(message: str) -> FeedsimError:
    """Return an error of the argument ``cluster``."""
    return FeedsimError(Fault(argument("cluster"), message=message))
