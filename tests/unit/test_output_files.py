"""Files are replaced together or not at all, and nothing else is left behind."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import BinaryIO

import pytest

from feedsim.errors import FeedsimError
from feedsim.files import lock
from feedsim.files.folder import OutputFolder
from feedsim.files.manifest import Manifest
from feedsim.files.new_files import Content, NewFiles, write_one
from feedsim.render.json_text import json_text


def never(words: str) -> None:
    raise AssertionError(words)


def write(folder: Path, files: Mapping[str, Content]) -> None:
    with OutputFolder(folder, "test", tell=never) as out:
        out.write(files)


def names(folder: Path) -> list[str]:
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*"))


def in_one_go(file: BinaryIO) -> None:
    file.write(b"\0z")


def test_all_files_are_there_with_their_bytes(tmp_path: Path) -> None:
    write(tmp_path / "a" / "b", {"x.csv": b"1,2\n", "y.bin": in_one_go})
    assert names(tmp_path) == ["a", "a/b", "a/b/test.sha256", "a/b/x.csv", "a/b/y.bin"]
    assert (tmp_path / "a/b/x.csv").read_bytes() == b"1,2\n"
    assert (tmp_path / "a/b/y.bin").read_bytes() == b"\0z"


def test_older_files_are_replaced_and_others_stay(tmp_path: Path) -> None:
    (tmp_path / "x.csv").write_bytes(b"old and longer")
    (tmp_path / "notes.txt").write_bytes(b"mine")
    write(tmp_path, {"x.csv": b"new"})
    assert names(tmp_path) == ["notes.txt", "x.csv"]
    assert (tmp_path / "x.csv").read_bytes() == b"new"


def test_permissions_are_those_of_a_file_written_plainly(tmp_path: Path) -> None:
    (tmp_path / "plain").write_bytes(b"")
    write(tmp_path, {"x": b""})
    assert (tmp_path / "x").stat().st_mode == (tmp_path / "plain").stat().st_mode


def half_written(file: BinaryIO) -> None:
    file.write(b"first half")
    raise OSError(28, "No space left on device")


@pytest.mark.parametrize("folder", ["", "new", "new/within"])
def test_a_full_disk_leaves_nothing(tmp_path: Path, folder: str) -> None:
    with pytest.raises(FeedsimError) as caught:
        write(tmp_path / folder, {"a.csv": b"whole", "b.csv": half_written})
    assert str(caught.value) == (
        f"{tmp_path / folder / 'b.csv'}: cannot write this file: No space left on device"
    )
    assert names(tmp_path) == []


def test_any_other_failure_leaves_nothing_and_is_passed_on(tmp_path: Path) -> None:
    def broken(file: BinaryIO) -> None:
        file.write(b"first half")
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        write(tmp_path / "new", {"a.csv": b"whole", "b.csv": broken})
    assert names(tmp_path) == []


def test_an_interrupt_leaves_the_older_files(tmp_path: Path) -> None:
    def interrupted(_: BinaryIO) -> None:
        raise KeyboardInterrupt

    (tmp_path / "a.csv").write_bytes(b"old")
    with pytest.raises(KeyboardInterrupt):
        write(tmp_path, {"a.csv": b"new", "b.csv": interrupted})
    assert names(tmp_path) == ["a.csv"]
    assert (tmp_path / "a.csv").read_bytes() == b"old"


@pytest.mark.parametrize("links", [True, False])
@pytest.mark.parametrize("refused", ["a.csv", "b.csv", "c.csv", "test.sha256"])
def test_a_file_that_cannot_be_replaced_keeps_the_older_set(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, refused: str, links: bool
) -> None:
    """As where another program holds a file open and the system refuses to move it."""
    (tmp_path / "a.csv").write_bytes(b"old a")
    (tmp_path / "c.csv").write_bytes(b"old c")
    real = os.replace

    def replace(source: Path, target: Path) -> None:
        if target.name == refused and source.suffix == ".new":
            raise PermissionError(13, "The file is in use")
        real(source, target)

    def no_links(*_: object, **__: object) -> None:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(os, "replace", replace)
    if not links:
        monkeypatch.setattr(os, "link", no_links)
    with pytest.raises(FeedsimError, match=r"cannot replace this file: The file is in use$"):
        write(tmp_path, {"a.csv": b"new a", "b.csv": b"new b", "c.csv": b"new c"})
    assert names(tmp_path) == ["a.csv", "c.csv"]
    assert (tmp_path / "a.csv").read_bytes() == b"old a"
    assert (tmp_path / "c.csv").read_bytes() == b"old c"


def test_a_folder_in_the_place_of_a_file_is_said_so(tmp_path: Path) -> None:
    (tmp_path / "a.csv").mkdir()
    with pytest.raises(FeedsimError, match="cannot write this file: a folder has that name"):
        write(tmp_path, {"b.csv": b"", "a.csv": b""})
    assert names(tmp_path) == ["a.csv"]


@pytest.mark.parametrize(
    ("below", "why"), [("out", "a file has that name"), ("out/below", "Not a directory")]
)
def test_a_file_in_the_place_of_the_folder_is_said_so(tmp_path: Path, below: str, why: str) -> None:
    (tmp_path / "out").write_bytes(b"mine")
    with pytest.raises(FeedsimError, match=f"cannot make this folder: {why}"):
        write(tmp_path / below, {"a.csv": b""})
    assert names(tmp_path) == ["out"]
    assert (tmp_path / "out").read_bytes() == b"mine"


@pytest.mark.parametrize("name", ["", ".", "..", "a/b.csv", "/a.csv"])
def test_a_name_with_a_path_is_a_defect(tmp_path: Path, name: str) -> None:
    with pytest.raises(ValueError, match="no plain file name"):
        write(tmp_path / "new", {name: b""})
    assert names(tmp_path) == []


def test_json_text() -> None:
    assert json_text({"a": [1, None], "b": "Größe \u2192 \udc80"}) == (
        '{\n  "a": [\n    1,\n    null\n  ],\n  "b": "Größe \u2192 \\udc80"\n}\n'
    )
    with pytest.raises(ValueError, match="Out of range float"):
        json_text({"a": float("nan")})


def test_a_folder_is_tried_at_once_and_nothing_stays_if_nothing_is_written(tmp_path: Path) -> None:
    with OutputFolder(tmp_path / "new" / "deeper", "test", tell=never):
        assert names(tmp_path) == ["new", "new/deeper", "new/deeper/.feedsim",
                                   "new/deeper/.feedsim/lock"]  # fmt: skip
    assert names(tmp_path) == []


@pytest.mark.parametrize("kind", ["file", "link", "pipe"])
def test_what_stands_in_the_way_of_the_hidden_folder_or_the_lock_is_said(
    tmp_path: Path, kind: str
) -> None:
    for name in (".feedsim", ".feedsim/lock"):
        out = tmp_path / name.replace("/", "-")
        path = out / name
        path.parent.mkdir(parents=True)
        if kind == "file":
            path.write_bytes(b"") if name == ".feedsim" else path.mkdir()
        elif kind == "link":
            path.symlink_to(tmp_path)
        else:
            os.mkfifo(path)
        with pytest.raises(FeedsimError, match="cannot write into this folder"):
            write(out, {"a": b""})
        assert os.path.lexists(path)


def test_one_folder_is_for_one_at_a_time(tmp_path: Path) -> None:
    with (
        OutputFolder(tmp_path, "test", tell=never) as out,
        pytest.raises(FeedsimError) as caught,
        OutputFolder(tmp_path, "other", tell=never),
    ):
        pass
    assert f"{tmp_path}: is in use by feedsim test, process {os.getpid()} on " in str(caught.value)
    assert "wait until that has ended, or give another folder with answer.save" in str(caught.value)
    del out
    write(tmp_path, {"a": b""})
    assert names(tmp_path) == ["a"]


def test_without_a_lock_two_would_write_at_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A planted fault, which the test above must notice."""
    monkeypatch.setattr(lock.Lock, "_lock", lambda _: True)
    with pytest.raises(AssertionError, match=r"DID NOT RAISE|was in use when a process died"):
        test_one_folder_is_for_one_at_a_time(tmp_path)


HOLDS = """
import os, signal, sys
from pathlib import Path
from feedsim.files.folder import OutputFolder
with OutputFolder(Path(sys.argv[1]), "test", tell=print) as out:
    for name in ("results.json.new", "x.old"):
        (Path(sys.argv[1]) / ".feedsim" / name).write_text("left")
    os.kill(os.getpid(), signal.SIGKILL)
"""


def test_what_a_dead_process_holds_is_taken_over_and_cleared(tmp_path: Path) -> None:
    dead = subprocess.run([sys.executable, "-c", HOLDS, str(tmp_path / "out")], check=False)
    assert dead.returncode == -signal.SIGKILL
    assert names(tmp_path / "out/.feedsim") == ["lock", "results.json.new", "x.old"]
    told: list[str] = []
    with OutputFolder(tmp_path / "out", "test", tell=told.append):
        assert names(tmp_path / "out/.feedsim") == ["lock"]
    assert len(told) == 1
    assert "was in use when a process died, and is taken over from it: feedsim test, " in told[0]
    # a folder that was there before stays
    assert names(tmp_path) == ["out"]


def test_a_file_system_without_locks_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refused(*_: object) -> None:
        raise OSError(95, "Operation not supported")

    monkeypatch.setattr(lock.fcntl, "flock", refused)
    told: list[str] = []
    with OutputFolder(tmp_path, "test", tell=told.append) as out:
        out.write({"a": b"1"})
    assert told == [
        f"note: the file system of {tmp_path} has no locks: let one command at a time write there"
    ]
    assert names(tmp_path) == ["a"]


def test_the_manifest_is_checked_by_a_general_tool(tmp_path: Path) -> None:
    """The format of coreutils' ``sha256sum --check``; its comments begin with ``#``."""
    write(tmp_path, {"a.csv": b"1", "b.csv": b"2"})
    check = ["sha256sum", "--check", "--strict", "--quiet", "test.sha256"]
    assert subprocess.run(check, cwd=tmp_path, check=False).returncode == 0
    (tmp_path / "b.csv").write_bytes(b"3")
    done = subprocess.run(check, cwd=tmp_path, check=False, capture_output=True, text=True)
    assert done.returncode == 1
    assert done.stdout == "b.csv: FAILED\n"


def test_a_set_that_does_not_belong_together_is_said_by_the_next_run(tmp_path: Path) -> None:
    write(tmp_path, {"a.csv": b"1", "b.csv": b"2", "c.csv": b"3"})
    (tmp_path / "b.csv").write_bytes(b"from another run")
    (tmp_path / "c.csv").unlink()
    told: list[str] = []
    with OutputFolder(tmp_path, "test", tell=told.append) as out:
        out.write({"a.csv": b"4", "b.csv": b"5"})
    assert len(told) == 1
    assert told[0].startswith(f"note: in {tmp_path} not as an earlier test wrote it")
    assert told[0].endswith(": b.csv, c.csv")
    write(tmp_path, {"a.csv": b"1", "b.csv": b"2"})


def test_older_files_are_named_until_they_are_gone(tmp_path: Path) -> None:
    write(tmp_path, {"a.csv": b"1", "b.csv": b"2", "c.csv": b"3"})
    for _ in range(2):
        told: list[str] = []
        with OutputFolder(tmp_path, "test", tell=told.append) as out:
            out.write({"a.csv": b"1", "b.csv": b"2"})
        assert told == ["note: from an earlier test, left as they are: c.csv"]
    (tmp_path / "c.csv").unlink()
    write(tmp_path, {"a.csv": b"1", "b.csv": b"2"})


@pytest.mark.parametrize("text", [b"", b"\xff\xfe", b"0" * 64 + b"  ../x\n", b"# older, and\n\0"])
def test_a_manifest_that_is_none_is_not_believed(tmp_path: Path, text: bytes) -> None:
    (tmp_path / "test.sha256").write_bytes(text)
    write(tmp_path, {"a.csv": b"1", "b.csv": b"2"})
    assert Manifest.read(tmp_path / "test.sha256").unlike(tmp_path) == []


def test_files_of_other_folders_come_with_them_or_not_at_all(tmp_path: Path) -> None:
    with OutputFolder(tmp_path / "out", "test", tell=never) as out:
        with pytest.raises(FeedsimError, match="No space"):
            out.write({"a": half_written}, beside={tmp_path / "b" / "c": b"2"})
        assert not (tmp_path / "b" / "c").exists()
        out.write({"a": b"1"}, beside={tmp_path / "b" / "c": b"2"})
        assert out.state() == f"in place in {tmp_path / 'out'}: a, {tmp_path / 'b' / 'c'}"
    assert names(tmp_path) == ["b", "b/c", "out", "out/a"]


def test_one_file_clears_what_a_killed_process_left_of_it(tmp_path: Path) -> None:
    dead = subprocess.Popen([sys.executable, "-c", ""])
    dead.wait()
    (tmp_path / f".x.toml.{dead.pid}.new").write_bytes(b"half")
    lives = f".x.toml.{os.getppid()}.new"
    (tmp_path / lives).write_bytes(b"somebody's")
    write_one(tmp_path / "x.toml", b"1")
    assert names(tmp_path) == [lives, "x.toml"]


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_what_asks_to_end_is_met_when_all_are_in_place(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: signal.Signals
) -> None:
    real = os.replace

    def replace(source: Path, target: Path) -> None:
        os.kill(os.getpid(), number)
        real(source, target)

    def both() -> None:
        with NewFiles() as new:
            for name in "ab":
                new.write(tmp_path / name, b"1")
            new.put([tmp_path / "a", tmp_path / "b"])

    before = signal.signal(number, signal.default_int_handler)
    monkeypatch.setattr(os, "replace", replace)
    try:
        with pytest.raises(KeyboardInterrupt):
            both()
    finally:
        signal.signal(number, before)
    assert names(tmp_path) == ["a", "b"]
