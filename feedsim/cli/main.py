"""``feedsim``: the commands, and how they end.

Exit status: 0 done; 1 done, and the result is not accepted (only with ``--gate``); 2 the
scenario or the call is wrong, or something cannot be written; 3 interrupted; 4 a defect of feedsim.
"""

from __future__ import annotations

import io
import os
import sys
import warnings
from typing import Any

import typer

from feedsim.beside import may_copy
from feedsim.cli.budget import budget
from feedsim.cli.check import check
from feedsim.cli.command_help import Commands, add, complaint
from feedsim.cli.compare import compare
from feedsim.cli.desk import desk
from feedsim.cli.drive import drive
from feedsim.cli.explain import explain
from feedsim.cli.guide import guide
from feedsim.cli.learn import learn
from feedsim.cli.limit import limit
from feedsim.cli.new import new
from feedsim.cli.options import as_option, tell
from feedsim.cli.rehearse import rehearse
from feedsim.cli.run import run
from feedsim.cli.schema import schema
from feedsim.cli.setup import setup
from feedsim.cli.sweep import sweep
from feedsim.cli.trial import trial
from feedsim.cli.tune import tune
from feedsim.errors import FeedsimError, NoCache, NotDrawn, OldName, arguments_named
from feedsim.interrupts import InterruptedWork, as_interrupts, leaving_at_once
from feedsim.running.threads import ONE_THREAD

WRONG, INTERRUPTED, DEFECT = 2, 3, 4
_KILLED_BY_KEYBOARD = 130  # what typer makes of a KeyboardInterrupt

app = typer.Typer(
    name="feedsim",
    cls=Commands,
    help="Rehearse a line that lays one card on each passing card: where the inserts land, which "
    "carriers are missed, and what may jam, at any speed. A simulation is no safety function.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)


def _version(wanted: bool) -> None:
    if wanted:
        from feedsim import __version__

        typer.echo(f"feedsim {__version__}")
        raise typer.Exit


@app.callback()
def _root(
    version: bool = typer.Option(
        False, "--version", callback=_version, is_eager=True, help="Print the version and exit."
    ),
) -> None:
    del version


add(app, run, sweep, compare, limit, tune)
app.add_typer(trial)
add(app, learn, budget, explain, drive, setup, rehearse, desk, check, new, schema, guide)


def main() -> None:
    """Run the command line and leave with its exit status."""
    for name, value in ONE_THREAD.items():
        os.environ.setdefault(name, value)  # before a command imports NumPy
    _streams()
    as_interrupts()
    may_copy()
    _notes()
    try:
        status = _flushed(_status())
    except KeyboardInterrupt:  # one that came while the first was told
        status = INTERRUPTED
    leaving_at_once(lambda: os._exit(status))
    # an interrupt that met Python in an exec, as a dataclass is made by, would end `python -m` by
    # that signal, although it was told of; the next exec makes it forget
    exec("")  # noqa: S102
    sys.exit(status)


def _streams() -> None:
    """Open streams that the caller has closed, and replace letters that cannot be printed."""
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:  # or a file of ours would get the number, and what others print
            os.open(os.devnull, os.O_RDWR)
    if sys.stdout is None:
        sys.stdout = os.fdopen(1, "w", encoding="utf-8")
    if sys.stderr is None:
        sys.stderr = os.fdopen(2, "w", encoding="utf-8")
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")  # a terminal that lacks a letter shows a "?"


def _notes() -> None:
    """Print our own warnings as notes, each old key name once; leave other warnings alone."""
    others = warnings.showwarning

    def show(message: Any, category: type[Warning], *where: Any, **more: Any) -> None:
        if issubclass(category, (OldName, NotDrawn, NoCache)):
            tell(f"note: {message}")
        else:
            others(message, category, *where, **more)

    warnings.simplefilter("once", OldName)
    warnings.showwarning = show


def _status() -> int:
    try:
        with arguments_named(as_option):
            status = app(prog_name="feedsim", standalone_mode=False) or 0
    except (Exception, KeyboardInterrupt, SystemExit) as error:  # noqa: BLE001 - all ends here
        return _ended_by(error)
    return _told("interrupted", INTERRUPTED) if status == _KILLED_BY_KEYBOARD else status


def _ended_by(error: BaseException) -> int:
    """Print what has ended the command, and return its exit status."""
    match error:
        case FeedsimError():
            return _wrong(error)
        case InterruptedWork() | KeyboardInterrupt() | typer.Abort():
            words = str(error) and f": {error}"
            return _told(f"interrupted{words}", INTERRUPTED)
        case BrokenPipeError() | SystemExit():  # typer makes a SystemExit of a broken pipe
            return _heard_enough()
        case OSError() | MemoryError():
            why = "there is not enough memory"
            if isinstance(error, OSError):
                why = f"cannot print the result: {error.strerror or error}"
            return _wrong(FeedsimError(why))
    if hasattr(error, "show") and hasattr(error, "exit_code"):
        return _wrong_call(error)
    return _defect(error)


def _heard_enough() -> int:
    """Print no more: the reader of our output has closed it."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return 0


def _flushed(status: int) -> int:
    """Flush the output while an error can still be printed."""
    try:
        sys.stdout.flush()
    except BrokenPipeError:
        _heard_enough()
    except OSError as error:
        _heard_enough()
        return _wrong(FeedsimError(f"cannot print the result: {error.strerror or error}"))
    return status


def _told(words: str, status: int) -> int:
    tell(words)
    return status


def _wrong(error: FeedsimError) -> int:
    lines = error.lines
    for line in lines:
        tell(f"error: {line}")
    if len(lines) > 1:
        tell(f"{len(lines)} things to put right; nothing was run or written")
    return WRONG


def _wrong_call(error: Any) -> int:
    """Print the error of a command line; for an empty one, show the help."""
    if type(error).__name__ == "NoArgsIsHelpError":
        tell(error.format_message())
    else:
        for line in complaint(error):
            tell(line)
    return int(error.exit_code)


def _defect(error: BaseException) -> int:
    from traceback import format_exception

    tell("".join(format_exception(error)))
    return _told("error: this is a defect of feedsim; the lines above tell its engineers", DEFECT)
