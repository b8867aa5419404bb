"""The command line, called in this process."""

from __future__ import annotations

import json
import os
import signal
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache, wraps
from hashlib import sha256
from typing import Any

import pytest
import typer

from feedsim.answers.compare.study import results as comparing
from feedsim.answers.sweep import answer as sweeping
from feedsim.cli import main, progress
from feedsim.render import canvas
from feedsim.scenario import scenario_to_dict


@dataclass(frozen=True)
class Ended:
    """How a command ended, and what it printed."""

    status: int
    out: str
    err: str


@pytest.fixture(autouse=True)
def _one_process(monkeypatch: pytest.MonkeyPatch) -> None:
    """Run in this process what asks for no number of them: starting others costs a second each."""
    monkeypatch.setattr(os, "cpu_count", lambda: 1)


@pytest.fixture(autouse=True)
def _silent(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let no line of progress come in between on a slow machine; tests of it say how often."""
    monkeypatch.setattr(progress, "_LINE_EVERY_S", 3600.0)


def _remembered(find: Callable[..., Any]) -> Callable[..., Any]:
    """Return what works a scenario out once, however many commands ask for it."""
    known: dict[str, Any] = {}

    @wraps(find)
    def found(scenario: Any, *rest: object) -> Any:
        given = scenario if isinstance(scenario, dict) else scenario_to_dict(scenario)
        key = json.dumps([given, rest])
        if key not in known:
            known[key] = tuple(find(scenario, *rest))
        return known[key]

    return found


_REFUSED = _remembered(comparing._refused)
_CLOSED_FORMS = _remembered(sweeping.closed_forms)


@pytest.fixture(autouse=True)
def _searched_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let commands on the same line share the search for the speeds that it is refused at.

    Other processes, as with ``--jobs 2``, search by themselves.
    """
    monkeypatch.setattr(comparing, "_refused", _REFUSED)
    monkeypatch.setattr(sweeping, "closed_forms", _CLOSED_FORMS)


_PICTURES = canvas.pictures
_DRAWN: set[tuple[str, ...]] = set()


@pytest.fixture
def drawn() -> None:
    """Have a command draw each figure, once, as SVG, of which its PNG is made: they are looked at.

    Other processes draw both.
    """


@pytest.fixture
def both_drawn() -> None:
    """Have a command draw PNG and SVG, as it does elsewhere."""


@pytest.fixture(autouse=True)
def _drawn_once(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Make all figures, but draw only those that no test of this command has drawn here before.

    Most tests look at words, data and names of files; those of figures are in ``tests/unit``.
    """
    if "both_drawn" in request.fixturenames or canvas.pictures is not _PICTURES:
        return

    def once(figures: Mapping[str, Any]) -> dict[str, bytes]:
        files = {}
        for name, figure in figures.items():
            kind = (request.module.__name__, name.partition("-")[0])
            if kind not in _DRAWN:
                _DRAWN.add(kind)
                _PICTURES({name: figure})
            svg = b"not drawn"
            if "drawn" in request.fixturenames:
                canvas.tell_of_missing(canvas.dress(figure))
                svg = canvas.render(figure, "svg")
            files |= {f"{name}.png": sha256(svg).digest(), f"{name}.svg": svg}
        return files

    monkeypatch.setattr(canvas, "pictures", once)


@cache
def _command() -> Any:
    """Return the command that typer makes of all options, which takes longer than most calls."""
    return typer.main.get_command(main.app)


@pytest.fixture
def feedsim(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> Callable[..., Ended]:
    monkeypatch.setattr(main, "app", _command())
    monkeypatch.setattr(main, "may_copy", lambda: None)  # this process is pytest's

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
