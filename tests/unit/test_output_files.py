"""Files appear whole or not at all, and nothing else is left behind."""

import os
from pathlib import Path

import pytest

from feedsim.errors import FeedsimError
from feedsim.output.files import try_folder, write_all
from feedsim.output.json_text import json_text


def names(folder: Path) -> list[str]:
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*"))


def test_all_files_are_there_with_their_bytes(tmp_path):
    write_all(tmp_path / "a" / "b", {"x.csv": b"1,2\n", "y.bin": lambda file: file.write(b"\0z")})
    assert names(tmp_path) == ["a", "a/b", "a/b/x.csv", "a/b/y.bin"]
    assert (tmp_path / "a/b/x.csv").read_bytes() == b"1,2\n"
    assert (tmp_path / "a/b/y.bin").read_bytes() == b"\0z"


def test_older_files_are_replaced_and_others_stay(tmp_path):
    (tmp_path / "x.csv").write_bytes(b"old and longer")
    (tmp_path / "notes.txt").write_bytes(b"mine")
    write_all(tmp_path, {"x.csv": b"new"})
    assert names(tmp_path) == ["notes.txt", "x.csv"]
    assert (tmp_path / "x.csv").read_bytes() == b"new"


def test_permissions_are_those_of_a_file_written_plainly(tmp_path):
    (tmp_path / "plain").write_bytes(b"")
    write_all(tmp_path, {"x": b""})
    assert (tmp_path / "x").stat().st_mode == (tmp_path / "plain").stat().st_mode


def half_written(file):
    file.write(b"first half")
    raise OSError(28, "No space left on device")


@pytest.mark.parametrize("folder", ["", "new", "new/within"])
def test_a_full_disk_leaves_nothing(tmp_path, folder):
    with pytest.raises(FeedsimError) as caught:
        write_all(tmp_path / folder, {"a.csv": b"whole", "b.csv": half_written})
    assert str(caught.value) == (
        f"{tmp_path / folder / 'b.csv'}: cannot write this file: No space left on device"
    )
    assert names(tmp_path) == []


def test_any_other_failure_leaves_nothing_and_is_passed_on(tmp_path):
    def broken(file):
        file.write(b"first half")
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        write_all(tmp_path / "new", {"a.csv": b"whole", "b.csv": broken})
    assert names(tmp_path) == []


def test_an_interrupt_leaves_the_older_files(tmp_path):
    def interrupted(file):
        raise KeyboardInterrupt

    (tmp_path / "a.csv").write_bytes(b"old")
    with pytest.raises(KeyboardInterrupt):
        write_all(tmp_path, {"a.csv": b"new", "b.csv": interrupted})
    assert names(tmp_path) == ["a.csv"]
    assert (tmp_path / "a.csv").read_bytes() == b"old"


@pytest.mark.parametrize("refused", ["a.csv", "b.csv", "c.csv"])
def test_a_file_that_cannot_be_replaced_keeps_the_older_set(tmp_path, monkeypatch, refused):
    """As where another program holds a file open and the system refuses to move it."""
    (tmp_path / "a.csv").write_bytes(b"old a")
    (tmp_path / "c.csv").write_bytes(b"old c")
    real = os.replace

    def replace(source, target):
        if Path(target).name == refused and ".part" in str(source) and written(source):
            raise PermissionError(13, "The file is in use")
        real(source, target)

    def written(source):
        return Path(source).read_bytes().startswith(b"new")

    monkeypatch.setattr(os, "replace", replace)
    with pytest.raises(FeedsimError, match=r"cannot replace this file: The file is in use$"):
        write_all(tmp_path, {"a.csv": b"new a", "b.csv": b"new b", "c.csv": b"new c"})
    assert names(tmp_path) == ["a.csv", "c.csv"]
    assert (tmp_path / "a.csv").read_bytes() == b"old a"
    assert (tmp_path / "c.csv").read_bytes() == b"old c"


def test_a_folder_in_the_place_of_a_file_is_said_so(tmp_path):
    (tmp_path / "a.csv").mkdir()
    with pytest.raises(FeedsimError, match="cannot write this file: a folder has that name"):
        write_all(tmp_path, {"b.csv": b"", "a.csv": b""})
    assert names(tmp_path) == ["a.csv"]


@pytest.mark.parametrize("below", ["out", "out/below"])
def test_a_file_in_the_place_of_the_folder_is_said_so(tmp_path, below):
    (tmp_path / "out").write_bytes(b"mine")
    with pytest.raises(FeedsimError, match=r"cannot make this folder: (File exists|Not a dir)"):
        write_all(tmp_path / below, {"a.csv": b""})
    assert names(tmp_path) == ["out"]
    assert (tmp_path / "out").read_bytes() == b"mine"


@pytest.mark.parametrize("name", ["", ".", "..", "a/b.csv", "/a.csv"])
def test_a_name_with_a_path_is_a_defect(tmp_path, name):
    with pytest.raises(ValueError, match="no plain file name"):
        write_all(tmp_path / "new", {name: b""})
    assert names(tmp_path) == []


def test_json_text():
    assert json_text({"a": [1, None], "b": "Größe \u2192 \udc80"}) == (
        '{\n  "a": [\n    1,\n    null\n  ],\n  "b": "Größe \u2192 \\udc80"\n}\n'
    )
    with pytest.raises(ValueError, match="Out of range float"):
        json_text({"a": float("nan")})


def test_a_folder_is_tried_without_leaving_anything(tmp_path):
    try_folder(tmp_path / "new" / "deeper")
    assert list(tmp_path.iterdir()) == []
    (tmp_path / "file").write_text("x", "utf-8")
    with pytest.raises(FeedsimError, match="cannot make this folder"):
        try_folder(tmp_path / "file" / "deeper")
    assert [p.name for p in tmp_path.iterdir()] == ["file"]
