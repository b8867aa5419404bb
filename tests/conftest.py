"""What every test runs with."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck
from hypothesis import settings as hypotheses

# the same examples on every machine, however long it takes for one
hypotheses.register_profile(
    "suite", derandomize=True, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
hypotheses.load_profile("suite")


def pytest_configure(config: pytest.Config) -> None:
    """Run lines on the event engine unless a test asks for the other, whose code stays in here."""
    os.environ["FEEDSIM_ENGINE"] = "events"
    os.environ["FEEDSIM_CACHE"] = str(Path(config.rootpath) / ".pytest_cache" / "engine")


@pytest.fixture(scope="module")
def quick_engine() -> Iterator[None]:
    """Run the lines of a module on the compiled engine: where many carriers give a few numbers.

    Both engines give the same bytes (``tests/reference/test_compiled_agrees.py``).
    """
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("FEEDSIM_ENGINE", "compiled")
        yield
