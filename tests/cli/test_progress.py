"""Whatever takes long says what it is doing, in one way: a bar on a terminal, else lines."""

from __future__ import annotations

import ast
import io
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from feedsim.cli import progress
from feedsim.cli.progress import doing, progress_bar

CLI = Path(progress.__file__).parent
CARD = Path(__file__).parents[2] / "scenarios" / "membership_card.toml"
QUICK = {
    "__init__",
    "command_help",
    "desk",
    "guide",
    "main",
    "new",
    "options",
    "progress",
    "schema",
}
COMMANDS = sorted(p.stem for p in CLI.glob("*.py") if p.stem not in QUICK)

PATIENCE_S = 600.0

Run = Callable[..., Any]


@pytest.fixture
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(progress, "_LINE_EVERY_S", 0.001)
    monkeypatch.setattr(progress, "_PATIENCE_S", 0.0)


@pytest.fixture
def told(impatient: None, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let nothing be over before it was told of once, so that no clock decides what is said."""
    words, stop = progress._Teller._words, progress._Teller.stop
    spoken = threading.Event()

    def say(teller: progress._Teller) -> str:
        spoken.set()
        return words(teller)

    def end(teller: progress._Teller) -> None:
        spoken.wait(PATIENCE_S)
        stop(teller)
        spoken.clear()  # whatever comes next has words of its own

    monkeypatch.setattr(progress._Teller, "_words", say)
    monkeypatch.setattr(progress._Teller, "stop", end)


def wait_for(said: Callable[[], str], words: str) -> None:
    """Wait until it is said: a slow machine takes its time, one that never does fails."""
    end = time.monotonic() + PATIENCE_S
    while words not in said() and time.monotonic() < end:
        time.sleep(0.002)
    assert words in said()


@pytest.mark.usefixtures("impatient")
def test_where_nobody_watches_it_is_a_line(monkeypatch: pytest.MonkeyPatch) -> None:
    said = io.StringIO()
    clock = SimpleNamespace(monotonic=lambda: clock.now_s, now_s=100.0)
    monkeypatch.setattr(progress, "time", clock)
    monkeypatch.setattr(sys, "stderr", said)
    with doing("drawing the figures"):
        wait_for(said.getvalue, "drawing the figures: 0 s so far\n")
        clock.now_s += 61.0
        wait_for(said.getvalue, "drawing the figures: 61 s so far\n")
    with progress_bar("carriers", 4000) as tell:
        assert tell is not None
        tell(1200)
        wait_for(said.getvalue, "carriers: 1,200 of 4,000, 0 s so far\n")
        clock.now_s += 60.0
        wait_for(said.getvalue, "carriers: 1,200 of 4,000, 60 s so far, about 140 s left\n")
    before = said.getvalue()
    time.sleep(0.02)
    assert said.getvalue() == before  # over, it is silent


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.mark.usefixtures("impatient")
@pytest.mark.parametrize("total", [None, 300])
def test_on_a_terminal_it_is_a_bar(monkeypatch: pytest.MonkeyPatch, total: int | None) -> None:
    said = Terminal()
    monkeypatch.setattr(sys, "stderr", said)
    monkeypatch.setenv("TERM", "xterm")
    with doing("looking") if total is None else progress_bar("looking", total):
        wait_for(said.getvalue, "looking")
    assert "so far" not in said.getvalue()


def test_what_is_over_at_once_says_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    with doing("nothing much"), progress_bar("cards", 10) as tell:
        assert tell is not None
        tell(10)
    assert capsys.readouterr().err == ""


def test_an_error_in_it_comes_out_as_it_is_and_a_reader_that_is_gone_is_none() -> None:
    with pytest.raises(KeyboardInterrupt), doing("something"):
        raise KeyboardInterrupt


@pytest.mark.usefixtures("impatient")
def test_a_closed_standard_error_ends_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    said = io.StringIO()
    monkeypatch.setattr(sys, "stderr", said)
    with doing("something"):
        said.close()
        time.sleep(0.02)


def uses(module: str) -> set[str]:
    """Return what a module of the command line takes from the module of progress."""
    tree = ast.parse((CLI / f"{module}.py").read_text("utf-8"))
    found = (n for n in ast.walk(tree) if isinstance(n, ast.ImportFrom))
    return {a.name for n in found if n.module == "feedsim.cli.progress" for a in n.names}


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_that_works_says_so(command: str) -> None:
    assert uses(command)
    assert not uses("schema")  # the twin: one that does not is found


@pytest.mark.usefixtures("told")
@pytest.mark.parametrize(
    ("command", "words"),
    [
        (("check", CARD), "looking the scenario over: "),
        (("trial", "plan", CARD, "--out", "."), "planning the trial: "),
        (("explain", CARD, "--carriers", "40", "--carrier", "9"), "running the line"),
        (
            ("sweep", CARD, "--speeds", "60 m/min", "--carriers", "40", "--jobs", "1"),
            "working out the limits in closed form: ",
        ),
    ],
)
def test_commands_say_what_they_do(
    command: tuple[str, ...], words: str, tmp_path: Path, feedsim: Run,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    monkeypatch.chdir(tmp_path)
    ended = feedsim(*command)
    assert (ended.status, words in ended.err) == (0, True)
    assert " s so far" not in ended.out
