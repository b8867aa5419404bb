"""Work in a copy of this process: the same answer, whatever becomes of the copy."""

from __future__ import annotations

import io
import os
import select
import signal
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

import feedsim
from feedsim import beside as module
from feedsim.beside import beside, copies
from feedsim.cli import progress
from feedsim.cli.progress import doing
from feedsim.cli.run import timing_pictures
from feedsim.files.lock import InUseError, Lock
from feedsim.running.executor import Local, worker_pool

CARD = Path(__file__).parents[2] / "scenarios" / "membership_card.toml"
FOREVER_S = 600.0

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="copies are made on Linux alone")


@pytest.fixture(autouse=True)
def ours(monkeypatch: pytest.MonkeyPatch) -> None:
    """Take this process for a command on two cores, and the suite's threads for safe."""
    monkeypatch.setattr(module, "_ours", True)
    nothing = (lambda: None, lambda: None)
    safe = {thread.name: nothing for thread in threading.enumerate()}
    monkeypatch.setattr(module, "_resting", safe | module._resting)
    monkeypatch.setattr(os, "cpu_count", lambda: 2)


def test_the_work_is_done_in_another_process() -> None:
    with beside(os.getpid) as found:
        assert found() != os.getpid()


@pytest.mark.parametrize("reason", ["not ours", "one core", "a thread", "another system"])
def test_where_no_copy_is_made_this_process_works(
    reason: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    over = threading.Event()
    match reason:
        case "not ours":
            monkeypatch.setattr(module, "_ours", False)
        case "one core":
            monkeypatch.setattr(os, "cpu_count", lambda: 1)
        case "a thread":
            threading.Thread(target=over.wait, name="unknown", daemon=True).start()
        case "another system":
            monkeypatch.setattr(sys, "platform", "win32")
    with beside(os.getpid) as found:
        assert found() == os.getpid()
    over.set()


def test_the_thread_that_tells_progress_rests_while_a_copy_is_made(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # what a thread holds when a copy is made nobody lets go of in the copy; Python 3.12 warns
    there: list[set[str]] = []
    fork = os.fork

    def noted() -> int:
        there.append(names())
        return fork()

    def names() -> set[str]:
        return {thread.name for thread in threading.enumerate()}

    monkeypatch.setattr(os, "fork", noted)
    with doing("something"):
        assert "progress" in names()
        with beside(os.getpid) as found:
            assert "progress" in names()  # it goes on
            assert found() != os.getpid()
        with worker_pool(os.getpid, where=Local(3), on_lost=lambda _: None) as workers:
            assert os.getpid() not in workers.in_order([(), (), ()])[1:]  # the first is made here
            assert "progress" in names()
    assert len(there) == 3  # the copy, and two workers
    assert all("progress" not in living for living in there)


def test_a_bar_on_a_terminal_hinders_no_copy(monkeypatch: pytest.MonkeyPatch) -> None:
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    monkeypatch.setattr(sys, "stderr", said := Terminal())
    monkeypatch.setattr(progress, "_PATIENCE_S", 0.0)
    monkeypatch.setenv("TERM", "xterm")
    with doing("looking at cards"):
        for _ in range(2):  # it goes on after a copy, too
            before = said.tell()
            end = time.monotonic() + 600.0
            while "looking at cards" not in said.getvalue()[before:] and time.monotonic() < end:
                time.sleep(0.002)
            assert "looking at cards" in said.getvalue()[before:]
            with beside(os.getpid) as found:
                assert found() != os.getpid()


def test_a_thread_that_begins_last_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    # as that of a bar which is shown in the moment in which a copy is to be made
    over = threading.Event()

    def begin() -> None:
        threading.Thread(target=over.wait, name="unknown", daemon=True).start()

    monkeypatch.setitem(module._resting, "last", (begin, over.set))
    with beside(os.getpid) as found:
        assert found() == os.getpid()


def test_no_copy_is_made_from_another_thread() -> None:
    answers: list[bool] = []
    thread = threading.Thread(target=lambda: answers.append(copies()))
    thread.start()
    thread.join()
    assert answers == [False]


def _in_copy(here: int, work: Callable[[], Any]) -> int:
    """Do some work in the copy alone; return the process that has worked."""
    if os.getpid() != here:
        work()
    return os.getpid()


ENDS = [lambda: os._exit(0), lambda: os.kill(os.getpid(), 9), lambda: 1 / 0]


@pytest.mark.parametrize("end", ENDS)
def test_a_copy_that_fails_costs_time_alone(end: Callable[[], Any]) -> None:
    here = os.getpid()
    with beside(lambda: _in_copy(here, end)) as found:
        assert found() == here


def test_what_the_work_raises_is_raised_here() -> None:
    def wrong() -> None:
        raise KeyError("a key")

    with beside(wrong) as found, pytest.raises(KeyError, match="a key"):
        found()


def test_an_interrupt_ends_the_copy_too() -> None:
    pids: list[int] = []
    fork = os.fork

    def noted() -> int:
        pids.append(fork())
        return pids[-1]

    def interrupt() -> None:
        with beside(lambda: time.sleep(FOREVER_S)) as found:
            signal.raise_signal(signal.SIGINT)
            found()

    before = signal.signal(signal.SIGINT, signal.default_int_handler)  # whatever ran here before
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "fork", noted)
        with pytest.raises(KeyboardInterrupt):
            interrupt()
    signal.signal(signal.SIGINT, before)
    with pytest.raises(ChildProcessError):  # it has been waited for
        os.waitpid(pids[0], 0)


def test_the_files_of_a_run_are_the_same_whoever_draws(monkeypatch: pytest.MonkeyPatch) -> None:
    line = feedsim.load(CARD, {"run.carriers": 20})
    ran = feedsim.run(line)
    copied: list[int] = []
    fork = os.fork
    monkeypatch.setattr(os, "fork", lambda: copied.append(1) or fork())
    with beside(lambda: timing_pictures(line, None, None)) as timing:
        drawn = replace(ran, timing=timing).files()
    assert len(copied) == 2  # the timing, and half of the overview
    monkeypatch.setattr(module, "_ours", False)
    alone = ran.files()
    assert len(copied) == 2
    assert list(drawn) == list(alone)
    assert all(drawn[name] == alone[name] for name in alone if name.endswith(("png", "svg")))


def test_a_copy_ends_where_nobody_waits_for_what_it_found() -> None:
    told, tells = os.pipe()
    first = os.fork()
    if first == 0:
        try:
            with beside(lambda: os.write(tells, b".%d" % os.getpid()) and bytes(10**7)):
                os.read(told, 1)
                os.kill(os.getpid(), signal.SIGKILL)
        finally:
            os._exit(1)
    os.close(tells)
    os.waitpid(first, 0)
    copy = int(os.read(told, 30))
    ended, _, _ = select.select([told], [], [], 60.0)  # its end of the pipe is closed
    os.close(told)
    if not ended:
        os.kill(copy, signal.SIGKILL)
    assert ended


def test_a_copy_holds_no_lock_of_a_process_that_was_killed(tmp_path: Path) -> None:
    lock = Lock(tmp_path / "lock", "the first")
    ours, theirs = os.pipe()
    with beside(lambda: os.write(theirs, b".") and time.sleep(FOREVER_S)):
        os.read(ours, 1)
        os.close(lock._file)  # as the system does when a process is killed
        again = Lock(tmp_path / "lock", "the next")
    assert again.left_by == "the first"
    again.release()
    os.close(ours)
    os.close(theirs)


def test_a_copy_does_not_let_go_for_the_process_that_holds_the_lock(tmp_path: Path) -> None:
    lock = Lock(tmp_path / "lock", "the first")
    with beside(lock.release) as found:
        found()
    with pytest.raises(InUseError):
        Lock(tmp_path / "lock", "the next")
    lock.release()
