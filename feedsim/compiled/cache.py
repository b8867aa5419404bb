"""The cache of machine code, so that a machine compiles once."""

from __future__ import annotations

import hashlib
import os
import re
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from functools import cache
from importlib import metadata
from pathlib import Path
from shutil import rmtree
from tempfile import TemporaryDirectory
from typing import Any

from feedsim.compiled.aside import compiled_aside
from feedsim.compiled.driver import Driver
from feedsim.garbage import nothing_collected

CACHE = "FEEDSIM_CACHE"
"""Environment variable with a folder to use instead of the user's own."""
_SUMS = "sums"
# whose sources go into the key
_STAGES = ("machine", "motion", "draws", "records", "simulation", "compiled")
_MOST_OTHERS = 7
_NAMED = re.compile("[0-9a-f]{32}")
_SAYS = "feedsim: compiling the engine for this machine; that is done once and takes some 15 s.\n"


@cache
def compiled_driver() -> Driver:
    """Return the compiled functions, from the cache or compiled now and cached.

    They are in the user's cache folder under a key of everything they depend on: the sources and
    their place, the versions of Python and the libraries, the processor. A process waits while
    another one compiles. If the cache cannot be written, or is damaged, the functions are compiled
    again.
    """
    place = _place()
    if place is not None:
        with _locked(place, shared=True):  # processes that start together load at once
            if _is_whole(place):
                return _loaded(place)
        with _locked(place):
            return _kept(place)
    _tell()
    try:
        with TemporaryDirectory(prefix="feedsim-") as elsewhere:
            return _compiled(Path(elsewhere))
    except OSError:
        return _found_in(None)


def is_kept() -> bool:
    """Return whether the functions have been compiled on this machine before."""
    if compiled_driver.cache_info().currsize:
        return True
    place = _place()
    return place is not None and (place / _SUMS).exists()


def _kept(place: Path) -> Driver:
    if _is_whole(place):  # by now
        return _loaded(place)
    _tell()
    with suppress(OSError):
        _clear(place)
    made = _compiled(place)
    with suppress(OSError):
        if sums := _sums(place):
            (place / _SUMS).write_text(sums, encoding="utf-8")
        _forget_others(place)
    return made


def _loaded(place: Path) -> Driver:
    from feedsim.compiled.linked import linked

    with nothing_collected():  # a quarter of the time otherwise
        return linked(place) or _found_in(place)


def _compiled(place: Path) -> Driver:
    compiled_aside(place)
    return _loaded(place)  # or, if that has failed, compiled by this process


def _found_in(place: Path | None) -> Driver:
    """Return the functions from a folder, and add what it lacks; None: no folder."""
    from numba import config

    from feedsim.compiled.kernels import driver

    settings: Any = config
    before, settings.CACHE_DIR = settings.CACHE_DIR, str(place or "")
    try:
        return driver(keep=place is not None)
    except Exception:  # numba has no one error for what it cannot read or write
        if place is None:
            raise
        with suppress(OSError):
            _clear(place)
        return driver(keep=False)
    finally:
        settings.CACHE_DIR = before


def _tell() -> None:
    if sys.stderr is not None:
        with suppress(OSError, ValueError):
            sys.stderr.write(_SAYS)
            sys.stderr.flush()


@cache
def _place() -> Path | None:
    """Return the folder of this code on this machine, made if needed; None if that fails."""
    place = _user_cache() / "feedsim" / _key()
    try:
        place.mkdir(parents=True, exist_ok=True)
        (place / "lock").touch()
    except OSError:
        return None
    return place


def _forget_others(place: Path) -> None:
    """Remove the caches of other versions, except those used last: they may be in use."""
    others = [p for p in place.parent.iterdir() if p != place and _NAMED.fullmatch(p.name)]
    others.sort(key=_used, reverse=True)
    for old in others[_MOST_OTHERS:]:
        rmtree(old, ignore_errors=True)


def _used(place: Path) -> float:
    """Return when a process last used the functions kept there."""
    with suppress(OSError):
        return (place / "lock").stat().st_mtime
    return 0.0


def _user_cache() -> Path:
    if os.environ.get(CACHE):
        return Path(os.environ[CACHE])
    if sys.platform == "win32":
        return Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local")
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Caches"
    return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")


def _key() -> str:
    from llvmlite import binding

    names = [sys.version, binding.get_host_cpu_name(), binding.get_host_cpu_features().flatten()]
    names += [f"{name} {metadata.version(name)}" for name in ("numba", "llvmlite", "numpy")]
    key = hashlib.sha256("\n".join(names).encode())
    top = Path(__file__).parents[1]
    for path in (p for s in _STAGES for p in sorted((top / s).glob("*.py"))):
        key.update(path.read_bytes())
        key.update(f"{path} {path.stat().st_mtime_ns}".encode())  # numba keeps by these too
    return key.hexdigest()[:32]


def _files(place: Path) -> list[Path]:
    return [p for p in sorted(place.rglob("*")) if p.is_file() and p.name not in {_SUMS, "lock"}]


def _sums(place: Path) -> str:
    """Return a line for each file with its SHA-256."""
    found = ((p.relative_to(place), hashlib.sha256(p.read_bytes())) for p in _files(place))
    return "".join(f"{digest.hexdigest()}  {name}\n" for name, digest in found)


def _is_whole(place: Path) -> bool:
    try:
        kept = (place / _SUMS).read_text(encoding="utf-8")
        return bool(kept) and kept == _sums(place)
    except (OSError, ValueError):
        return False


def _clear(place: Path) -> None:
    for path in [place / _SUMS, *_files(place)]:
        path.unlink(missing_ok=True)


@contextmanager
def _locked(place: Path, *, shared: bool = False) -> Iterator[None]:
    """Keep other processes of this user from compiling meanwhile, if the system has such locks.

    ``shared``: not from loading.
    """
    try:
        import fcntl
    except ImportError:
        yield
        return
    with (place / "lock").open("w") as lock:
        with suppress(OSError):
            fcntl.flock(lock, fcntl.LOCK_SH if shared else fcntl.LOCK_EX)
        yield
