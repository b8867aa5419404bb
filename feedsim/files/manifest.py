"""Which files of a folder belong together: their checksums, as ``sha256sum --check`` reads them."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from feedsim.files.reading import regular_file

_FILE = re.compile(r"([0-9a-f]{64})  ([^/\\\0]+)")
_OLDER = "# older, and not of this set: "
_LARGEST = 1 << 20


@dataclass(frozen=True, slots=True)
class Manifest:
    """What one command wrote into a folder.

    ``digests``: SHA-256 of each file's bytes, in hexadecimal, by name. ``older``: files left by
    earlier runs of this command.
    """

    digests: Mapping[str, str]
    older: tuple[str, ...] = ()

    @staticmethod
    def name(command: str) -> str:
        """Return the name of a command's manifest."""
        return f"{command.replace(' ', '_')}.sha256"

    @classmethod
    def read(cls, path: Path) -> Manifest:
        """Read a manifest; an empty one if the file is missing or unreadable."""
        try:
            with regular_file(path) as file:
                lines = file.read(_LARGEST).decode("utf-8").splitlines()
        except (OSError, ValueError):
            return cls({})
        found = [match for line in lines if (match := _FILE.fullmatch(line))]
        older = [line.removeprefix(_OLDER) for line in lines if line.startswith(_OLDER)]
        return cls({m[2]: m[1] for m in found}, tuple(n for n in older if Path(n).name == n))

    def text(self, command: str) -> str:
        """Return the text of its file."""
        lines = [f"# Written together by feedsim {command}: check with sha256sum -c"]
        lines += [f"{_OLDER}{name}" for name in self.older]
        lines += [f"{digest}  {name}" for name, digest in self.digests.items()]
        return "\n".join(lines) + "\n"

    def unlike(self, folder: Path) -> list[str]:
        """Return the files that are missing or have changed since they were written."""
        return [name for name, digest in self.digests.items() if digest_of(folder / name) != digest]

    def left_in(self, folder: Path, new: Iterable[str]) -> tuple[str, ...]:
        """Return which of its files stay in a folder once new ones are written."""
        left = {*self.digests, *self.older} - set(new)
        return tuple(name for name in sorted(left) if (folder / name).exists())


def digest_of(path: Path) -> str:
    """Return the SHA-256 of a file's bytes; "" where it cannot be read."""
    try:
        with regular_file(path) as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return ""
