"""How every command delivers its answer: a folder of files, and words or JSON."""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from feedsim.cli.options import tell

if TYPE_CHECKING:
    from feedsim.answers.answer import Answer
    from feedsim.files.folder import OutputFolder
    from feedsim.files.new_files import Content
    from feedsim.quantities import System

_COLOURS = {
    "red": r"NOT (?:ACCEPTED|MET)|SEEN|WRONG|GIVEN UP|TOO LONG|DIFFER|DISAGREE",
    "green": r"(?<!NOT )ACCEPTED",
    "yellow": r"NOT DECIDED|(?:met|accepted) so far|near its limit",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Handed:
    """What a command delivers: its answer for people and as JSON, files, notes and exit status.

    ``files``: by name. ``beside``: files outside the folder that appear together with them.
    ``notes``: printed on standard error when standard output has JSON; the text includes them.
    ``last``: printed after the line that names the files.
    """

    text: Callable[[], str]
    json: str
    files: Mapping[str, Content] = field(default_factory=dict)
    beside: Mapping[Path, Content] = field(default_factory=dict)
    notes: Sequence[str] = ()
    last: str = ""
    status: int = 0


def handed(
    found: Answer,
    *,
    units: System | None,
    beside: Mapping[Path, Content] | None = None,
    notes: Sequence[str] = (),
    last: str = "",
    status: int = 0,
) -> Handed:
    """Prepare the delivery of an answer; its files are made now. The rest as in :class:`Handed`."""
    from feedsim.cli.progress import doing

    with doing("drawing figures and pages"):
        files = found.files(units=units)
    return Handed(
        text=lambda: found.text(units=units),
        json=found.json(),
        files=files,
        beside=beside or {},
        notes=notes,
        last=last,
        status=status,
    )


def deliver(
    command: str,
    find: Callable[[OutputFolder], Answer | Handed],
    *,
    folder: Path,
    units: System | None = None,
    as_json: bool = False,
    pictures: bool = True,
) -> int:
    """Find an answer, print it (as JSON: nothing else on standard output) and write its files.

    The folder, and whether figures can be drawn, if there are any, are checked before any work. The
    folder is this command's alone until all is printed. ``command``: of the manifest too. ``find``
    takes the folder, and returns the answer, or :func:`handed` of it to add files or notes.

    InterruptedWork says which files are in place or kept; FeedsimError if the folder is in use, its
    files cannot be written, or the answer cannot be printed.
    """
    from feedsim.errors import FeedsimError
    from feedsim.files.folder import OutputFolder
    from feedsim.interrupts import InterruptedWork
    from feedsim.render.canvas import try_pictures

    if pictures:
        try_pictures()
    out = OutputFolder(folder, command, tell=tell)
    try:
        with out:
            answer = _handed(find(out), units)
            out.write(answer.files, beside=answer.beside)
            _show(answer, _written(answer.files, folder), as_json=as_json)
    except KeyboardInterrupt:
        raise InterruptedWork(out.state() or "nothing was written") from None
    except FeedsimError:
        if state := out.state():
            tell(state)
        raise
    return answer.status


def print_now(found: Answer, *, units: System | None, as_json: bool) -> int:
    """Print an answer, write no files, and return the exit status."""
    _show(_handed(found, units), "", as_json=as_json)
    return 0


def _handed(found: Answer | Handed, units: System | None) -> Handed:
    return found if isinstance(found, Handed) else handed(found, units=units)


def _written(files: Iterable[str], folder: Path) -> str:
    names = list(files)
    return (
        f"wrote {folder / names[0]}" if len(names) == 1 else f"wrote {', '.join(names)} to {folder}"
    )


def _show(answer: Handed, written: str, *, as_json: bool) -> None:
    from feedsim.errors import FeedsimError, printable
    from feedsim.render.layout import for_screen

    last = [printable(line) for line in (written, answer.last) if line]
    try:
        if as_json:
            for note in answer.notes:
                tell(f"note: {note}")
            typer.echo(answer.json, nl=False)
        else:
            typer.echo(coloured(answer.text()))
            typer.echo("".join(f"{for_screen(line)}\n" for line in last), nl=False)
        sys.stdout.flush()
    except BrokenPipeError:
        raise
    except OSError as error:
        raise FeedsimError(f"cannot print the result: {error.strerror or error}") from None
    if as_json:
        for line in last:
            tell(line)


def coloured(text: str) -> str:
    """Colour the verdicts on a terminal; elsewhere leave the text as it is."""
    if not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb":
        for colour, words in _COLOURS.items():
            text = re.sub(words, typer.style(r"\g<0>", fg=colour, bold=True), text)
    return text
