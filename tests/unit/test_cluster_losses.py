"""What is told of workers that are lost, against a scheduler and a clock that the test moves."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable
from types import SimpleNamespace
from typing import Any

import pytest

from feedsim.errors import FeedsimError
from feedsim.running import cluster
from feedsim.running.provenance import versions

A, B = "tcp://127.0.0.1:1", "tcp://127.0.0.1:2"


class Scene:
    """A clock, a scheduler's workers and when each was last heard, and what was told.

    Parameters
    ----------
    workers : iterable of str
        The addresses of those that are there at first.
    """

    def __init__(self, workers: Iterable[str]) -> None:
        self.now_s = 0.0
        self.seen_s = dict.fromkeys(workers, 0.0)
        self.answers = True
        self.told: list[str] = []
        self.moved: list[list[str]] = []
        self.scheduler = self

    def do(self, work: Callable[..., Any], *call: Any, within_s: float) -> Any:
        if not self.answers:
            self.now_s += within_s
            raise TimeoutError
        return asyncio.run(work(*call))

    async def identity(self) -> dict[str, Any]:
        return {"workers": {a: {"last_seen": s} for a, s in self.seen_s.items()}}

    async def nthreads(self) -> dict[str, int]:
        return dict.fromkeys(self.seen_s, 1)

    async def run(self, *_: object, **__: object) -> dict[str, Any]:
        return dict.fromkeys(self.seen_s, versions())

    async def processing(self, workers: list[str]) -> dict[str, list[str]]:
        self.moved.append(workers)
        return {}

    def pass_by(self, seconds: float, *, alive: Iterable[str]) -> None:
        """Let time pass as it does while calls are waited for: a look every half second."""
        for _ in range(round(2 * seconds)):
            self.now_s += 0.5
            for worker in alive:
                self.seen_s[worker] = self.now_s
            self.workers.look()

    def stall(self, seconds: float) -> None:
        """Let time pass in which nothing on this machine runs, and look as the first to wake."""
        self.now_s += seconds
        self.workers.look()

    def begin(self) -> Scene:
        background, client = SimpleNamespace(do=self.do), self
        self.workers = cluster._Workers(
            background,  # type: ignore[arg-type]
            client,
            address="tcp://127.0.0.1:3",
            on_lost=self.told.append,
        )
        return self


@pytest.fixture
def scene(monkeypatch: pytest.MonkeyPatch) -> Scene:
    scene = Scene([A, B])
    monkeypatch.setattr(cluster, "monotonic", lambda: scene.now_s)
    return scene.begin()


SILENT = f"a worker of the cluster has been silent for 30 s ({A}); its points go to others"
GONE = f"a worker of the cluster is gone ({A}); its points go to others"


def test_a_silent_worker_that_goes_afterwards_is_told_once(scene: Scene) -> None:
    scene.pass_by(29.0, alive=[B])
    assert scene.told == []
    scene.pass_by(10.0, alive=[B])
    assert scene.told == [SILENT]
    assert scene.moved[0] == [A]
    del scene.seen_s[A]  # the scheduler has given it up as well
    scene.pass_by(10.0, alive=[B])
    assert scene.told == [SILENT]


def test_a_worker_that_goes_at_once_is_told_once(scene: Scene) -> None:
    del scene.seen_s[A]
    scene.pass_by(60.0, alive=[B])
    assert scene.told == [GONE]


def test_a_worker_that_is_silent_at_times_is_told_once_whatever_becomes_of_it(scene: Scene) -> None:
    for _ in range(3):
        scene.pass_by(40.0, alive=[B])
        scene.pass_by(1.0, alive=[A, B])
    del scene.seen_s[A]
    scene.pass_by(1.0, alive=[B])
    assert scene.told == [SILENT]


def test_another_worker_at_an_address_that_was_lost_is_told_for_itself(scene: Scene) -> None:
    scene.pass_by(40.0, alive=[B])
    del scene.seen_s[A]
    scene.pass_by(1.0, alive=[B])
    scene.seen_s[A] = scene.now_s
    scene.pass_by(1.0, alive=[A, B])
    del scene.seen_s[A]
    scene.pass_by(1.0, alive=[B])
    assert scene.told == [SILENT, GONE]


def test_a_stall_of_this_machine_makes_no_worker_silent(scene: Scene) -> None:
    for _ in range(20):
        scene.stall(600.0)
        scene.pass_by(1.0, alive=[A, B])
    assert scene.told == []
    assert scene.moved == []


def test_a_stall_in_which_one_look_fails_ends_nothing(scene: Scene) -> None:
    scene.answers = False
    scene.stall(600.0)
    scene.answers = True
    scene.pass_by(60.0, alive=[A, B])
    scene.answers = False
    scene.stall(600.0)
    assert scene.told == []
    with pytest.raises(FeedsimError, match="the scheduler does not answer any more"):
        scene.pass_by(60.0, alive=[A, B])


def test_all_silent_ends_it_after_the_time_of_grace(scene: Scene) -> None:
    scene.pass_by(30.0 + 15.0, alive=[])
    assert len(scene.told) == 2
    with pytest.raises(FeedsimError, match="all workers have been silent for 30 s"):
        scene.pass_by(2.0, alive=[])


def test_all_gone_ends_it_unless_one_comes_in_time(scene: Scene) -> None:
    scene.seen_s.clear()
    scene.pass_by(15.0, alive=[])
    scene.pass_by(60.0, alive=[A])
    del scene.seen_s[A]
    scene.pass_by(15.0, alive=[])
    with pytest.raises(
        FeedsimError, match="all workers are gone, and no other has joined within 15 s"
    ):
        scene.pass_by(1.0, alive=[])
