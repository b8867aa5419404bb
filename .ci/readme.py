"""README's and the guide's commands: print a set-up command, or run the examples and compare.

``readme.py command N`` prints README's Nth ``sh`` block. ``readme.py examples [PAGE...]`` runs each
line of a ``console`` block that starts with ``$ `` in a shell, and compares what follows with what
is printed. A line of ``...`` stands for any number of lines, ``[...]`` within a line for any text;
lines that tell how far a slow command is do not count. A line ``(exit status N)`` states the exit
status, 0 otherwise. Each page runs in a folder of its own, with a copy of ``scenarios``, in order.
A command that leaves its folder as it was is run once, however often it is shown.

Pages are named as ``feedsim guide`` names them, and ``README``; all of them if none is named.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

README = Path("README.md")
GUIDE = Path("feedsim/guide")
PASSING = re.compile(
    r" s so far(?:, about \d+ s left)?$|^feedsim: compiling the engine for this machine"
)
"""Lines that are no part of an example: how far it is, told each half minute; what is done once."""


def blocks(page: Path, kind: str) -> list[str]:
    """Return the fenced blocks of one kind, in order."""
    text = page.read_text("utf-8")
    return re.findall(rf"^```{kind}\n(.*?)^```", text, re.MULTILINE | re.DOTALL)


def examples(page: Path) -> list[tuple[str, list[str]]]:
    """Return commands with the lines that are to follow them."""
    found: list[tuple[str, list[str]]] = []
    for block in blocks(page, "console"):
        for line in block.splitlines():
            if line.startswith("$ "):
                found.append((line[2:], []))
            elif found[-1][0].endswith("\\"):
                command, rest = found[-1]
                found[-1] = (f"{command}\n{line}", rest)
            else:
                found[-1][1].append(line)
    return found


def pattern(lines: list[str]) -> str:
    """Return a regular expression for expected lines."""
    parts = []
    for line in lines:
        if line.strip() == "...":
            parts.append(r"(?:.*\n)*?")
        else:
            parts.append(re.escape(line.rstrip()).replace(re.escape("[...]"), ".*") + r"[ ]*\n")
    return "".join(parts)


class Shell:
    """Runs commands, and remembers what those printed that left their folder as it was."""

    def __init__(self) -> None:
        scripts = Path(".venv/bin").resolve()
        self._path = f"{scripts}{os.pathsep}{os.environ['PATH']}"
        self._known: dict[str, tuple[int, str]] = {}

    def run(self, command: str, folder: Path) -> tuple[int, str]:
        """Return the exit status of a command and what it printed."""
        if command in self._known:
            return self._known[command]
        before = _state(folder)
        done = subprocess.run(  # noqa: S602 - the pages' own commands
            command,
            shell=True,
            executable="/bin/bash",
            cwd=folder,
            env=os.environ | {"PATH": self._path},
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            check=False,
        )
        ended = done.returncode, done.stdout
        if _state(folder) == before:
            self._known[command] = ended
        return ended


def _state(folder: Path) -> list[tuple[str, int]]:
    return sorted((str(path), path.stat().st_mtime_ns) for path in folder.rglob("*"))


def check(shell: Shell, folder: Path, command: str, lines: list[str]) -> bool:
    """Run one example; print what differs."""
    status = 0
    if lines and (match := re.fullmatch(r"\(exit status (\d+)\)", lines[-1])):
        status, lines = int(match[1]), lines[:-1]
    began = time.monotonic()
    ended, printed = shell.run(command, folder)
    took = time.monotonic() - began
    told = (line.rstrip() for line in printed.splitlines())
    out = "\n".join(line for line in told if not PASSING.search(line)) + "\n"
    same = re.fullmatch(pattern(lines), out if out.strip() else "")
    good = bool(same) and ended == status
    print(f"{'ok  ' if good else 'FAIL'} {took:5.1f} s  {command}", flush=True)  # noqa: T201
    if not good:
        print(f"exit status {ended}, expected {status}; printed:\n{out}")  # noqa: T201
        print("expected:\n" + "\n".join(lines), flush=True)  # noqa: T201
    return good


def check_page(shell: Shell, page: Path) -> list[bool]:
    """Run the examples of a page in a folder of its own."""
    found = examples(page)
    if not found:
        return []
    print(f"-- {page}", flush=True)  # noqa: T201
    with tempfile.TemporaryDirectory() as name:
        shutil.copytree("scenarios", Path(name, "scenarios"))
        return [check(shell, Path(name), *example) for example in found]


def main() -> int:
    """Do what the command line asks for."""
    if sys.argv[1] == "command":
        print(blocks(README, "sh")[int(sys.argv[2]) - 1].strip())  # noqa: T201
        return 0
    names = sys.argv[2:] or ["README", *sorted(path.stem for path in GUIDE.glob("*.md"))]
    pages = [README if name == "README" else GUIDE / f"{name}.md" for name in names]
    began, shell = time.monotonic(), Shell()
    results = [good for page in pages for good in check_page(shell, page)]
    took = time.monotonic() - began
    print(f"{sum(results)} of {len(results)} examples as printed, {took:.0f} s")  # noqa: T201
    return 0 if results and all(results) else 1


if __name__ == "__main__":
    sys.exit(main())
