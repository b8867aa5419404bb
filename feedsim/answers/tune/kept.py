"""Results of an unfinished search, kept until it is finished."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any, TypeVar

from feedsim.answers.data import data_of, read_as
from feedsim.errors import Fault, FeedsimError
from feedsim.files.hidden_folder import forget_folder, make_folder
from feedsim.files.new_files import explained
from feedsim.files.reading import regular_file
from feedsim.interrupts import held
from feedsim.running.provenance import differing, versions
from feedsim.scenario import Scenario, scenario_to_dict

T = TypeVar("T")

_NAME = "tuned"
_LARGEST = 1 << 30


class Journal:
    """One file, a line for each answered call, in a folder that is ours alone.

    The folder is hidden in the output folder, and exists while a search is unfinished. A line is
    JSON with its SHA-256 in front. The first says what is searched and what made it: a journal is
    used only if these are the same. A half-written line and everything after it are ignored.
    """

    def __init__(self, folder: Path, scenario: Scenario) -> None:
        self._folder, self._path = folder, folder / _NAME
        what = json.dumps(scenario_to_dict(scenario), sort_keys=True).encode()
        self._head = {"tune": hashlib.sha256(what).hexdigest(), "made_by": dict(versions())}
        self._known: dict[str, object] = {}
        self._kept = 0

    def begin(self) -> int:
        """Begin anew; return how many files of an earlier search were forgotten."""
        there = self._folder.is_dir() and not self._folder.is_symlink()
        forgotten = len(list(self._folder.iterdir())) if there else 0
        self.forget()
        self._make()
        return forgotten

    def resume(self) -> list[str]:
        """Load what is kept; return in words which parts cannot be used.

        Raises FeedsimError if nothing is kept, or what is kept is of another scenario.
        """
        where = self._folder.parents[1]
        if not self._path.exists():
            message = f"no unfinished search is kept in {where}; without --resume it begins anew"
            raise FeedsimError(Fault("--resume", message=message))
        with explained(self._path, "read this file"), regular_file(self._path) as file:
            rows = file.read(_LARGEST).split(b"\n")
        found = [row for line in rows if (row := _read(line)) is not None]
        head = found[0] if found and isinstance(found[0], dict) else {}
        if head.get("tune", self._head["tune"]) != self._head["tune"]:
            message = (
                f"the unfinished search in {where} is of another scenario; without --resume it is "
                "forgotten"
            )
            raise FeedsimError(Fault("--resume", message=message))
        notes = []
        if not head:
            notes.append("what is kept is damaged")
        elif head != self._head:
            others = differing(head.get("made_by", {}), versions())
            notes.append(f"what is kept was made by {others or 'other libraries'}")
        else:
            whole = 0
            while whole < len(rows) and _read(rows[whole]) is not None:
                whole += 1
            self._known.update(dict(found[1:whole]))
            if any(rows[whole:]):
                notes.append("the end of what is kept is damaged")
        self.forget()
        self._make()
        kept = list(self._known.items())
        with held(), explained(self._path, "write this file"), self._path.open("ab") as file:
            for row in kept:
                file.write(_line(row))
        self._kept = len(kept)
        return notes

    def kept(self, key: str, kind: type[T]) -> T | None:
        """Return a result that is kept, else None."""
        return read_as(kind, self._known[key]) if key in self._known else None

    def keep(self, key: str, kind: type[T], result: T) -> None:
        """Keep one result, whole or not at all; raises FeedsimError if it cannot be written."""
        if key in self._known:
            return
        plain = data_of(kind, result)
        with held(), explained(self._path, "write this file"), self._path.open("ab") as file:
            file.write(_line([key, plain]))
            self._known[key] = plain
            self._kept += 1

    def words(self) -> str:
        """Say how much is kept; "" if all was forgotten."""
        if not self._folder.exists():
            return ""
        if not self._kept:
            return "nothing was found yet; --resume begins at the beginning"
        where = self._folder.parents[1]
        return f"what was found so far is kept in {where}; --resume goes on from there"

    def forget_if_empty(self) -> None:
        """Leave nothing behind if nothing has been found."""
        if not self._kept:
            self.forget()

    def forget(self) -> None:
        """Remove everything kept, in one step as far as others see."""
        forget_folder(self._folder)

    def _make(self) -> None:
        make_folder(self._folder)
        with explained(self._path, "write this file"):
            self._path.write_bytes(_line(self._head))


def _line(what: object) -> bytes:
    body = json.dumps(what).encode()
    return hashlib.sha256(body).hexdigest().encode() + b" " + body + b"\n"


def _read(line: bytes) -> Any:
    digest, _, body = line.partition(b" ")
    if not body or hashlib.sha256(body).hexdigest().encode() != digest:
        return None
    return json.loads(body)
