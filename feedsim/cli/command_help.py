"""Help texts and error messages of the command line.

Typer cuts descriptions short in the list of commands, names Python's types, and writes ``Error:``.
"""

from __future__ import annotations

import inspect
import re
from collections.abc import Callable
from typing import Any

import typer
from typer.core import TyperCommand, TyperGroup

_WORDS: tuple[tuple[str, str | Callable[[re.Match[str]], str]], ...] = (
    (r"^Invalid value for '(\S+)': (?:Value error, )?", r"\1: "),
    (r"Input should be a valid integer.*", "needs a whole number"),
    (r"Input should be a valid number.*", "needs a number"),
    (r"Input should be greater than or equal to (\d+)", r"needs a whole number from \1 on"),
    (r"Input should be less than or equal to (\d+)", r"needs a whole number up to \1"),
    (r"('\S+') is not one of (.*?)\.?$", r"found \1; needs one of \2"),
    (
        r"^Missing argument '(\S+)\.\.\.'\.?$",
        lambda found: f"{found[1]} is missing; name one or more {found[1].lower()} files",
    ),
    (r"^Missing argument '(\S+)'\.?$", r"\1 is missing"),
    (r"^Missing command\.$", "a command is missing"),
    (r"^No such command ('.*?')\.", r"there is no command \1"),
    (r"^No such option: (\S+)", r"there is no option \1"),
    (r" \(Possible options: (.*)\)$", r". Did you mean \1?"),
    (r"\.? Did you mean (.*)\?$", r"; did you mean \1?"),
    (r"^Option '(\S+)' requires an argument\.$", r"\1: needs a value after it"),
    (r"^Option '(\S+)' does not take a value\.$", r"\1: takes no value"),
    (r"^Got unexpected extra argument\(s\) \((.*)\)$", r"\1: is more than this command takes"),
)
"""Patterns of Typer's messages, and what replaces them."""
_RANGE = re.compile(r"  \[(?:\d+<=)?x[<>]=\d+\]|; (?:\d+<=)?x[<>]=\d+")


class Commands(TyperGroup):
    """Commands under one name."""

    def format_usage(self, ctx: Any, formatter: Any) -> None:
        """Write how it is called."""
        formatter.write_usage(ctx.command_path, "COMMAND ...")


class _Command(TyperCommand):
    """One command: what it needs by the names that its help uses."""

    def format_usage(self, ctx: Any, formatter: Any) -> None:
        """Write how it is called."""
        arguments = [p for p in self.params if p.param_type_name == "argument"]
        names = [str(p.metavar) if p.required else f"[{p.metavar}]" for p in arguments]
        formatter.write_usage(ctx.command_path, " ".join([*names, "[OPTIONS]"]))

    def format_options(self, ctx: Any, formatter: Any) -> None:
        """List what it needs and what it takes."""
        shown: dict[str, list[tuple[str, str]]] = {"argument": [], "option": []}
        for parameter in self.get_params(ctx):
            record = parameter.get_help_record(ctx)
            if parameter.param_type_name == "argument":
                record = (str(parameter.metavar), str(getattr(parameter, "help", "")))
            if record:
                name, words = record
                words = _RANGE.sub("", words).replace("  [default", " [default")
                shown[parameter.param_type_name].append((name, words))
        for title, rows in zip(("Arguments", "Options"), shown.values(), strict=True):
            if rows:
                with formatter.section(title):
                    formatter.write_dl(rows)


def add(app: typer.Typer, *commands: Callable[..., Any]) -> None:
    """Add commands; the list of commands shows their first paragraphs."""
    for command in commands:
        text = (inspect.getdoc(command) or "").split("\n\n")[0]
        app.command(cls=_Command, short_help=" ".join(text.split()))(command)


def complaint(error: Any) -> list[str]:
    """Return typer's error of a command line in feedsim's own form, and where to find help."""
    words = str(error.format_message())
    for pattern, instead in _WORDS:
        words = re.sub(pattern, instead, words)
    if given := getattr(error.__cause__, "errors", None):  # pydantic's, of an option's value
        words = words.replace(": needs", f": found {given()[0]['input']!r}; needs", 1)
    context = getattr(error, "ctx", None)
    return [f"error: {words}", f"see {context.command_path if context else 'feedsim'} --help"]
