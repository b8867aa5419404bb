"""A sweep's points on a real Dask scheduler with real worker processes, all on loopback."""

from __future__ import annotations

import asyncio
import json
import math
import os
import signal
import socket
import socketserver
import subprocess
import sys
import threading
import time
import warnings
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from feedsim.answers.sweep.study import run_point
from feedsim.errors import FeedsimError
from feedsim.metrics.plain import plain
from feedsim.running import cluster, cluster_connection
from feedsim.running.executor import Cluster, Local, completed
from feedsim.scenario import load_scenario, scenario_to_dict

ROOT = Path(__file__).parents[2]
CARD = ROOT / "scenarios" / "membership_card.toml"
LOOPBACK = ("--host", "127.0.0.1", "--no-dashboard", "--dashboard-address", "127.0.0.1:0")
PATIENCE_S = 600.0
"""Only a test that fails anyway waits as long: no machine may be too slow for this file."""
LONG_S = 3600.0
"""What a worker is to be in the midst of until it is ended."""


FIRST = """
import os, threading
threading.Thread(target=lambda: (os.read(0, 1), os._exit(1)), daemon=True).start()
"""


class Servers:
    """Schedulers and workers, which all end with the test, or with its process."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.started: list[subprocess.Popen[Any]] = []

    def scheduler(self, **config: str) -> tuple[str, subprocess.Popen[bytes]]:
        file = self.folder / f"scheduler-{len(self.started)}.json"
        words = ("--port", "0", "--scheduler-file", file)
        process = self._start("scheduler", *LOOPBACK, *words, **config)
        wait_until(lambda: file.exists() and file.read_text("utf-8").strip().endswith("}"))
        return json.loads(file.read_text("utf-8"))["address"], process

    def worker(self, address: str, *, first: str = "") -> subprocess.Popen[bytes]:
        """Start a worker which makes a statement first."""
        words = ("--nthreads", "1", "--no-nanny", "--local-directory", self.folder)
        return self._start("worker", address, *LOOPBACK, *words, first=first)

    def _start(
        self, role: str, *words: object, first: str = "", **config: str
    ) -> subprocess.Popen[bytes]:
        code = f"{FIRST}\n{first}\nfrom distributed.cli import dask_{role}\ndask_{role}.main()"
        log = self.folder / f"{role}-{len(self.started)}.log"
        with log.open("wb") as file:
            process = subprocess.Popen(
                [sys.executable, "-c", code, *map(str, words)],
                stdin=subprocess.PIPE,  # never written to: it ends when the test's process does
                stdout=file,
                stderr=file,
                env={**os.environ, "PYTHONPATH": str(ROOT), **config},
            )
        self.started.append(process)
        return process

    def end(self) -> None:
        for process in self.started:
            process.kill()
        for process in self.started:
            with process:  # closes its pipes, and waits for it
                pass


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Give a scheduler; each test brings its workers."""
    servers = Servers(tmp_path_factory.mktemp("dask"))
    try:
        yield servers.scheduler()[0]
    finally:
        servers.end()


@pytest.fixture
def servers(tmp_path: Path) -> Iterator[Servers]:
    servers = Servers(tmp_path)
    try:
        yield servers
    finally:
        servers.end()


@pytest.fixture(autouse=True)
def _patient(monkeypatch: pytest.MonkeyPatch) -> None:
    """Wait as long as a slow machine needs; what a test is about it makes short by itself."""
    for name in ("_ANSWER_S", "_GRACE_S", "_SILENT_S"):
        monkeypatch.setattr(cluster, name, PATIENCE_S)
    for name in ("_CONNECT_S", "WORKERS_S"):
        monkeypatch.setattr(cluster_connection, name, PATIENCE_S)


def wait_until(happened: Callable[[], bool]) -> None:
    end_s = time.monotonic() + PATIENCE_S
    while not happened():
        assert time.monotonic() < end_s, "it has not happened"
        time.sleep(0.02)


def ask(address: str, question: Callable[[Any], Any]) -> Any:
    """Ask a scheduler, as one that knows nothing of feedsim would."""
    from distributed import Client

    async def asked() -> Any:
        asyncio.get_running_loop().set_exception_handler(lambda *_: None)
        client = Client(address, asynchronous=True, set_as_default=False, timeout=PATIENCE_S)
        async with client:
            return await question(client)

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # on versions that differ, here on purpose
        return asyncio.run(asyncio.wait_for(asked(), PATIENCE_S))


def wait_for_workers(address: str, count: int) -> None:
    """Wait until there are as many, not more: those of the test before have gone."""

    async def come(client: Any) -> None:
        while len(await client.nthreads()) != count:
            await asyncio.sleep(0.05)

    ask(address, come)


def tasks(address: str) -> int:
    return ask(
        address,
        lambda client: client.run_on_scheduler(lambda dask_scheduler: len(dask_scheduler.tasks)),
    )


def never(words: str) -> None:
    raise AssertionError(words)


def card_points(count: int, *, carriers: int) -> list[tuple[Any, ...]]:
    scenario = load_scenario(CARD, overrides=(f"run.carriers={carriers}",))
    given = scenario_to_dict(scenario)
    return [(given, (("line.speed", f"{20 + 10 * n} m/min"),), 1) for n in range(count)]


def as_bytes(done: dict[int, Any]) -> bytes:
    return json.dumps([plain(done[place]) for place in sorted(done)]).encode()


def test_a_worker_killed_in_mid_sweep_shows_and_changes_no_byte(
    shared: str, servers: Servers, capfd: pytest.CaptureFixture[str]
) -> None:
    calls = card_points(8, carriers=1500)
    here = dict(completed(run_point, calls, where=Local(1), on_lost=never))
    victim, _ = servers.worker(shared), servers.worker(shared)
    wait_for_workers(shared, 2)
    told: list[str] = []
    done = {}
    for place, result in completed(run_point, calls, where=Cluster(shared), on_lost=told.append):
        assert place not in done
        done[place] = result
        victim.kill()  # while both have points in hand, and more are to come
    assert as_bytes(done) == as_bytes(here)
    assert len(told) == 1
    assert "a worker of the cluster is gone (tcp://127.0.0.1:" in told[0]
    assert capfd.readouterr() == ("", "")


def test_a_worker_that_is_stopped_is_told_and_its_points_are_run_elsewhere(
    servers: Servers, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    """Its connection stays, so that the scheduler itself waits for five minutes.

    The other one may seem silent as well for a while, where it has to wait for a processor.
    """
    monkeypatch.setattr(cluster, "_SILENT_S", 2.0)
    address, _ = servers.scheduler()
    calls = card_points(8, carriers=600)
    here = dict(completed(run_point, calls, where=Local(1), on_lost=never))
    victim = servers.worker(address)
    wait_for_workers(address, 1)
    (lost,) = ask(address, lambda client: client.nthreads())
    servers.worker(address)
    wait_for_workers(address, 2)
    told: list[str] = []
    done = {}
    for place, result in completed(run_point, calls, where=Cluster(address), on_lost=told.append):
        assert place not in done
        done[place] = result
        victim.send_signal(signal.SIGSTOP)  # with points in hand
    assert as_bytes(done) == as_bytes(here)
    (words,) = [words for words in told if lost in words]
    assert words.startswith(f"a worker of the cluster has been silent for 2 s ({lost})")
    assert capfd.readouterr() == ("", "")


def test_all_workers_stopped(servers: Servers, monkeypatch: pytest.MonkeyPatch) -> None:
    address, _ = servers.scheduler()
    worker = servers.worker(address)
    wait_for_workers(address, 1)
    done = completed(time.sleep, [(0.0,), (LONG_S,)], where=Cluster(address), on_lost=print)
    next(done)
    worker.send_signal(signal.SIGSTOP)
    monkeypatch.setattr(cluster, "_SILENT_S", 1.0)
    monkeypatch.setattr(cluster, "_GRACE_S", 0.5)
    with pytest.raises(FeedsimError, match="all workers have been silent for 1 s"):
        list(done)


def test_what_the_work_raises_is_raised_and_nothing_is_remembered(
    shared: str, servers: Servers
) -> None:
    servers.worker(shared)
    wait_for_workers(shared, 1)
    with pytest.raises(ValueError, match=r"math domain error|nonnegative"):
        dict(completed(math.sqrt, [(4.0,), (-1.0,)], where=Cluster(shared), on_lost=never))
    calls = [()] * 3
    seen = [
        dict(completed(time.monotonic_ns, calls, where=Cluster(shared), on_lost=never))
        for _ in range(2)
    ]
    assert len({value for done in seen for value in done.values()}) == 6
    wait_until(lambda: tasks(shared) == 0)


def test_an_interrupt_drops_what_is_left(
    shared: str,
    servers: Servers,
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
) -> None:
    servers.worker(shared)
    wait_for_workers(shared, 1)
    soon = threading.Timer(0.5, os.kill, (os.getpid(), signal.SIGINT))
    first = iter([soon.start])
    # from the first look for a result on, so that it cannot come before we wait
    monkeypatch.setattr(cluster._Workers, "look", lambda _: next(first, lambda: None)())
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        calls = [(0.0,), *[(LONG_S,)] * 9]
        done = completed(time.sleep, calls, where=Cluster(shared), on_lost=never)
        assert next(done) == (0, None)
        with pytest.raises(KeyboardInterrupt):
            next(done)
    finally:
        signal.signal(signal.SIGINT, before)
    soon.join()
    wait_until(lambda: tasks(shared) == 0)
    assert [t for t in threading.enumerate() if "cluster" in t.name] == []
    assert capfd.readouterr() == ("", "")


def test_all_workers_gone(shared: str, servers: Servers, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cluster, "_GRACE_S", 0.5)
    servers.worker(shared)
    wait_for_workers(shared, 1)
    told: list[str] = []
    with pytest.raises(FeedsimError, match="all workers are gone"):
        list(completed(os._exit, [(1,)], where=Cluster(shared), on_lost=told.append))
    assert len(told) == 1


def test_a_call_that_ends_every_worker(servers: Servers) -> None:
    address, _ = servers.scheduler(DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES="0")
    servers.worker(address)
    with pytest.raises(FeedsimError, match="ended every worker"):
        list(completed(os._exit, [(1,)], where=Cluster(address), on_lost=lambda _: None))


SCRIPT = """
import sys, time
from feedsim.errors import FeedsimError
from feedsim.running import cluster, cluster_connection
from feedsim.running.executor import Cluster, completed

cluster_connection._CONNECT_S = cluster_connection.WORKERS_S = 600.0
cluster._ANSWER_S = cluster._GRACE_S = 600.0
calls = [(0.0,), *[(3600.0,)] * 3]
try:
    for _ in completed(time.sleep, calls, where=Cluster(sys.argv[1]), on_lost=print):
        print("one is done", flush=True)
except FeedsimError as error:
    print(error)
"""


def test_the_scheduler_gone_is_all_that_is_said(servers: Servers) -> None:
    address, process = servers.scheduler()
    servers.worker(address)
    with subprocess.Popen(
        [sys.executable, "-c", SCRIPT, address],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    ) as asking:
        servers.started.append(asking)
        assert asking.stdout is not None
        assert asking.stdout.readline() == "one is done\n"
        process.kill()
        out, err = asking.communicate(timeout=PATIENCE_S)
    assert out == f"cluster: the scheduler at {address} has gone\n"
    assert err == ""  # no log of the library, nothing that was never awaited


OLD = "import feedsim; feedsim.__version__ = '0.0.1'"
WITHOUT = "import sys; sys.modules['feedsim'] = None"
OTHER_NUMPY = (
    "import importlib.metadata as m; v = m.version;"
    "m.version = lambda name: '1.0.0' if name == 'numpy' else v(name)"
)


def test_workers_whose_bytes_would_differ_are_named_with_what_differs(
    shared: str, servers: Servers
) -> None:
    for first in ("", OLD, WITHOUT, OTHER_NUMPY):
        servers.worker(shared, first=first)
    wait_for_workers(shared, 4)
    with pytest.raises(FeedsimError) as raised:
        list(completed(math.sqrt, [(4.0,)], where=Cluster(shared), on_lost=never))
    lines = sorted(line.partition(" has ")[2] for line in raised.value.lines)
    assert len(lines) == 3
    assert lines[0].startswith("feedsim 0.0.1 (code")
    assert lines[1].startswith("no feedsim that can be used")
    assert lines[2].startswith("numpy 1.0.0, not ")
    assert all(line.startswith("cluster: worker tcp://127.0.0.1:") for line in raised.value.lines)


@pytest.mark.parametrize(
    ("first", "says"),
    [(OLD, "came later has feedsim 0.0.1"), (WITHOUT, "came later has no feedsim")],
)
def test_a_worker_that_comes_later_is_looked_at_too(
    first: str, says: str, shared: str, servers: Servers
) -> None:
    """The calls take ten minutes, unless the one that comes fails its first."""
    servers.worker(shared)
    wait_for_workers(shared, 1)
    done = completed(time.sleep, [(1.0,)] * 600, where=Cluster(shared), on_lost=never)
    next(done)
    servers.worker(shared, first=first)
    with pytest.raises(FeedsimError, match=says):
        list(done)


def test_a_scheduler_without_workers(shared: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cluster_connection, "WORKERS_S", 0.5)
    wait_for_workers(shared, 0)
    with pytest.raises(FeedsimError, match=f"the scheduler at {shared} has no workers"):
        list(completed(math.sqrt, [(4.0,)], where=Cluster(shared), on_lost=never))


@pytest.fixture
def _hurried(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cluster_connection, "_CONNECT_S", 0.5)


@pytest.mark.usefixtures("_hurried")
def test_nobody_answers(capfd: pytest.CaptureFixture[str]) -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))  # ours, so that nobody else comes to this port
        silent = f"tcp://127.0.0.1:{other.getsockname()[1]}"
        refused(silent, says=f"found '{silent}' (where no scheduler answers within")
        other.listen()  # takes the call, and says nothing
        refused(silent, says=f"found '{silent}' (where no scheduler answers within")
    assert capfd.readouterr() == ("", "")


class Web(socketserver.BaseRequestHandler):
    def handle(self) -> None:
        self.request.sendall(b"HTTP/1.0 400 Bad Request\r\n\r\n")


@pytest.mark.usefixtures("_hurried")
def test_somebody_else_answers(shared: str, servers: Servers) -> None:
    with socketserver.TCPServer(("127.0.0.1", 0), Web) as web:
        thread = threading.Thread(target=web.serve_forever)
        thread.start()
        refused(f"tcp://127.0.0.1:{web.server_address[1]}", says="no scheduler answers")
        web.shutdown()
        thread.join()
    servers.worker(shared)
    wait_for_workers(shared, 1)
    (worker,) = ask(shared, lambda client: client.nthreads())
    refused(worker, says="no scheduler answers")


@pytest.mark.parametrize(
    "address",
    [
        "",
        "localhost",
        "localhost:8786",
        "8786",
        "http://127.0.0.1:8786",
        "tcp://127.0.0.1",
        "tcp://127.0.0.1:",
        "tcp://:8786",
        "tcp://127.0.0.1:0",
        "tcp://127.0.0.1:65536",
        "tcp://127.0.0.1:8786/status",
        "tcp://me@127.0.0.1:8786",
        "tcp://127.0.0.1:8786 ",
        "inproc://127.0.0.1:8786",
    ],
)
def test_addresses_that_are_none(address: str) -> None:
    refused(address, says=f"found {address!r}; needs the address of a running Dask scheduler")


def test_encryption_without_certificates() -> None:
    refused("tls://127.0.0.1:8786", says="no certificates")


def test_distributed_is_not_installed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    refused("tcp://127.0.0.1:8786", says="install feedsim[cluster]")


def refused(address: str, *, says: str) -> None:
    with pytest.raises(FeedsimError) as raised:
        list(completed(math.sqrt, [(4.0,)], where=Cluster(address), on_lost=never))
    (line,) = raised.value.lines
    assert line.startswith("cluster: ")
    assert says in line
