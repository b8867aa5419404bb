"""Calls made in this process and in several: same results, and what happens when one is lost."""

from __future__ import annotations

import math
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Generator, Iterator
from multiprocessing import active_children
from pathlib import Path

import pytest

from feedsim.errors import FeedsimError
from feedsim.running import processes
from feedsim.running.executor import Local, completed, worker_pool


def never(words: str) -> None:
    raise AssertionError(words)


def test_one_job_works_in_this_process_and_in_order() -> None:
    calls = [(4.0,), (9.0,), (16.0,)]
    assert list(completed(math.sqrt, calls, where=Local(1), on_lost=never)) == [
        (0, 2.0),
        (1, 3.0),
        (2, 4.0),
    ]
    assert list(completed(os.getpid, [()], where=Local(1), on_lost=never)) == [(0, os.getpid())]


def test_two_jobs_give_each_result_with_its_place() -> None:
    calls = [(float(n * n),) for n in range(20)]
    done = list(completed(math.sqrt, calls, where=Local(2), on_lost=never))
    assert sorted(done) == [(n, float(n)) for n in range(20)]


def meet(folder: str, others: int) -> int:
    """Return this process once so many processes have come here."""
    (Path(folder) / str(os.getpid())).touch()
    wait_until(lambda: len(list(Path(folder).iterdir())) >= others)
    return os.getpid()


PATIENCE_S = 600.0
"""Only a test that fails anyway waits as long: no machine may be too slow for this file."""


def wait_until(happened: Callable[[], bool]) -> None:
    for _ in range(round(PATIENCE_S / 0.05)):
        if happened():
            return
        time.sleep(0.05)
    raise TimeoutError


def test_workers_stay_for_the_next_round(tmp_path: Path) -> None:
    rounds = []
    with worker_pool(meet, where=Local(2), on_lost=never) as workers:
        for number in range(3):
            folder = tmp_path / str(number)
            folder.mkdir()
            rounds.append(set(workers.in_order([(str(folder), 2)] * 2)))
    assert len(rounds[0]) == 2
    assert rounds[0] == rounds[1] == rounds[2]
    assert not active_children()


def test_two_jobs_are_two_other_processes(tmp_path: Path) -> None:
    calls = [(str(tmp_path), 2)] * 2
    pids = {pid for _, pid in completed(meet, calls, where=Local(2), on_lost=never)}
    assert len(pids) == 2
    assert os.getpid() not in pids
    assert active_children() == []


def wait_for(file: str) -> str:
    wait_until(Path(file).exists)
    return file


def test_a_long_call_does_not_hold_up_what_comes_after_it(tmp_path: Path) -> None:
    last = tmp_path / "the others are done"
    calls = [(str(last),), (str(tmp_path),), (str(tmp_path),)]
    done = completed(wait_for, calls, where=Local(2), on_lost=never)
    assert {next(done)[0], next(done)[0]} == {1, 2}
    last.touch()
    assert list(done) == [(0, str(last))]


@pytest.mark.parametrize("jobs", [1, 2])
def test_what_the_work_raises_is_raised(jobs: int) -> None:
    calls = [(4.0,), (-1.0,)]
    with pytest.raises(ValueError, match=r"math domain error|nonnegative"):
        dict(completed(math.sqrt, calls, where=Local(jobs), on_lost=never))
    assert active_children() == []


def die_once(flag: str, place: int) -> int:
    path = Path(flag)
    if place == 1 and not path.exists():
        path.touch()
        os._exit(1)
    return 10 * place


def test_a_worker_that_dies_shows_and_its_calls_are_made_again(tmp_path: Path) -> None:
    told: list[str] = []
    calls = [(str(tmp_path / "died"), place) for place in range(3)]
    done = list(completed(die_once, calls, where=Local(2), on_lost=told.append))
    assert sorted(done) == [(0, 0), (1, 10), (2, 20)]
    assert len(told) == 1
    assert "died" in told[0]


def test_workers_that_keep_dying_end_it() -> None:
    told: list[str] = []
    with pytest.raises(FeedsimError, match="keep dying"):
        list(completed(os._exit, [(1,), (1,)], where=Local(2), on_lost=told.append))
    assert told == ["a worker process died; 2 of the points are run again"] * 2


def work_long(file: str, seconds: float) -> None:
    time.sleep(seconds)
    Path(file).touch()


def test_leaving_early_ends_the_workers(tmp_path: Path) -> None:
    late = tmp_path / "waited for"
    calls = [(str(tmp_path / "at once"), 0.0), *[(str(late), PATIENCE_S)] * 2]
    done = completed(work_long, calls, where=Local(2), on_lost=never)
    assert isinstance(done, Generator)
    assert next(done)[0] == 0
    done.close()
    assert active_children() == []
    assert not late.exists()


@pytest.fixture
def _interruptible() -> Iterator[None]:
    """Heed interrupts, which a shell's background jobs are started without."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


@pytest.mark.usefixtures("_interruptible")
def test_an_interrupt_ends_the_workers() -> None:
    soon = threading.Timer(0.5, os.kill, (os.getpid(), signal.SIGINT))

    def begin() -> None:
        soon.start()
        list(completed(time.sleep, [(PATIENCE_S,)] * 3, where=Local(2), on_lost=never))

    with pytest.raises(KeyboardInterrupt):
        begin()
    soon.join()
    assert active_children() == []


SCRIPT = """
import os, signal, threading, time
from feedsim.interrupts import as_interrupts
from feedsim.running.executor import Local, completed, worker_pool

def interrupt():  # as a terminal does it: every process
    os.killpg(0, signal.SIGINT)

if __name__ == "__main__":
    signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        {first}
        for _ in completed(time.sleep, [(0.0,), *[(3600.0,)] * 3], where=Local(2), on_lost=print):
            print("one is done", flush=True)
    except KeyboardInterrupt:
        print("interrupted")
"""


def script(folder: Path, first: str) -> subprocess.Popen[str]:
    file = folder / "script.py"
    file.write_text(SCRIPT.format(first=first), encoding="utf-8")
    return subprocess.Popen(
        [sys.executable, file],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
    )


@pytest.mark.skipif(not hasattr(os, "killpg"), reason="no process groups here")
def test_a_terminal_that_closes_leaves_no_word_of_python(tmp_path: Path) -> None:
    """SIGHUP reaches every process, Python's own tracker too."""
    first = (
        "signal.signal(signal.SIGHUP, signal.SIG_DFL); as_interrupts(); "  # nohup may run the tests
        "threading.Timer(1.0, os.killpg, (0, signal.SIGHUP)).start()"
    )
    with script(tmp_path, first) as ended:
        out, err = ended.communicate(timeout=PATIENCE_S)
    assert out.endswith("interrupted\n")
    assert err == ""


@pytest.mark.skipif(not hasattr(os, "killpg"), reason="no process groups here")
@pytest.mark.parametrize("after_s", [0.0, 0.02, 0.1, 0.6])
def test_an_interrupt_from_the_terminal_shows_no_traceback(after_s: float, tmp_path: Path) -> None:
    # the early ones come while the workers start, before they can say that they ignore it
    with script(tmp_path, f"threading.Timer({after_s}, interrupt).start()") as ended:
        out, err = ended.communicate(timeout=PATIENCE_S)
    assert out.endswith("interrupted\n")
    assert err == ""


UNGUARDED = """
import math
from feedsim.errors import FeedsimError
from feedsim.running.executor import Local, completed

try:
    list(completed(math.sqrt, [(4.0,), (9.0,), (16.0,)], where=Local(2), on_lost=print))
except FeedsimError as error:
    print(error)
"""


def test_a_program_that_its_workers_cannot_import_is_told_why(tmp_path: Path) -> None:
    # each of them would ask for workers of its own as it imports the program
    file = tmp_path / "unguarded.py"
    file.write_text(UNGUARDED, encoding="utf-8")
    environment = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])}
    ran = subprocess.run(
        [sys.executable, file], capture_output=True, text=True, check=True, env=environment
    )
    assert ran.stderr == ""
    assert ran.stdout == (
        "jobs: worker processes import the program, which asks for them again; put the call below "
        'a line if __name__ == "__main__": or give jobs=1\n'
    )


def blocked() -> bool:
    return signal.SIGINT in signal.pthread_sigmask(signal.SIG_BLOCK, [])


@pytest.mark.skipif(not hasattr(signal, "pthread_sigmask"), reason="no masks here")
def test_workers_meet_no_interrupt_from_their_first_instant() -> None:
    assert dict(completed(blocked, [()] * 2, where=Local(2), on_lost=never)) == {0: True, 1: True}
    assert not blocked()


@pytest.mark.usefixtures("_interruptible")
def test_an_interrupt_while_workers_start_is_met_when_they_have() -> None:
    steps = []

    def start() -> None:
        with processes._interrupts_held():
            signal.raise_signal(signal.SIGINT)
            steps.append("started")

    with pytest.raises(KeyboardInterrupt):
        start()
    assert steps == ["started"]
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler


def test_workers_end_with_the_process_that_started_them(tmp_path: Path) -> None:
    with script(tmp_path, "pass") as killed:
        assert killed.stdout is not None
        assert killed.stdout.readline() == "one is done\n"
        killed.kill()
        # what it prints ends when nobody is left who could print: long before the calls are done
        killed.communicate(timeout=PATIENCE_S)


def test_workers_start_one_thread_each_unless_told_otherwise(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def seen() -> object:
        return dict(completed(os.getenv, [(name,)] * 2, where=Local(2), on_lost=never))

    name = "OPENBLAS_NUM_THREADS"
    monkeypatch.delenv(name, raising=False)
    assert seen() == {0: "1", 1: "1"}
    assert name not in os.environ
    monkeypatch.setenv(name, "3")
    assert seen() == {0: "3", 1: "3"}


def test_commands_start_one_thread_unless_told_otherwise(monkeypatch: pytest.MonkeyPatch) -> None:
    name = "OPENBLAS_NUM_THREADS"
    call = "import os, sys, feedsim.cli.main as m; assert 'numpy' not in sys.modules; "
    call += f"m._status = lambda: print(os.environ['{name}']) or 0; m.main()"

    def seen() -> str:
        asked = [sys.executable, "-c", call]
        found = subprocess.run(asked, check=True, capture_output=True, text=True)
        return found.stdout.strip()

    monkeypatch.delenv(name, raising=False)
    assert seen() == "1"
    monkeypatch.setenv(name, "3")
    assert seen() == "3"
