"""The finished points of an unfinished sweep, kept until it is finished."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from feedsim.answers.data import data_of, read_as
from feedsim.answers.sweep.study import Changes
from feedsim.errors import Fault, FeedsimError
from feedsim.files.hidden_folder import forget_folder, make_folder
from feedsim.files.new_files import explained, remove
from feedsim.files.reading import regular_file
from feedsim.interrupts import held
from feedsim.metrics.plain import Plain
from feedsim.running.point import Point
from feedsim.running.provenance import differing

_LARGEST = 1 << 26
_NAME = re.compile(r"point-(0|[1-9]\d{0,5})")
_DAMAGED = "damaged"
_OTHER_SWEEP = "of another scenario or other points"


class Unfinished:
    """A file for each finished point, in a folder that is this process's alone.

    The first line of a point's file is the SHA-256 of the rest, JSON: the point, what made it, and
    its results. A point is used only if this sweep would write the same.

    The folder is hidden in the output folder, and exists only while a sweep is unfinished.
    ``sweep``: fingerprint of the scenario and of everything that is run. ``points``: what defines
    each, in order. ``made_by``: versions of code and libraries that the results depend on.
    """

    def __init__(
        self, folder: Path, sweep: str, points: Sequence[Changes], *, made_by: Mapping[str, str]
    ) -> None:
        self._folder = folder
        self._sweep = sweep
        self._points = points
        self._made_by = made_by
        self._kept: set[int] = set()

    def begin(self) -> int:
        """Prepare to keep points of this sweep; return how many of an earlier one are forgotten."""
        forgotten = len(self._files())
        self.forget()
        make_folder(self._folder)
        return forgotten

    def resume(self) -> tuple[dict[int, Point], list[str]]:
        """Return the usable points, by place, and in words what is not usable.

        Unusable ones are removed, to be run again. Raises FeedsimError if no unfinished sweep is
        kept, or only one of another scenario or other points; nothing is removed then.
        """
        if not self._folder.exists():
            message = (
                f"no unfinished sweep is kept in {self._folder.parents[1]}; without --resume all "
                "points are run"
            )
            raise FeedsimError(Fault("--resume", message=message))
        known: dict[int, Point] = {}
        unfit: dict[Path, str] = {}
        for path in self._files():
            found = self._read(path)
            if isinstance(found, str):
                unfit[path] = found
            else:
                known[int(path.name.partition("-")[2])] = found
        if not known and _OTHER_SWEEP in unfit.values():
            message = (
                f"the unfinished sweep in {self._folder.parents[1]} is of another scenario or "
                "other points; without --resume it is forgotten"
            )
            raise FeedsimError(Fault("--resume", message=message))
        for path in unfit:
            remove(path)
        make_folder(self._folder)
        self._kept = set(known)
        return known, [f"{path.name} is {why}" for path, why in sorted(unfit.items())]

    def keep(self, place: int, point: Point) -> None:
        """Keep one point, whole or not at all; FeedsimError if it cannot be written."""
        path = self._folder / f"point-{place}"
        body = json.dumps({"is": self._what(place), "point": data_of(Point, point)}).encode()
        with held(), explained(path, "write this file"):
            part = path.with_suffix(".part")
            part.write_bytes(f"{_digest(body)}\n".encode() + body)
            part.replace(path)
            self._kept.add(place)

    def words(self) -> str:
        """Say how much is kept; "" if all was forgotten."""
        where = f"in {self._folder.parents[1]}"
        if not self._folder.exists():
            return ""
        if not self._kept:
            return "no point was finished; --resume begins with the first"
        if len(self._kept) == len(self._points):
            return f"all {len(self._kept)} points are kept {where}; --resume only writes the files"
        count = f"{len(self._kept)} of {len(self._points)}"
        return f"{count} points are kept {where}; --resume runs the others"

    def forget_if_empty(self) -> None:
        """Leave nothing behind if no point has been finished."""
        if not self._kept:
            self.forget()

    def forget(self) -> None:
        """Remove everything kept, in one step as far as others see."""
        forget_folder(self._folder)

    def _files(self) -> list[Path]:
        """Return all files there but half-written ones."""
        if self._folder.is_symlink() or not self._folder.is_dir():
            return []
        return sorted(path for path in self._folder.iterdir() if path.suffix != ".part")

    def _what(self, place: int) -> dict[str, Plain]:
        return {
            "sweep": self._sweep,
            "place": place,
            "changes": [list(change) for change in self._points[place]],
            "made_by": dict(self._made_by),
        }

    def _read(self, path: Path) -> Point | str:
        """Return a point, or in words why it cannot be used."""
        name = _NAME.fullmatch(path.name)
        if name is None:
            return "no point"
        try:
            if path.is_symlink():
                return "a link, not a file"
            with regular_file(path) as file:
                first, _, body = file.read(_LARGEST).partition(b"\n")
            if first != _digest(body).encode():
                return _DAMAGED
            said = json.loads(body)
            return self._unfit(said["is"], int(name[1])) or read_as(Point, said["point"])
        except OSError:
            return "no file that can be read"
        except (ValueError, LookupError, TypeError, AttributeError, RecursionError):
            return _DAMAGED

    def _unfit(self, what: Mapping[str, Any], place: int) -> str:
        """Say why a point is not one of this sweep at that place; "" if it is."""
        if what["sweep"] != self._sweep:
            return _OTHER_SWEEP
        if what["place"] != place:
            return "of another place"
        if what["made_by"] != self._made_by:
            return f"made by {differing(what['made_by'], self._made_by) or 'other libraries'}"
        return "" if what == self._what(place) else _DAMAGED


def _digest(body: bytes) -> str:
    return hashlib.sha256(body).hexdigest()
