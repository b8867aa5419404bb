"""A sweep that is asked to end at each of its steps on disk in turn, and then gone on with.

Run as a program: a signal's name, a folder, 1 for every step or more for some of them, and a fault
to plant or "none". All happens in forks of
one process, so that nothing is imported again. Prints as JSON how many steps there were and a
line for all that went wrong.
"""

from __future__ import annotations

import contextlib
import gc
import io
import json
import os
import shutil
import signal
import sys
import traceback
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import count
from pathlib import Path

import typer

import feedsim.beside
import feedsim.interrupts
from feedsim.answers.sweep import unfinished
from feedsim.cli import main
from feedsim.files import folder
from feedsim.files import new_files as files
from feedsim.files.manifest import Manifest
from tests.cli.swept import POINTS, WORDS, Runs, files_of, made_cheap

OLD = ("--set", "seed=99")
FILES = {"sweep.json", "sweep.csv", "sweep.png", "sweep.svg", "report.html", "sweep.sha256"}
DEEDS = {"os.rename", "os.link", "os.remove", "os.mkdir", "os.rmdir", "os.truncate", "open"}


@dataclass(frozen=True)
class Ended:
    """How a fork ended, what it said, how many points it ran and whether it met its step."""

    status: int
    said: str
    ran: int
    met: bool


def forked(words: tuple[object, ...], runs: Runs, *, log: Path, step: int, number: int) -> Ended:
    """Run a command in a fork, which sends itself a signal before one of its steps."""
    log.write_text("", "utf-8")
    child = os.fork()
    if child == 0:
        with log.open("w", encoding="utf-8") as said:
            os.dup2(said.fileno(), 1)
            os.dup2(said.fileno(), 2)
        _signalled_at(step, number, Path(str(words[-1])))
        runs.on_run = lambda: os.write(1, b"ran a point\n")
        status = 70
        try:
            sys.argv = ["feedsim", *map(str, words)]
            main.main()
        except SystemExit as ended:
            status = int(ended.code or 0)
        except BaseException:  # noqa: BLE001 - a traceback is what is looked for
            traceback.print_exc()
        sys.stdout.flush()
        os._exit(status)
    _, waited = os.waitpid(child, 0)
    text = log.read_text("utf-8")
    return Ended(
        os.waitstatus_to_exitcode(waited), text, text.count("ran a point\n"), "met a step" in text
    )


def _signalled_at(step: int, number: int, folder: Path) -> None:
    steps = count()

    def hook(event: str, details: tuple[object, ...]) -> None:
        if event not in DEEDS:
            return
        if event == "open" and not int(details[2]) & (os.O_WRONLY | os.O_RDWR):  # type: ignore[call-overload]
            return
        inside = event == "os.truncate" or str(details[0]).startswith(str(folder))
        if inside and next(steps) == step:
            os.write(1, b"met a step\n")
            os.kill(os.getpid(), number)

    sys.addaudithook(hook)


class Sweeps:
    """An old and a new set of files, and sweeps that are to turn the one into the other."""

    def __init__(self, number: int, folder: Path, runs: Runs) -> None:
        self.number, self.folder, self.runs = number, folder, runs
        self._gone_on: dict[tuple[object, ...], tuple[Ended, bool, dict[str, bytes]]] = {}
        for name, words in (("new", ()), ("old", OLD)):
            _here(*WORDS, *words, "--out", folder / name)
        self.new, self.old = files_of(folder / "new"), files_of(folder / "old")
        assert self.new.keys() == self.old.keys() == FILES
        gc.collect()
        gc.freeze()  # so that forks share it

    def sweep(self, out: Path, *words: object, step: int = -1) -> Ended:
        """Sweep into a folder in a fork."""
        call = (*WORDS, *words, "--out", out)
        return forked(call, self.runs, log=self.folder / "log", step=step, number=self.number)

    def complaints(self, every: int) -> Iterator[str]:
        """Try each step, or every so-many-th, and yield what went wrong; last their number."""
        for step in count(0, every):
            out = self.folder / f"{step}"
            shutil.copytree(self.folder / "old", out)
            killed = self.sweep(out, step=step)
            if not killed.met:
                yield str(step)
                return
            for words in (*self._wrong_after(killed, out), *self._wrong_again(killed, out)):
                yield f"step {step}: {words}: {killed}"

    def _wrong_after(self, killed: Ended, out: Path) -> Iterator[str]:
        left = files_of(out)
        shown = {name: data for name, data in left.items() if not name.startswith(".")}
        if set(shown) != FILES:
            yield f"files are missing or too many: {sorted(shown)}"
        belong = not Manifest.read(out / "sweep.sha256").unlike(out)
        if belong and shown not in (self.new, self.old):
            yield "a mixture that passes for a set"
        if self.number == signal.SIGKILL:
            return
        if killed.status != main.INTERRUPTED or "interrupted: " not in killed.said:
            yield "another end"
        if shown != (self.new if "in place in" in killed.said else self.old):
            yield "what it says is not so"
        kept = len([name for name in left if "point" in name])
        if ("points are kept" in killed.said) != bool(kept) or (
            kept == POINTS and f"all {POINTS} points are kept" not in killed.said
        ):
            yield f"{kept} points are kept"

    def _wrong_again(self, killed: Ended, out: Path) -> Iterator[str]:
        left = files_of(out)
        again, anew, after = self._gone_on_from(left, out)
        if anew:
            if left not in (self.new, self.old) and self.number != signal.SIGKILL:
                yield "nothing to resume, but not all is old or new"
        # one that is killed may be between running a point and keeping it
        elif killed.ran + again.ran > POINTS + (self.number == signal.SIGKILL):
            yield f"runs points again: {again}"
        if again.status != 0 or after != self.new:
            yield f"goes on to {sorted(after)}: {again}"
        told = "was in use when a process died" in again.said or "was killed" in again.said
        if told and self.number != signal.SIGKILL:
            yield f"something is amiss: {again}"

    def _gone_on_from(
        self, left: dict[str, bytes], out: Path
    ) -> tuple[Ended, bool, dict[str, bytes]]:
        """Go on with what is left: how that ended, whether from the start, and to what files.

        Once for all steps that leave the same folders and files: the next command sees no more.
        """
        folders = sorted(str(p.relative_to(out)) for p in out.rglob("*") if p.is_dir())
        state = (*left.items(), *folders)
        if state not in self._gone_on:
            again = self.sweep(out, "--resume")
            anew = again.status == 2 and "no unfinished sweep is kept" in again.said
            if anew:
                again = self.sweep(out)
            self._gone_on[state] = (again, anew, files_of(out))
        return self._gone_on[state]


def _here(*words: object) -> None:
    """Run a command in this process without copies, so that its forks have it all at hand."""
    before = {number: signal.getsignal(number) for number in feedsim.interrupts._ASKING}
    copies, feedsim.beside.copies = feedsim.beside.copies, lambda: False
    sys.argv = ["feedsim", *map(str, words)]
    with contextlib.suppress(SystemExit), contextlib.redirect_stdout(io.StringIO()):
        main.main()
    feedsim.beside.copies = copies
    for name, handler in before.items():
        signal.signal(name, handler)


@contextlib.contextmanager
def not_held() -> Iterator[None]:
    """Hold nothing."""
    yield


def plant(fault: str) -> None:
    """Take out one of the guards."""
    if fault == "no manifest":
        Manifest.unlike = lambda *_: []
    elif fault == "not held":
        for module in (files, folder, unfinished):
            module.held = not_held  # type: ignore[attr-defined]


if __name__ == "__main__":
    number, where, every, fault = sys.argv[1:]
    plant(fault)
    cheap = made_cheap(setattr)
    main.app = typer.main.get_command(main.app)  # type: ignore[assignment]
    found = list(Sweeps(signal.Signals[number], Path(where), cheap).complaints(int(every)))
    sys.stdout.write(json.dumps({"steps": int(found[-1]), "wrong": found[:-1]}))
