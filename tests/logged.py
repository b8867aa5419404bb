"""Logs for tests: a machine of known truth run and recorded, or a few rows written by hand."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import BinaryIO

from feedsim.answers.run.tables import LogAsked, log_csv
from feedsim.draws.line_draws import RunDraws
from feedsim.logs.log import Shape
from feedsim.logs.recorder import LoggedRun
from feedsim.machine import Machine
from feedsim.simulation.line import simulate_traced


def logged_run(machine: Machine, *, carriers: int, seed: int) -> LoggedRun:
    """Run a machine with every event kept."""
    draws = RunDraws(machine, seed)
    records, trace = simulate_traced(machine, draws, carriers=carriers)
    return LoggedRun(machine, records, trace, draws)


def written(
    run: LoggedRun,
    path: Path,
    *,
    shape: Shape = "samples",
    rate_hz: float = 1000.0,
    dropped: float = 0.0,
    seed: int = 1,
) -> Path:
    """Write the log of a run."""
    content = log_csv(run, LogAsked(shape, rate_hz, dropped), seed=seed)
    with path.open("wb") as file:
        _write(content, file)
    return path


def _write(content: bytes | Callable[[BinaryIO], None], file: BinaryIO) -> None:
    if isinstance(content, bytes):
        file.write(content)
    else:
        content(file)


def logged(
    machine: Machine,
    folder: Path,
    *,
    carriers: int = 60,
    seed: int = 1,
    shape: Shape = "samples",
    rate_hz: float = 1000.0,
    dropped: float = 0.0,
) -> Path:
    """Run a machine and write its log."""
    run = logged_run(machine, carriers=carriers, seed=seed)
    path = folder / f"log-{seed}-{shape}-{rate_hz:g}.csv"
    return written(run, path, shape=shape, rate_hz=rate_hz, dropped=dropped, seed=seed)
