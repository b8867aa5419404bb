"""What every test runs with."""

from __future__ import annotations

from pathlib import Path

import pytest


@pytest.fixture(autouse=True)
def _engine(monkeypatch: pytest.MonkeyPatch, pytestconfig: pytest.Config) -> None:
    """Run lines on the event engine unless a test asks for the other, whose code stays in here."""
    monkeypatch.setenv("FEEDSIM_ENGINE", "events")
    monkeypatch.setenv(
        "FEEDSIM_CACHE", str(Path(pytestconfig.rootpath) / ".pytest_cache" / "engine")
    )
