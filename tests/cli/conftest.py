"""The command line, called in this process."""

from __future__ import annotations

import signal
import sys
from collections.abc import Callable
from dataclasses import dataclass

import pytest

from feedsim.cli import main, progress


@dataclass(frozen=True)
class Ended:
    """How a command ended, and what it printed."""

    status: int
    out: str
    err: str


@pytest.fixture(autouse=True)
def _silent(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let no line of progress come in between on a slow machine; tests of it say how often."""
    monkeypatch.setattr(progress, "_LINE_EVERY_S", 3600.0)


@pytest.fixture
def feedsim(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> Callable[..., Ended]:
    def call(*words: object) -> Ended:
        handlers = {n: signal.getsignal(n) for n in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)}
        monkeypatch.setattr(sys, "argv", ["feedsim", *map(str, words)])
        with pytest.raises(SystemExit) as exit_:
            main.main()
        for number, handler in handlers.items():  # a command keeps its own to its end
            signal.signal(number, handler)
        printed = capsys.readouterr()
        return Ended(int(exit_.value.code or 0), printed.out, printed.err)

    return call
