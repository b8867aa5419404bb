"""How every command hands over what it found: a folder of files, and words or JSON."""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from feedsim.cli.options import tell

if TYPE_CHECKING:
    from feedsim.answers import answer
    from feedsim.files.folder import OutputFolder
    from feedsim.files.new_files import Content
    from feedsim.quantities import System

__all__ = ["Answer", "coloured", "deliver", "handed", "print_now"]

_COLOURS = {
    "red": r"NOT (?:ACCEPTED|MET)|SEEN|WRONG|GIVEN UP|PAST ITS LIMIT|TOO LONG|DIFFER|DISAGREE",
    "green": r"(?<!NOT )ACCEPTED",
    "yellow": r"NOT DECIDED|undecided|near its limit",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What a command has found.

    Attributes
    ----------
    text : callable
        Makes what people read.
    json : str
        The same as data.
    files : mapping of str to bytes or callable
        By name.
    beside : mapping of Path to bytes or callable
        Files outside the folder that appear together with them.
    notes : sequence of str
        What standard error gets where standard output has JSON: the text has it otherwise.
    last : str
        Words after the line that names the files.
    status : int
        The exit status.
    """

    text: Callable[[], str]
    json: str
    files: Mapping[str, Content] = field(default_factory=dict)
    beside: Mapping[Path, Content] = field(default_factory=dict)
    notes: Sequence[str] = ()
    last: str = ""
    status: int = 0


def handed(
    found: answer.Answer,
    *,
    units: System | None,
    text: Callable[[], str] | None = None,
    notes: Sequence[str] = (),
    status: int = 0,
) -> Answer:
    """Make of an answer what a command hands over; its files are made now.

    Parameters
    ----------
    found : Answer
    units : {"metric", "inch"}
    text : callable, optional
        What people read, if it is not the answer's text.
    notes, status
        See :class:`Answer`.
    """
    from feedsim.cli.progress import doing

    with doing("drawing figures and pages"):
        files = found.files(units=units)
    return Answer(
        text=text or (lambda: found.text(units=units)),
        json=found.json(),
        files=files,
        notes=notes,
        status=status,
    )


def deliver(
    command: str,
    find: Callable[[OutputFolder], Answer],
    *,
    folder: Path,
    as_json: bool = False,
    pictures: bool = True,
) -> int:
    """Find an answer and hand it over.

    The folder, and whether pictures can be drawn, are tried before any work. The folder is this
    command's alone until all is printed.

    Parameters
    ----------
    command : str
        Its name, which the manifest bears.
    find : callable
        Given the folder; returns the answer.
    folder : Path
        Of the files.
    as_json : bool
        Print JSON and nothing else on standard output.
    pictures : bool
        Whether there are pictures among the files.

    Returns
    -------
    int
        The exit status.

    Raises
    ------
    InterruptedWork
        If the command is asked to end; says what is in place or kept.
    FeedsimError
        If the folder is in use, or its files cannot be written or the answer not printed.
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
            answer = find(out)
            out.write(answer.files, beside=answer.beside)
            _show(answer, f"wrote {', '.join(answer.files)} to {folder}", as_json=as_json)
    except KeyboardInterrupt:
        raise InterruptedWork(out.state() or "nothing was written") from None
    except FeedsimError:
        if state := out.state():
            tell(state)
        raise
    return answer.status


def print_now(answer: Answer, *, as_json: bool) -> int:
    """Print an answer, write no files, and return the exit status."""
    _show(answer, "", as_json=as_json)
    return answer.status


def _show(answer: Answer, written: str, *, as_json: bool) -> None:
    from feedsim.errors import FeedsimError, printable

    last = [printable(line) for line in (written, answer.last) if line]
    try:
        if as_json:
            for note in answer.notes:
                tell(f"note: {note}")
            typer.echo(answer.json, nl=False)
        else:
            typer.echo(coloured(answer.text()))
            typer.echo("".join(f"{line}\n" for line in last), nl=False)
        sys.stdout.flush()
    except BrokenPipeError:
        raise
    except OSError as error:
        raise FeedsimError(f"cannot print the result: {error.strerror or error}") from None
    if as_json:
        for line in last:
            tell(line)


def coloured(text: str) -> str:
    """Repeat in colour what verdicts say in words; what is no terminal gets none."""
    if not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb":
        for colour, words in _COLOURS.items():
            text = re.sub(words, typer.style(r"\g<0>", fg=colour, bold=True), text)
    return text
