"""``feedsim guide``."""

from __future__ import annotations

import os
import pty
import subprocess
import sys
from collections.abc import Callable
from typing import Any

import pytest

from feedsim.guide import PAGES, question, text

Run = Callable[..., Any]


def test_without_a_page_it_lists_each_with_its_question(feedsim: Run) -> None:
    ended = feedsim("guide")
    assert ended.status == 0
    lines = ended.out.splitlines()
    assert [line.split()[0] for line in lines[: len(PAGES)]] == list(PAGES)
    assert all(line.endswith(question(line.split()[0])) for line in lines[: len(PAGES)])


@pytest.mark.parametrize("page", PAGES)
def test_piped_a_page_is_its_markdown(page: str, feedsim: Run) -> None:
    ended = feedsim("guide", page)
    assert ended.status == 0
    assert ended.out == text(page)


def test_a_wrong_page_ends_with_2_and_prints_nothing(feedsim: Run) -> None:
    ended = feedsim("guide", "stop\x1bs")
    assert ended.status == 2
    assert ended.out == ""
    assert ended.err.startswith('error: guide: there is no page "stop?s". Did you mean "stops"?')
    assert feedsim("guide", "stops", "drive").status == 2


def test_on_a_terminal_it_is_laid_out() -> None:
    main, terminal = pty.openpty()
    environment = os.environ | {"TERM": "xterm", "COLUMNS": "80"}
    with os.fdopen(terminal, "wb"), os.fdopen(main, "rb", buffering=0) as screen:
        running = subprocess.Popen(
            [sys.executable, "-m", "feedsim", "guide", "drive"], stdout=terminal, env=environment
        )
        shown = b""
        while b"feedsim guide files" not in shown:  # its last link
            shown += screen.read(4096)
        assert running.wait() == 0
    assert b"\x1b[" in shown
    assert b"# Will the servo" not in shown
    assert b"Picture in the repository: Torque and speed over a feed cycle." in shown
