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
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from multiprocessing import active_children, parent_process
from pathlib import Path

import pytest

from feedsim.errors import FeedsimError
from feedsim.running import processes
from feedsim.running.executor import Local, completed, worker_pool
from feedsim.running.sharing import Round


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


@pytest.mark.parametrize("jobs", [2, 3])
def test_jobs_are_this_process_and_others(jobs: int, tmp_path: Path) -> None:
    calls = [(str(tmp_path), jobs)] * jobs
    pids = {pid for _, pid in completed(meet, calls, where=Local(jobs), on_lost=never)}
    assert len(pids) == jobs
    assert os.getpid() in pids
    assert active_children() == []


def test_a_single_call_starts_no_process() -> None:
    for _, children in completed(active_children, [()], where=Local(2), on_lost=never):
        assert children == []
        assert active_children() == []


def wait_for(file: str) -> str:
    wait_until(Path(file).exists)
    return file


def test_a_long_call_of_a_worker_does_not_hold_up_what_comes_after_it(tmp_path: Path) -> None:
    last = tmp_path / "the others are done"
    calls = [(str(tmp_path),), (str(last),), (str(tmp_path),), (str(tmp_path),)]
    done = completed(wait_for, calls, where=Local(2), on_lost=never)
    assert {next(done)[0] for _ in range(3)} == {0, 2, 3}
    last.touch()
    assert list(done) == [(1, str(last))]


def test_a_call_here_leaves_the_interpreter_to_others_only_meanwhile() -> None:
    before = sys.getswitchinterval()
    ((_, meanwhile),) = completed(sys.getswitchinterval, [()], where=Local(2), on_lost=never)
    assert meanwhile < before == sys.getswitchinterval()


def is_other() -> bool:
    return parent_process() is not None


def note(folder: str, place: int, others: int) -> bool:
    """Leave a note of this call; the first one waits for those of so many others."""
    if place == 0:
        wait_until(lambda: len(list(Path(folder).iterdir())) >= others)
    (Path(folder) / str(place)).touch()
    return is_other()


@pytest.mark.parametrize(("jobs", "many"), [(2, 5), (3, 7)])
def test_workers_make_all_others_during_a_long_call_of_this_process(
    jobs: int, many: int, tmp_path: Path
) -> None:
    """The first call is made here, and ends only when workers have made all the others."""
    calls = [(str(tmp_path), place, many - 1) for place in range(many)]
    done = list(completed(note, calls, where=Local(jobs), on_lost=never))
    assert done[0] == (0, False)
    assert sorted(done) == [(place, place > 0) for place in range(many)]


def made_by(folder: str, place: int, last: int) -> bool:
    """Wait for the last call, if this is a worker's first; return whether it is a worker's."""
    if place == 1:
        wait_until((Path(folder) / str(last)).exists)
    (Path(folder) / str(place)).touch()
    return is_other()


class Threads:
    """A pool of threads, quicker than processes, and so more often at the same call."""

    def __init__(self, executor: ThreadPoolExecutor) -> None:
        self.submit = executor.submit

    def look(self) -> None:
        """Do nothing."""


@pytest.mark.parametrize("workers", [1, 3])
def test_each_call_is_made_once_whoever_is_quicker(workers: int) -> None:
    made: list[int] = []

    def call(place: int) -> int:
        made.append(place)
        return -place

    with ThreadPoolExecutor(workers) as executor:
        for many in range(100):
            del made[:]
            shared = Round(Threads(executor), call, {place: (place,) for place in range(many)})
            done = list(shared.shared(workers))
            assert sorted(done) == [(place, -place) for place in range(many)]
            assert sorted(made) == list(range(many))


def test_none_of_the_last_calls_waits_behind_another(tmp_path: Path) -> None:
    """A worker that is held by its call has no other at hand that this process could make."""
    calls = [(str(tmp_path), place, 3) for place in range(4)]
    made = dict(completed(made_by, calls, where=Local(2), on_lost=never))
    assert made == {0: False, 1: True, 2: False, 3: False}


@pytest.mark.parametrize("jobs", [1, 2])
def test_what_the_work_raises_is_raised(jobs: int) -> None:
    calls = [(4.0,), (-1.0,)]
    with pytest.raises(ValueError, match=r"math domain error|nonnegative"):
        dict(completed(math.sqrt, calls, where=Local(jobs), on_lost=never))
    assert active_children() == []


def of_other(place: int) -> int:
    assert is_other()
    return 10 * place


def asked_of_other(place: int) -> Callable[[], int]:
    return partial(of_other, place)


def of_this(place: int) -> int:
    assert not is_other()
    return 10 * place


@pytest.mark.parametrize("jobs", [1, 2, 3])
def test_other_processes_make_a_call_of_their_own_for_the_same_result(jobs: int) -> None:
    calls = [(place,) for place in range(9)]
    done = completed(of_this, calls, elsewhere=asked_of_other, where=Local(jobs), on_lost=never)
    assert sorted(done) == [(place, 10 * place) for place in range(9)]


@pytest.mark.parametrize("good", [0, 4])
def test_a_call_that_cannot_be_asked_for_is_an_error_here(good: int) -> None:
    # whether this process asks for it, or a thread of the pool, which would keep the error
    tried = threading.Event()

    def asked(place: int) -> Callable[[], int]:
        if place >= good:
            tried.set()
            raise FeedsimError(f"no call {place}")
        return lambda: place

    def here(_place: int) -> int:
        assert tried.wait(PATIENCE_S)
        return 0

    calls = {place: (place,) for place in (10, *range(10))}
    with ThreadPoolExecutor(1) as executor:
        shared = Round(Threads(executor), here, calls, elsewhere=asked).shared(1)
        with pytest.raises(FeedsimError, match=f"no call {good}"):
            list(shared)


def test_a_point_of_a_sweep_loads_nothing_that_reads_scenarios() -> None:
    # which takes a new process as long as the rest of what it loads
    code = (
        "import sys\n"
        "import feedsim.running.point\n"
        "found = {name.partition('.')[0] for name in sys.modules}\n"
        "assert not {'pydantic', 'pint', 'tomlkit', 'scipy', 'matplotlib'} & found\n"
        "assert not [n for n in sys.modules if n.startswith(('feedsim.scenario', 'feedsim.cli'))]\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


def die_once(flag: str, place: int) -> tuple[int, bool]:
    path = Path(flag)
    if is_other() and not path.exists():
        path.touch()
        os._exit(1)
    return 10 * place, is_other()


def test_a_worker_that_dies_shows_and_its_calls_are_made_again_elsewhere(tmp_path: Path) -> None:
    told: list[str] = []
    calls = [(str(tmp_path / "died"), place) for place in range(2)]
    done = list(completed(die_once, calls, where=Local(2), on_lost=told.append))
    assert done == [(0, (0, False)), (1, (10, True))]
    assert told == ["a worker process died; 1 of the points are run again"]


def die() -> None:
    """Die, or if this is the process that hands out the calls, do nothing."""
    if is_other():
        os._exit(1)


def test_workers_that_keep_dying_end_it() -> None:
    """None of their calls is made here: what ends a worker could end this process too."""
    told: list[str] = []
    with pytest.raises(FeedsimError, match="keep dying"):
        list(completed(die, [()] * 2, where=Local(2), on_lost=told.append))
    assert told == ["a worker process died; 1 of the points are run again"] * 2


def work_long(folder: str, place: int) -> None:
    """Wait as the first call until the two others have begun, which take long."""
    if place == 0:
        wait_until(lambda: len(list(Path(folder).iterdir())) == 2)
        return
    (Path(folder) / f"{place} begun").touch()
    time.sleep(PATIENCE_S)
    (Path(folder) / f"{place} waited for").touch()


def test_leaving_early_ends_the_workers(tmp_path: Path) -> None:
    calls = [(str(tmp_path), place) for place in range(3)]
    done = completed(work_long, calls, where=Local(3), on_lost=never)
    assert isinstance(done, Generator)
    assert next(done)[0] == 0
    done.close()
    assert active_children() == []
    assert sorted(file.name for file in tmp_path.iterdir()) == ["1 begun", "2 begun"]


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


def interrupted_when_done(flag: str, place: int) -> int:
    """Once the other call is made, interrupt this one."""
    if place == 0:
        wait_until(Path(flag).exists)
        time.sleep(0.2)  # its result is on the way
        signal.raise_signal(signal.SIGINT)
    Path(flag).touch()
    return place


@pytest.mark.usefixtures("_interruptible")
def test_what_workers_have_finished_is_not_lost_to_an_interrupt_here(tmp_path: Path) -> None:
    calls = [(str(tmp_path / "made"), place) for place in range(2)]
    done = []

    def begin() -> None:
        for result in completed(interrupted_when_done, calls, where=Local(2), on_lost=never):
            done.append(result)  # noqa: PERF402 - list() would lose it

    with pytest.raises(KeyboardInterrupt):
        begin()
    assert done == [(1, 1)]
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
    assert dict(completed(blocked, [()] * 2, where=Local(2), on_lost=never)) == {0: False, 1: True}
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
    assert seen() == {0: None, 1: "1"}  # the first is this process, whose libraries are loaded
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
