"""Two commands into one folder at once: one of them, or each in its turn, never a mixture."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from feedsim.files.lock import Lock
from feedsim.files.manifest import Manifest

ROOT = Path(__file__).parents[2]
WAITS = """
import sys
from pathlib import Path
from feedsim.files.lock import Lock
if "no lock" in sys.argv:
    Lock._lock = lambda _: True
from feedsim.files.folder import OutputFolder
from feedsim.errors import FeedsimError

folder, mine = Path(sys.argv[1]), sys.argv[2].encode()

def say(words):
    print(words, flush=True)

def slowly(file):
    say("has it")
    sys.stdin.readline()
    file.write(mine)

try:
    with OutputFolder(folder, "test", tell=say) as out:
        out.write({"a": slowly, "b": mine})
    say("done")
except FeedsimError as error:
    say(error)
"""


class Writer:
    """A process that writes two files, and waits in the midst of it until it is told to go on."""

    def __init__(self, folder: Path, mine: str, *words: str) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-c", WAITS, str(folder), mine, *words],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
        )
        assert self._process.stdout is not None
        self.said = self._process.stdout.readline()

    def goes_on(self) -> str:
        return self._process.communicate("\n", timeout=600.0)[0]


def two_at_once(folder: Path, *words: str) -> list[str]:
    first = Writer(folder, "1", *words)
    second = Writer(folder, "2", *words)
    said = [first.said, second.said, first.goes_on(), second.goes_on()]
    assert not Manifest.read(folder / "test.sha256").unlike(folder)
    assert (folder / "a").read_bytes() == (folder / "b").read_bytes()
    return said


def test_the_second_is_refused_and_says_by_whom(tmp_path: Path) -> None:
    said = two_at_once(tmp_path / "new")
    assert said[0] == "has it\n"
    assert f"{tmp_path / 'new'}: is in use by feedsim test, process " in said[1]
    assert said[2:] == ["done\n", ""]
    assert sorted(p.name for p in (tmp_path / "new").iterdir()) == ["a", "b", "test.sha256"]
    assert two_at_once(tmp_path / "new")[2] == "done\n"


def test_without_a_lock_it_would_not_be(tmp_path: Path) -> None:
    """A planted fault, which the test above must notice."""
    said = two_at_once_or_none(tmp_path)
    assert not said or "is in use by" not in said[1]


def two_at_once_or_none(folder: Path) -> list[str]:
    try:
        return two_at_once(folder, "no lock")
    except AssertionError:
        return []


def test_a_lock_file_that_is_removed_meanwhile_is_no_lock(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As between the second's opening of the file and its locking it, the first being done."""
    first = Lock(tmp_path / "lock", "first")
    opened = os.open

    def open_late(path: Path, *rest: int) -> int:
        number = opened(path, *rest)
        first.release()
        return number

    monkeypatch.setattr(os, "open", open_late)
    with pytest.raises(FileNotFoundError):
        Lock(tmp_path / "lock", "second")
    assert not (tmp_path / "lock").exists()
