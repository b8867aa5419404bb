"""``feedsim``: the commands, and what ends them.

Exit status: 0 done; 1 done, and the result is not accepted (only with ``--gate``); 2 the
scenario or the call is wrong; 3 interrupted.
"""

from __future__ import annotations

import io
import os
import sys

import typer

from feedsim.cli.budget import budget
from feedsim.cli.check import check
from feedsim.cli.compare import compare
from feedsim.cli.drive import drive
from feedsim.cli.explain import explain
from feedsim.cli.limit import limit
from feedsim.cli.new import new
from feedsim.cli.rehearse import rehearse
from feedsim.cli.run import run
from feedsim.cli.schema import schema
from feedsim.cli.setup import setup
from feedsim.cli.sweep import sweep
from feedsim.cli.trial import trial
from feedsim.errors import FeedsimError, printable

__all__ = ["app", "main"]

WRONG, INTERRUPTED = 2, 3
_KILLED_BY_KEYBOARD = 130  # what typer makes of a KeyboardInterrupt

app = typer.Typer(
    name="feedsim",
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


app.command()(run)
app.command()(sweep)
app.command()(compare)
app.command()(limit)
app.add_typer(trial)
app.command()(budget)
app.command()(explain)
app.command()(drive)
app.command()(setup)
app.command()(rehearse)
app.command()(check)
app.command()(new)
app.command()(schema)


def main() -> None:
    """Run the command line and leave with its exit status."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")  # a terminal that lacks a letter shows a "?"
    sys.exit(_flushed(_status()))


def _status() -> int:
    status = 0
    try:
        status = app(standalone_mode=False) or 0
    except FeedsimError as error:
        status = _wrong(error)
    except (KeyboardInterrupt, typer.Abort):
        status = _KILLED_BY_KEYBOARD
    except (BrokenPipeError, SystemExit):
        status = _heard_enough()  # typer makes a SystemExit of a broken pipe
    except OSError as error:
        status = _wrong(FeedsimError(f"cannot print the result: {error.strerror or error}"))
    except Exception as error:
        if not (hasattr(error, "show") and hasattr(error, "exit_code")):
            raise
        said = io.StringIO()
        error.show(said)  # a wrong call
        typer.echo(printable(said.getvalue()), err=True, nl=False)
        status = int(error.exit_code)
    return _interrupted() if status == _KILLED_BY_KEYBOARD else status


def _heard_enough() -> int:
    """Whoever read our output has stopped reading: nothing is wrong, but print no more."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return 0


def _flushed(status: int) -> int:
    """Print what is still to be printed, while an error can still be told."""
    try:
        sys.stdout.flush()
    except BrokenPipeError:
        return _heard_enough()
    except OSError as error:
        _heard_enough()
        return _wrong(FeedsimError(f"cannot print the result: {error.strerror or error}"))
    return status


def _interrupted() -> int:
    typer.echo("interrupted: nothing was written", err=True)
    return INTERRUPTED


def _wrong(error: FeedsimError) -> int:
    lines = error.lines
    for line in lines:
        typer.echo(f"error: {line}", err=True)
    if len(lines) > 1:
        typer.echo(f"{len(lines)} things to put right; nothing was run or written", err=True)
    return WRONG
