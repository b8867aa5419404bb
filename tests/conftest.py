"""What every test runs with."""

from __future__ import annotations

import gc
import os
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck
from hypothesis import settings as hypotheses

from feedsim.running.threads import ONE_THREAD

# the same examples on every machine, however long it takes for one
hypotheses.register_profile(
    "suite", derandomize=True, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
hypotheses.load_profile("suite")


class Examples:
    """Runs the examples of docstrings on the engine that is quicker, as users have it."""

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_call(self, item: pytest.Item) -> Iterator[None]:
        with pytest.MonkeyPatch.context() as patch:
            if isinstance(item, pytest.DoctestItem):
                patch.delenv("FEEDSIM_ENGINE")
            return (yield)


def pytest_configure(config: pytest.Config) -> None:
    """Run lines on the event engine unless a test asks for the other, whose code stays in here.

    Linear algebra has one thread, as in a command: two wait for each other at the price of a core.
    A shell has a Ctrl-C ignored by what it runs in the background; tests of interrupts send one.
    """
    config.pluginmanager.register(Examples())
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)
    for name, value in ONE_THREAD.items():
        os.environ.setdefault(name, value)
    os.environ["FEEDSIM_ENGINE"] = "events"
    os.environ["FEEDSIM_CACHE"] = str(Path(config.rootpath) / ".pytest_cache" / "engine")


@pytest.hookimpl(wrapper=True)
def pytest_collection() -> Iterator[None]:
    """Let no search for garbage go through what stays to the end: it took a fifth of all time."""
    gc.disable()
    try:
        return (yield)
    finally:
        gc.collect()
        gc.freeze()
        # what is left of figures is looked for when there are many of them, not of each
        gc.set_threshold(5000, 10, 50)
        gc.enable()


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put first what takes long together: a worker that has no more takes from the end of others.

    What a module works out once for many tests is then hardly ever worked out by two workers.
    """
    items.sort(key=lambda item: "theory" not in item.path.parts)


@pytest.fixture(autouse=True, scope="module")
def _passed_by() -> Iterator[None]:
    """Nor through what a module leaves: libraries that it loaded, and what is remembered."""
    yield
    gc.collect()
    gc.freeze()


@pytest.fixture(scope="module")
def quick_engine() -> Iterator[None]:
    """Run the lines of a module on the compiled engine: where many carriers give a few numbers.

    Both engines give the same bytes (``tests/reference/test_compiled_agrees.py``).
    """
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("FEEDSIM_ENGINE", "compiled")
        yield


@pytest.fixture(scope="module")
def either_engine() -> Iterator[None]:
    """Run the lines of a module on the compiled engine where it can, else on the other."""
    from feedsim.compiled.cache import compiled_driver
    from feedsim.running import engines

    with pytest.MonkeyPatch.context() as patch:
        patch.delenv("FEEDSIM_ENGINE")
        compiled_driver()
        patch.setattr(engines, "_ran", engines.LOADING)
        yield


@pytest.fixture(scope="module")
def few_long_runs() -> Iterator[None]:
    """Have a tune run the believed machine 5 times in place of 20, for a line of few carriers.

    What a run costs at all is then more than its carriers do; as many of them are run by asking
    for four times as many.
    """
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("feedsim.answers.tune.study.rungs.RUNS_BELIEVED", 5)
        yield
