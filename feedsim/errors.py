"""The one error meant for users: faults in their input.

Everything that a user can get wrong ends in a :class:`FeedsimError`. The command line prints
its lines and exits with status 2; anything else that escapes is a defect of feedsim.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

Given = str | int | tuple[str, ...] | None


def _as_argument(name: str, value: Given = None) -> str:
    return name if value is None else f"{name}={list(value) if isinstance(value, tuple) else value}"


_named: Callable[[str, Given], str] = _as_argument


def argument(name: str, value: Given = None) -> str:
    """Return what the user calls an argument: as in Python, or in a command its option.

    ``value``: to show how it is given. See :func:`arguments_named`.

    >>> argument("at_most"), argument("run.carriers", 400), argument("but", ("KEY=VALUE",))
    ('at_most', 'run.carriers=400', "but=['KEY=VALUE']")
    """
    return _named(name, value)


@contextmanager
def arguments_named(named: Callable[[str, Given], str]) -> Iterator[None]:
    """Make messages call arguments by other names inside the ``with``, in all threads."""
    global _named  # noqa: PLW0603 - of the process, which is one command
    before, _named = _named, named
    try:
        yield
    finally:
        _named = before


def printable(text: str) -> str:
    r"""Replace what a terminal would obey rather than show: paths may hold escape codes.

    >>> printable("a\x1b[31mb")
    'a?[31mb'
    """
    return "".join(c if c.isprintable() or c == "\n" else "?" for c in text)


def shortened(text: str) -> str:
    """Return the first 60 characters of what somebody gave, with dots for the rest."""
    return text if len(text) <= 60 else text[:57] + "..."


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is wrong, and where.

    Attributes
    ----------
    key : str
        Path of the key (``feeder.0.insert.gap``), the argument, with the entry of a list after its
        name (``but carrier.pitch=0 mm``), or another subject: a file, a line.
    found : str
        What stood there, shortened.
    allowed : str
        What is allowed there, as the end of "needs ...".
    message : str
        The sentence after the key; if empty, made from `found` and `allowed`.
    """

    key: str
    found: str = ""
    allowed: str = ""
    message: str = ""

    def __post_init__(self) -> None:
        if not self.message:
            said = f"found {self.found}; needs {self.allowed}" if self.found else self.allowed
            object.__setattr__(self, "message", said)

    def __str__(self) -> str:
        return printable(f"{self.key}: {self.message}" if self.key else self.message)


class FeedsimError(Exception):
    """The user's input cannot be used.

    Parameters
    ----------
    *faults : Fault or str
        All faults found. A plain string is a message without a key.
    """

    def __init__(self, *faults: Fault | str) -> None:
        super().__init__(*faults)
        self.faults: tuple[Fault, ...] = tuple(
            fault if isinstance(fault, Fault) else Fault("", message=str(fault)) for fault in faults
        )

    @property
    def lines(self) -> tuple[str, ...]:
        """The faults, a line each."""
        return tuple(str(fault) for fault in self.faults)

    def __str__(self) -> str:
        return "\n".join(self.lines)


class NotDrawn(UserWarning):
    """A name has characters that no installed font has; figures show boxes for them."""


class NoCache(UserWarning):
    """A library cannot keep its cache: each start may take longer."""


class OldName(FutureWarning):
    """A scenario uses an old name of a table."""
