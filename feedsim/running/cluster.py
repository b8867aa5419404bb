"""Points on the workers of a Dask scheduler.

A scheduler has no access control: anyone who reaches its port, or a worker's, can run code on its
workers, and on this machine too, since results are unpickled here.
"""

from __future__ import annotations

import asyncio
import logging
import pickle
from collections.abc import Awaitable, Callable, Coroutine, Iterator, Mapping
from concurrent.futures import CancelledError, Future
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from threading import Thread
from time import monotonic
from typing import Any, TypeVar, TypeVarTuple
from uuid import uuid4

from feedsim.running import cluster_connection as connection
from feedsim.running.provenance import versions

Args = TypeVarTuple("Args")
Result = TypeVar("Result")

_ANSWER_S, _CLOSE_S = 30.0, 3.0
_GRACE_S = 15.0
_SILENT_S = 30.0
"""Workers report about every second; one silent for this long counts as stopped."""
_LOOK_S = 0.5
_LONGEST_LOOK_S = 1.0
"""A longer time between two checks is a stall of our own, not a worker's silence."""
_CHATTERING = ("distributed", "tornado")


@contextmanager
def cluster_workers(address: str, *, on_lost: Callable[[str], None]) -> Iterator[_Workers]:
    """Yield the workers of a scheduler for the duration of the ``with``.

    On leaving, pending calls are dropped; a worker finishes its present call, and nobody waits for
    the result.

    Parameters
    ----------
    on_lost : callable
        Told in words when a worker is lost.

    Raises
    ------
    FeedsimError
        If there is no scheduler, no worker, or a worker whose results would differ; or, inside
        the ``with``, if all workers or the scheduler are lost, or one call ends each of them.
    """
    connection.check_address(address)
    killed_worker = connection.library().KilledWorker
    with _muted(), closing(_Background()) as background:
        client = background.do(connection.connected, address)
        try:
            workers = _Workers(background, client, address=address, on_lost=on_lost)
            yield workers
            workers.tell_lost()
        except killed_worker:
            raise connection.fault(
                "a point has ended every worker that it was given to (out of memory?)"
            ) from None
        except ModuleNotFoundError as error:
            if error.name is None or error.name.partition(".")[0] != "feedsim":
                raise
            raise connection.fault(
                f"a worker that came later has {connection.no_feedsim(error)}"
            ) from None
        except CancelledError:
            raise connection.fault(f"the scheduler at {address} has gone") from None
        finally:
            with suppress(OSError):
                background.do(client.close, within_s=_CLOSE_S)


class _Workers:
    """The workers of a scheduler, as a :class:`~feedsim.running.sharing.Pool`."""

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
        patience_s = connection.WORKERS_S + _ANSWER_S
        try:
            self._known = background.do(
                connection.checked_workers, client, address, within_s=patience_s
            )
        except OSError:
            raise connection.fault(
                f"the scheduler at {address} or its workers do not answer"
            ) from None
        self._here = versions()
        self._calls: list[_Call] = []
        self._tries: set[asyncio.Task[None]] = set()
        self._heard: dict[str, tuple[Any, float]] = {}
        self._silent: set[str] = set()
        self._told: set[str] = set()
        self._watched_s = 0.0
        self._asked_s = self._looked_s = monotonic()
        self._troubled_s: float | None = None

    def submit(self, work: Callable[[*Args], Result], /, *call: *Args) -> Future[Result]:
        sent = pickle.dumps(connection.SentCall(connection.checked_call, (self._here, work, call)))
        return self._background.start(self._result(sent, name=getattr(work, "__name__", "work")))

    async def _result(self, sent: bytes, *, name: str) -> Any:
        call = _Call(sent, name, asyncio.get_running_loop().create_future())
        self._calls.append(call)
        try:
            self._give(call, None)
            return await call.result
        finally:
            self._calls.remove(call)

    def _give(self, call: _Call, workers: list[str] | None) -> None:
        """Submit a call to the cluster, or again to these workers; the first result counts."""
        # a key of its own each time, or the scheduler may answer from its memory
        call.key = f"{call.name}-{uuid4()}"
        future = self._client.submit(
            pickle.loads,
            call.sent,
            key=call.key,
            workers=workers,
            allow_other_workers=workers is not None,  # should those go too
        )
        task = asyncio.ensure_future(_tried(future, call.result))
        self._tries.add(task)
        task.add_done_callback(self._tries.discard)

    def look(self) -> None:
        if monotonic() < self._looked_s + _LOOK_S:
            return
        trouble = self.tell_lost()
        self._looked_s = monotonic()
        if not trouble:
            self._troubled_s = None
        elif self._troubled_s is None:
            self._troubled_s = self._looked_s  # one look may fail by a stall of this machine
        elif self._looked_s > self._troubled_s + _GRACE_S:
            raise connection.fault(trouble)

    def tell_lost(self) -> str:
        """Report lost workers; return why no work can continue, or ""."""
        try:
            found = self._background.do(self._client.scheduler.identity, within_s=_ANSWER_S)
            there = set(found["workers"])
            self._tell_silent({a: w["last_seen"] for a, w in found["workers"].items()})
        except OSError:
            return "the scheduler does not answer any more"
        for address in sorted((self._known - there) - self._told):
            self._on_lost(f"a worker of the cluster is gone ({address}); its points go to others")
        self._known = there
        self._told &= there  # what comes to this address later is another worker
        if there and there <= self._silent:
            return f"all workers have been silent for {_SILENT_S:.0f} s: are they stopped?"
        return (
            ""
            if there
            else f"all workers are gone, and no other has joined within {_GRACE_S:.0f} s"
        )

    def _tell_silent(self, last_seen: Mapping[str, Any]) -> None:
        """Report workers that have stopped without leaving, and give their calls to others.

        Parameters
        ----------
        last_seen : mapping
            By address, the scheduler's time when it last heard of a worker.
        """
        now_s = monotonic()
        self._watched_s += min(now_s - self._asked_s, _LONGEST_LOOK_S)
        self._asked_s = now_s
        for address, seen in last_seen.items():
            if self._heard.get(address, (None, 0.0))[0] != seen:
                self._heard[address] = (seen, self._watched_s)
        silent = {a for a in last_seen if self._watched_s > self._heard[a][1] + _SILENT_S}
        for address in sorted(silent - self._told):
            self._on_lost(
                f"a worker of the cluster has been silent for {_SILENT_S:.0f} s ({address}); "
                "its points go to others"
            )
        self._told |= silent
        self._silent = silent
        if awake := sorted(last_seen.keys() - silent):
            self._background.do(self._move, sorted(silent), awake, within_s=_ANSWER_S)

    async def _move(self, silent: list[str], awake: list[str]) -> None:
        if not silent:
            return
        waiting = await self._client.processing(workers=silent)
        stuck = {str(key) for keys in waiting.values() for key in keys}
        # what was given to the silent is not taken back: it keeps them from being given more
        for call in self._calls:
            if call.key in stuck:
                self._give(call, awake)


@dataclass(eq=False, slots=True)
class _Call:
    """An open call, and the key of its last submission."""

    sent: bytes
    name: str
    result: asyncio.Future[Any]
    key: str = ""


async def _tried(future: Any, result: asyncio.Future[Any]) -> None:
    try:
        value = await future
    except BaseException as error:
        if not result.done():
            result.set_exception(error)
        if not isinstance(error, Exception):
            raise
    else:
        if not result.done():
            result.set_result(value)


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
        """Make a call there and return its result; a TimeoutError if it takes too long."""

        async def made() -> Any:
            return await asyncio.wait_for(work(*call), within_s)

        return self.start(made()).result()

    def close(self) -> None:
        """Cancel open work, and end the thread."""
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
    """Keep the library's log off the terminal; feedsim reports errors and losses itself."""
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
