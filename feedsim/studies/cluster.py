"""Points on the workers of a Dask scheduler. The only home of ``distributed``.

A scheduler has no access control: whoever reaches its port can run code on its workers.
"""

from __future__ import annotations

import asyncio
import logging
import pickle
import re
import sys
import warnings
from collections.abc import Awaitable, Callable, Coroutine, Iterator, Mapping
from concurrent.futures import CancelledError, Future
from contextlib import closing, contextmanager, suppress
from functools import cache
from hashlib import sha256
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from threading import Thread
from time import monotonic
from typing import Any
from uuid import uuid4

from feedsim import __version__
from feedsim.errors import Fault, FeedsimError

__all__ = ["cluster_workers"]

_ADDRESS = re.compile(r"(tcp|tls)://(\[[0-9a-fA-F:.%]+\]|[^\s:/\[\]@]+):(\d{1,5})", re.ASCII)
_ALLOWED = 'the address of a running Dask scheduler, such as "tcp://127.0.0.1:8786"'
_CONNECT_S, _ANSWER_S, _CLOSE_S = 10.0, 10.0, 3.0
_WORKERS_S = 5.0
_GRACE_S = 15.0
_LOOK_S = 0.5
_CHATTERING = ("distributed", "tornado")
_LIBRARIES = ("numpy", "scipy", "simpy")


@contextmanager
def cluster_workers(address: str, *, on_lost: Callable[[str], None]) -> Iterator[_Workers]:
    """Give the workers of a scheduler for as long as the ``with`` lasts.

    On leaving it, calls that are not done are dropped; one that a worker is in the midst of is
    finished there, for nobody.

    Parameters
    ----------
    address : str
        Of the scheduler.
    on_lost : callable
        Told in words when a worker is lost.

    Raises
    ------
    FeedsimError
        If there is no scheduler, no worker, or a worker whose results would differ; or, inside
        the ``with``, if all workers or the scheduler are lost, or one call ends each of them.
    """
    _check(address)
    killed_worker = _distributed().KilledWorker
    with _muted(), closing(_Background()) as background:
        client = background.do(_connected, address)
        try:
            workers = _Workers(background, client, address=address, on_lost=on_lost)
            yield workers
            workers.tell_lost()
        except killed_worker:
            raise _fault(
                "a point has ended every worker that it was given to (out of memory?)"
            ) from None
        except ModuleNotFoundError as error:
            if error.name is None or error.name.partition(".")[0] != "feedsim":
                raise
            raise _fault(f"a worker that came later has {_no_feedsim(error)}") from None
        except CancelledError:
            raise _fault(f"the scheduler at {address} has gone") from None
        finally:
            with suppress(OSError):
                background.do(client.close, within_s=_CLOSE_S)


class _Workers:
    """The workers of a scheduler, as something that takes calls."""

    def __init__(
        self,
        background: _Background,
        client: Any,
        *,
        address: str,
        on_lost: Callable[[str], None],
    ) -> None:
        self._background = background
        self._client = client
        self._on_lost = on_lost
        patience_s = _WORKERS_S + _ANSWER_S
        try:
            self._known = background.do(_checked_workers, client, address, within_s=patience_s)
        except OSError:
            raise _fault(f"the scheduler at {address} or its workers do not answer") from None
        self._here = _versions()
        self._looked_s = self._seen_s = monotonic()

    def submit(self, work: Callable[..., Any], /, *call: Any) -> Future[Any]:
        sent = pickle.dumps(_Sent(_checked, (self._here, work, call)))
        return self._background.start(self._result(sent, name=getattr(work, "__name__", "work")))

    async def _result(self, sent: bytes, *, name: str) -> Any:
        # a key of its own each time, or the scheduler may answer from its memory
        return await self._client.submit(pickle.loads, sent, key=f"{name}-{uuid4()}")

    def look(self) -> None:
        if monotonic() < self._looked_s + _LOOK_S:
            return
        trouble = self.tell_lost()
        self._looked_s = monotonic()
        if not trouble:
            self._seen_s = monotonic()
        elif monotonic() > self._seen_s + _GRACE_S:
            raise _fault(trouble)

    def tell_lost(self) -> str:
        """Tell of workers that have gone; return in words why nothing goes on, "" if it does."""
        try:
            there = set(self._background.do(self._client.nthreads, within_s=_ANSWER_S))
        except OSError:
            return "the scheduler does not answer any more"
        for address in sorted(self._known - there):
            self._on_lost(f"a worker of the cluster is gone ({address}); its points go to others")
        self._known = there
        return "" if there else f"all workers are gone, and none has come within {_GRACE_S:.0f} s"


class _Sent:
    """A call that is made where it is unpickled.

    So nothing on its way, which includes the scheduler, has to know what is called: where
    feedsim is missing the call ends in an error instead of a broken connection.
    """

    def __init__(self, work: Callable[..., Any], call: tuple[Any, ...]) -> None:
        self._made_of = (work, call)

    def __reduce__(self) -> tuple[Callable[..., Any], tuple[Any, ...]]:
        return self._made_of


def _checked(there: Mapping[str, str], work: Callable[..., Any], call: tuple[Any, ...]) -> Any:
    """Make a call on a worker, if its results are those of the process that asks."""
    if differing := _differing(_versions(), there):
        raise _fault(f"a worker that came later has {differing}")
    return work(*call)


async def _connected(address: str) -> Any:
    client = _distributed().Client(
        address, asynchronous=True, set_as_default=False, timeout=_CONNECT_S
    )
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
        raise FeedsimError(Fault("--cluster", found=found, allowed=_ALLOWED)) from None
    return client


async def _checked_workers(client: Any, address: str) -> set[str]:
    """Wait for workers, and make sure that their results are those of this process."""
    deadline_s = monotonic() + _WORKERS_S
    while not await client.nthreads():
        if monotonic() > deadline_s:
            raise _fault(
                f"the scheduler at {address} has no workers; start some with "
                f'"dask worker {address} --nthreads 1"'
            )
        await asyncio.sleep(0.1)
    sent = pickle.dumps(_Sent(_versions, ()))
    answers = await client.run(pickle.loads, sent, on_error="return")
    # an OSError: it has gone meanwhile
    answers = {worker: a for worker, a in answers.items() if not isinstance(a, OSError)}
    faults = [
        Fault("--cluster", message=f"worker {worker} has {differing}")
        for worker, answer in sorted(answers.items())
        if (differing := _differing(answer, _versions()))
    ]
    if faults:
        raise FeedsimError(*faults)
    return set(answers)


def _differing(there: Mapping[str, str] | Exception, here: Mapping[str, str]) -> str:
    """Say in what a worker's answer differs from what it would be here; "" if in nothing."""
    if isinstance(there, Exception):
        return _no_feedsim(there)
    names = [name for name in here if there.get(name) != here[name]]
    return ", ".join(f"{name} {there.get(name, 'missing')}, not {here[name]}" for name in names)


def _no_feedsim(error: Exception) -> str:
    return f"no feedsim that can be used ({error})"


@cache
def _versions() -> Mapping[str, str]:
    """Return what the results of a point depend on, besides the point itself."""
    versions = {
        "feedsim": f"{__version__} (code {_code()})",
        "python": ".".join(map(str, sys.version_info[:2])),
    }
    for library in _LIBRARIES:
        with suppress(PackageNotFoundError):
            versions[library] = version(library)
    return versions


def _code() -> str:
    """Return a short hash of feedsim's own code, which may change within a version."""
    root = Path(__file__).parents[1]
    digest = sha256()
    for file in sorted(root.rglob("*.py")):
        digest.update(file.read_text("utf-8").encode())
    return digest.hexdigest()[:8]


class _Background:
    """An event loop in a thread of its own."""

    def __init__(self) -> None:
        self._loop = asyncio.new_event_loop()
        # what the library leaves behind when it is closed is no news for the terminal
        self._loop.set_exception_handler(lambda *_: None)
        self._thread = Thread(target=self._loop.run_forever, name="feedsim cluster", daemon=True)
        self._thread.start()

    def start(self, coroutine: Coroutine[Any, Any, Any]) -> Future[Any]:
        return asyncio.run_coroutine_threadsafe(coroutine, self._loop)

    def do(
        self, work: Callable[..., Awaitable[Any]], *call: Any, within_s: float | None = None
    ) -> Any:
        """Return the result of a call that is made there; a TimeoutError if it takes longer."""

        async def made() -> Any:
            return await asyncio.wait_for(work(*call), within_s)

        return self.start(made()).result()

    def close(self) -> None:
        """Cancel what still goes on, and end the thread."""
        self.do(_cancel_others)
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join()
        self._loop.close()


async def _cancel_others() -> None:
    others = {task for task in asyncio.all_tasks() if task is not asyncio.current_task()}
    for task in others:
        task.cancel()
    await asyncio.gather(*others, return_exceptions=True)


@contextmanager
def _muted() -> Iterator[None]:
    """Keep the library's log off the terminal; what matters is told as an error or a loss."""
    names = [*logging.root.manager.loggerDict]
    loggers = [logging.getLogger(n) for n in names if n.partition(".")[0] in _CHATTERING]
    heard = [logger for logger in loggers if not logger.disabled]
    for logger in heard:
        logger.disabled = True
    try:
        yield
    finally:
        for logger in heard:
            logger.disabled = False


def _distributed() -> Any:
    try:
        import distributed
    except ImportError:
        raise _fault(
            "needs the library distributed, which is not installed: install feedsim[cluster]"
        ) from None
    return distributed


def _check(address: str) -> None:
    found = _ADDRESS.fullmatch(address)
    if found is None or not 0 < int(found[3]) < 65536:
        shown = address if len(address) <= 60 else address[:57] + "..."
        raise FeedsimError(Fault("--cluster", found=repr(shown), allowed=_ALLOWED))


def _fault(message: str) -> FeedsimError:
    return FeedsimError(Fault("--cluster", message=message))
