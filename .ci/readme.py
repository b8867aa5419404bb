"""README's commands: print a set-up command, or run the examples and compare their output.

``readme.py command N`` prints the Nth ``sh`` block. ``readme.py examples`` runs every line of a
``console`` block that starts with ``$ `` in a shell, in one folder, in order, and compares what
follows with what is printed; a line of ``...`` stands for any number of lines, ``[...]`` within
a line for any text; lines that tell how far a slow command is do not count. A line
``(exit status N)`` states the exit status, 0 otherwise.
"""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

README = Path("README.md")


def blocks(kind: str) -> list[str]:
    """Return the fenced blocks of one kind, in order."""
    text = README.read_text("utf-8")
    return re.findall(rf"^```{kind}\n(.*?)^```", text, re.MULTILINE | re.DOTALL)


def examples() -> list[tuple[str, list[str]]]:
    """Return commands with the lines that are to follow them."""
    found: list[tuple[str, list[str]]] = []
    for block in blocks("console"):
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


def check(command: str, lines: list[str]) -> bool:
    """Run one example; print what differs."""
    status = 0
    if lines and (match := re.fullmatch(r"\(exit status (\d+)\)", lines[-1])):
        status, lines = int(match[1]), lines[:-1]
    done = subprocess.run(  # noqa: S602 - the README's own commands
        command,
        shell=True,
        executable="/bin/bash",
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        check=False,
    )
    # how far something is, told each half minute, is no part of an example
    told = (line.rstrip() for line in done.stdout.splitlines())
    out = "\n".join(line for line in told if not line.endswith(" s so far")) + "\n"
    same = re.fullmatch(pattern(lines), out if out.strip() else "")
    good = bool(same) and done.returncode == status
    print(f"{'ok  ' if good else 'FAIL'} {command}")  # noqa: T201
    if not good:
        print(f"exit status {done.returncode}, expected {status}; printed:\n{out}")  # noqa: T201
        print("expected:\n" + "\n".join(lines))  # noqa: T201
    return good


def main() -> int:
    """Do what the command line asks for."""
    if sys.argv[1] == "command":
        print(blocks("sh")[int(sys.argv[2]) - 1].strip())  # noqa: T201
        return 0
    results = [check(*example) for example in examples()]
    print(f"{sum(results)} of {len(results)} README examples as printed")  # noqa: T201
    return 0 if results and all(results) else 1


if __name__ == "__main__":
    sys.exit(main())
