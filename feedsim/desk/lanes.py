"""Queues of questions: one thread for each lane, one question after another; the newest wins."""

from __future__ import annotations

import threading
import time
import traceback
from collections import deque
from collections.abc import Callable

from feedsim.desk.lines import faults_plain
from feedsim.errors import FeedsimError
from feedsim.metrics.plain import plain

NEWER = "a newer question came"
GONE = "nobody waits for the answer"
_TELL_EVERY_S = 0.2
_MOST_GIVEN_WAY_S = 0.5

Reply = dict[str, object]
"""Takes a line of JSON to send back."""


class Dropped(BaseException):
    """Nobody wants the answer any more. Not an Exception, so that no handler catches it."""


class TooLong(Exception):  # noqa: N818 - it is a refusal
    """The answer would exceed, or has exceeded, the time limit; the message says so."""


class Job:
    """A question in work, and who waits for its answer.

    A newer job of the same asker replaces it. ``work``, given the job, returns the answer, and
    calls :meth:`reached` now and then. ``send`` is called with each line, from any thread.
    ``most_s``: time limit (s).
    """

    def __init__(
        self,
        asker: object,
        work: Callable[[Job], object],
        *,
        send: Callable[[Reply], None],
        most_s: float,
    ) -> None:
        self.asker = asker
        self._work, self._send, self._most_s = work, send, most_s
        self._dropped = ""
        self._free: threading.Event | None = None
        self._began_s = self._told_s = 0.0

    def drop(self, why: str) -> None:
        """Drop it: at once if it waits, at the next look if in work."""
        self._dropped = self._dropped or why

    def look(self) -> None:
        """Wait until the first lane is free, then go on; raises Dropped or TooLong where it is."""
        if self._free is not None:
            self._free.wait(_MOST_GIVEN_WAY_S)
        if self._dropped:
            raise Dropped
        if time.monotonic() - self._began_s > self._most_s:
            raise TooLong(
                f"cut after {self._most_s:.0f} s, which is the most that a question may take: "
                "ask for less, or run the command"
            )

    def reached(self, done: int, total: int | None = None, of: str = "") -> None:
        """Report progress, and go on as in :meth:`look`."""
        self.look()
        now = time.monotonic()
        if now - self._told_s >= _TELL_EVERY_S:
            self._told_s = now
            self._send({"progress": {"done": done, "total": total, "of": of}})

    def run(self, *, free: threading.Event | None = None) -> None:
        """Work on it, and send its last line whatever happens; looks wait for `free`."""
        self._free = free
        self._began_s = self._told_s = time.monotonic()
        self._send(self._last())

    def _last(self) -> Reply:
        try:
            self.look()
            answer = plain(self._work(self))  # JSON has no infinity
        except Dropped:
            return {"dropped": self._dropped}
        except FeedsimError as error:
            return {"faults": faults_plain(error.faults)}
        except Exception as error:  # noqa: BLE001 - the desk goes on, and tells of it
            return _refused(error)
        took_ms = 1e3 * (time.monotonic() - self._began_s)
        return {"took_ms": round(took_ms, 1), "answer": answer}


def _refused(error: Exception) -> Reply:
    match error:
        case TooLong():
            return {"refused": str(error)}
        case MemoryError():
            return {"refused": "there is not enough memory for this"}
        case RecursionError():
            return {"refused": "this is nested too deeply"}
    traceback.print_exception(error)  # for our engineers, on the terminal
    return {"defect": f"this is a defect of feedsim: {type(error).__name__}: {error}"}


class Lane:
    """One thread, and the jobs that wait for it.

    ``free``, shared by all lanes, is set while the lane that goes first is idle. Otherwise the
    others wait at their next look, as threads of one process share one lock.
    """

    def __init__(self, name: str, free: threading.Event, *, goes_first: bool = False) -> None:
        self.name = name
        self._free, self._goes_first = free, goes_first
        free.set()
        self._waiting: deque[Job] = deque()
        self._now: Job | None = None
        self._change = threading.Condition()
        threading.Thread(target=self._work, name=f"desk {name}", daemon=True).start()

    @property
    def load(self) -> int:
        """Number of jobs waiting or in work."""
        with self._change:
            return len(self._waiting) + (self._now is not None)

    def put(self, job: Job) -> None:
        """Queue a job; drop an older one of the same asker."""
        with self._change:
            older = [other for other in self._waiting if other.asker == job.asker]
            for other in older:
                self._waiting.remove(other)
            if self._now is not None and self._now.asker == job.asker:
                self._now.drop(NEWER)
            self._waiting.append(job)
            if self._goes_first:
                self._free.clear()
            self._change.notify()
        for other in older:
            other.drop(NEWER)
            other.run()  # that is, says so

    def give_up(self) -> None:
        """Drop all jobs, waiting or in work."""
        with self._change:
            for job in (self._now, *self._waiting):
                if job is not None:
                    job.drop(GONE)

    def _work(self) -> None:
        while True:
            with self._change:
                self._now = None
                if self._goes_first and not self._waiting:
                    self._free.set()
                self._change.wait_for(lambda: bool(self._waiting))
                self._now = self._waiting.popleft()
            try:
                self._now.run(free=None if self._goes_first else self._free)
            except Exception as error:  # noqa: BLE001 - of one answer; the lane goes on
                traceback.print_exception(error)
