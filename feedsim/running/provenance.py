"""What results depend on besides the scenario: code and library versions."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from contextlib import suppress
from functools import cache
from hashlib import sha256
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from feedsim import __version__

_LIBRARIES = ("numpy", "scipy", "simpy", "numba")


@cache
def versions() -> Mapping[str, str]:
    """Return feedsim's version and code, Python's version and those of the libraries, by name."""
    found = {
        "feedsim": f"{__version__} (code {_code()})",
        "python": ".".join(map(str, sys.version_info[:2])),
    }
    for library in _LIBRARIES:
        with suppress(PackageNotFoundError):
            found[library] = version(library)
    return found


def differing(there: Mapping[str, str], here: Mapping[str, str]) -> str:
    """Return how versions differ from those here, or ""."""
    names = [name for name in here if there.get(name) != here[name]]
    return ", ".join(f"{name} {there.get(name, 'missing')}, not {here[name]}" for name in names)


def _code() -> str:
    """Return a short hash of feedsim's own code, which may change within a version."""
    root = Path(__file__).parents[1]
    digest = sha256()
    for file in sorted(root.rglob("*.py")):
        name = file.relative_to(root).as_posix()
        digest.update(f"{name}\n{file.read_text('utf-8')}\n".encode())
    return digest.hexdigest()[:16]
