"""What every test runs with."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck
from hypothesis import settings as hypotheses

# the same examples on every machine, however long it takes for one
hypotheses.register_profile(
    "suite", derandomize=True, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
hypotheses.load_profile("suite")


@pytest.fixture(autouse=True)
def _engine(monkeypatch: pytest.MonkeyPatch, pytestconfig: pytest.Config) -> None:
    """Run lines on the event engine unless a test asks for the other, whose code stays in here."""
    monkeypatch.setenv("FEEDSIM_ENGINE", "events")
    monkeypatch.setenv(
        "FEEDSIM_CACHE", str(Path(pytestconfig.rootpath) / ".pytest_cache" / "engine")
    )
