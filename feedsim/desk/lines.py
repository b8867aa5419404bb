"""The line of a question, read from its own text, and its faults."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from feedsim.answers.line import Line, line_of
from feedsim.desk.questions import LineText
from feedsim.errors import Fault, FeedsimError
from feedsim.scenario.overrides import collect_overrides
from feedsim.scenario.reading import parse_toml, read_text, read_toml

_OPTION = re.compile(r"(?<!\S)--([a-z]+(?:-[a-z]+)*)")
_ASIDE = re.compile(r" \(--[a-z][^()]*\)")


@dataclass(frozen=True, slots=True)
class Opened:
    """A scenario that the desk has opened.

    ``text``: of the file when it was opened. ``named``: other files that it named then; these may
    be read.
    """

    path: Path
    text: str
    named: frozenset[str]

    def now(self) -> str:
        """Return the present text of the file; the text as opened, if it cannot be read."""
        try:
            return read_text(self.path)
        except FeedsimError:
            return self.text

    @property
    def folder(self) -> Path:
        """Its folder, the only one that a question may read or write."""
        return self.path.parent


def opened(path: Path) -> Opened:
    """Open a scenario; FeedsimError if it is not readable TOML: the page shows other faults."""
    text = read_text(path)
    data = read_toml(path)
    try:
        named = named_files(data)
    except FeedsimError:
        named = {}
    return Opened(path, text, frozenset(named.values()))


def read(setup: LineText, files: Sequence[Opened], *, more: Sequence[str] = ()) -> Line:
    """Return the line of a question about one of the desk's files, with more changes than its own.

    Raises FeedsimError with all its faults.
    """
    file = file_of(setup, files)
    data, changes = parse_toml(setup.text), [*setup.changes, *more]
    refuse_other_folders(data, changes, file)
    return line_of(data, changes, name=file.path.stem, folder=file.folder)


def file_of(setup: LineText, files: Sequence[Opened]) -> Opened:
    """Return the desk's scenario that a question is about; FeedsimError if there is none such."""
    if setup.file >= len(files):
        raise FeedsimError(Fault("file", str(setup.file), f"0 to {len(files) - 1}"))
    return files[setup.file]


def refuse_other_folders(data: dict[str, Any], changes: Sequence[str], file: Opened) -> None:
    """Refuse (FeedsimError) a scenario that names a file outside the folder of the one it is from.

    Files that the scenario named when opened stay allowed: its owner wrote those names.
    """
    changed, _ = collect_overrides(data, changes)
    allowed = "a file in the scenario's own folder"
    faults = [
        Fault(key, repr(name)[:80], allowed)
        for key, name in named_files(changed).items()
        if name not in file.named and not _within(name, file.folder)
    ]
    if faults:
        raise FeedsimError(*faults)


def named_files(data: Mapping[str, Any]) -> dict[str, str]:
    """Return the files that a scenario names, by their keys."""
    found = {}
    carrier = data.get("carrier")
    if isinstance(carrier, Mapping) and isinstance(carrier.get("record"), str):
        found["carrier.record"] = carrier["record"]
    feeders = data.get("feeder")
    feeders = [feeders] if isinstance(feeders, Mapping) else feeders
    for number, feeder in enumerate(feeders if isinstance(feeders, list) else ()):
        drive = feeder.get("drive") if isinstance(feeder, Mapping) else None
        if isinstance(drive, Mapping) and isinstance(drive.get("motors"), str):
            found[f"feeder.{number}.drive.motors"] = drive["motors"]
    return found


def _within(name: str, folder: Path) -> bool:
    try:
        return (folder / name).resolve().is_relative_to(folder.resolve())
    except (OSError, ValueError, RuntimeError):
        return False


def plain_words(text: str) -> str:
    """Reword a message that names command options for a page, which has none.

    >>> plain_words("about 6000 would (--carriers 6000)"), plain_words("--first-miss: none is")
    ('about 6000 would', 'first miss: none is')
    """
    return _OPTION.sub(lambda found: found[1].replace("-", " "), _ASIDE.sub("", text))


def faults_plain(faults: Sequence[Fault]) -> list[dict[str, str]]:
    """Return the faults of a line as data, each with the path of its knob."""
    return [
        {
            "path": plain_words(fault.key),
            "text": plain_words(str(fault)),
            "message": plain_words(fault.message),
            "found": fault.found,
            "allowed": fault.allowed,
        }
        for fault in faults
    ]
