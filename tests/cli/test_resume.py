"""What is kept of an unfinished sweep is used only where all of it fits."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from types import MappingProxyType

import pytest

from feedsim.answers.sweep import unfinished
from feedsim.answers.sweep.study import run_point
from feedsim.running import cluster_connection, provenance
from feedsim.scenario import load_scenario, scenario_to_dict
from tests.cli.swept import CARD, POINTS, WORDS, Runs, files_of, made_cheap

Run = Callable[..., object]
Damage = Callable[[Path], object]
MIDDLE = "point-1"


@pytest.fixture(scope="module")
def runs() -> Iterator[Runs]:
    with pytest.MonkeyPatch.context() as patch:
        yield made_cheap(patch.setattr)


@pytest.fixture
def whole(runs: Runs, tmp_path: Path, feedsim: Run) -> dict[str, bytes]:
    assert feedsim(*WORDS, "--out", tmp_path / "whole").status == 0
    return files_of(tmp_path / "whole")


def keep(folder: Path, feedsim: Run, *words: object) -> Path:
    """Interrupt a sweep after its last point, and return where they are kept."""
    with pytest.MonkeyPatch.context() as patch:

        def interrupt(*_: object, **__: object) -> None:
            raise KeyboardInterrupt

        patch.setattr("feedsim.answers.sweep.answer.Sweep.files", interrupt)
        ended = feedsim(*WORDS, *words, "--out", folder)
    assert ended.status == 3
    assert ended.err == (
        f"interrupted: all {POINTS} points are kept in {folder}; --resume only writes the files\n"
    )
    return folder / ".feedsim" / "points"


def with_checksum(body: bytes) -> bytes:
    return hashlib.sha256(body).hexdigest().encode() + b"\n" + body


def body_of(path: Path) -> bytes:
    return path.read_bytes().partition(b"\n")[2]


def swap(path: Path) -> None:
    other = path.with_name("point-2")
    mine = path.read_bytes()
    path.write_bytes(other.read_bytes())
    other.write_bytes(mine)


def change_a_digit(path: Path) -> None:
    raw = path.read_bytes()
    at = raw.index(b'"mean_mm": ') + len(b'"mean_mm": ') + 2
    path.write_bytes(raw[:at] + (b"1" if raw[at : at + 1] != b"1" else b"2") + raw[at + 1 :])


def in_place_of(make: Damage) -> Damage:
    def damage(path: Path) -> None:
        path.unlink()
        make(path)

    return damage


def make_filled_folder(path: Path) -> None:
    path.mkdir()
    (path / "point-1").write_bytes(b"{}")


def make_link(path: Path) -> None:
    shutil.copy(path.with_name("point-0"), path.parents[2] / "elsewhere")
    path.symlink_to(path.parents[2] / "elsewhere")


def other_libraries(path: Path) -> None:
    said = json.loads(body_of(path))
    said["is"]["made_by"]["scipy"] = "0.1"
    path.write_bytes(with_checksum(json.dumps(said).encode()))


NESTED = b"[" * 100_000
CONTENTS = {
    "truncated": lambda raw: raw[: len(raw) // 2],
    "empty": lambda _: b"",
    "null": lambda _: b"null",
    "an empty object": lambda _: b"{}",
    "a list": lambda _: b"[1, 2]",
    "NaN": lambda raw: raw.replace(b'"seed": 1', b'"seed": NaN'),
    "no UTF-8": lambda raw: raw.replace(b"card", b"c\xff\xfed"),
    "nested": lambda _: NESTED,
    "zeros": lambda raw: bytes(len(raw)),
    "longer": lambda raw: raw + b" ",
}
DAMAGES: dict[str, Damage] = {
    **{
        name: lambda path, change=change: path.write_bytes(change(path.read_bytes()))
        for name, change in CONTENTS.items()
    },
    # somebody who writes the right checksum before it
    **{
        f"{name}, with its checksum": lambda path, change=change: path.write_bytes(
            with_checksum(change(body_of(path)))
        )
        for name, change in CONTENTS.items()
        if name not in {"longer", "NaN", "no UTF-8"}
    },
    "a changed digit": change_a_digit,
    "a folder": in_place_of(lambda path: path.mkdir()),
    "a filled folder": in_place_of(make_filled_folder),
    "a link": in_place_of(make_link),
    "a link to nothing": in_place_of(lambda path: path.symlink_to("nothing")),
    "a pipe": in_place_of(os.mkfifo),
    "other libraries": other_libraries,
}


@pytest.mark.parametrize("how", DAMAGES)
def test_a_damaged_point_is_named_and_run_again(
    how: str, tmp_path: Path, runs: Runs, whole: dict[str, bytes], feedsim: Run
) -> None:
    points = keep(tmp_path / "out", feedsim)
    DAMAGES[how](points / MIDDLE)
    before = runs.asked
    ended = feedsim(*WORDS, "--out", tmp_path / "out", "--resume")
    assert ended.status == 0, ended.err
    assert ended.err.startswith(f"note: {MIDDLE} is ")
    assert ended.err.endswith("; it is not used, but run again\n")
    assert ended.err.count("\n") == 1
    assert runs.asked == before + 1
    assert {k: v for k, v in files_of(tmp_path / "out").items() if k != "elsewhere"} == whole


def test_swapped_points_are_both_run_again(
    tmp_path: Path, runs: Runs, whole: dict[str, bytes], feedsim: Run
) -> None:
    swap(keep(tmp_path / "out", feedsim) / MIDDLE)
    before = runs.asked
    ended = feedsim(*WORDS, "--out", tmp_path / "out", "--resume")
    assert ended.err.count("is of another place; it is not used, but run again\n") == 2
    assert runs.asked == before + 2
    assert files_of(tmp_path / "out") == whole


@pytest.mark.parametrize("name", ["point-abc.json", "point-abc", "point-9", "point-01", "x"])
def test_what_is_no_point_of_this_sweep_is_named_and_removed(
    name: str, tmp_path: Path, runs: Runs, whole: dict[str, bytes], feedsim: Run
) -> None:
    points = keep(tmp_path / "out", feedsim)
    shutil.copy(points / MIDDLE, points / name)
    before = runs.asked
    ended = feedsim(*WORDS, "--out", tmp_path / "out", "--resume")
    assert ended.status == 0
    assert f"note: {name} is " in ended.err
    assert runs.asked == before
    assert files_of(tmp_path / "out") == whole


def test_points_of_another_seed_are_never_mixed_in(
    tmp_path: Path, runs: Runs, whole: dict[str, bytes], feedsim: Run
) -> None:
    points = keep(tmp_path / "out", feedsim)
    other = keep(tmp_path / "other", feedsim, "--set", "seed=99")
    shutil.copy(other / MIDDLE, points / MIDDLE)
    before = runs.asked
    ended = feedsim(*WORDS, "--out", tmp_path / "out", "--resume")
    assert ended.err == (
        f"note: {MIDDLE} is of another scenario or other points; it is not used, but run again\n"
    )
    assert runs.asked == before + 1
    assert files_of(tmp_path / "out") == whole


def test_a_call_for_another_sweep_is_refused_and_all_stays(
    tmp_path: Path, runs: Runs, whole: dict[str, bytes], feedsim: Run
) -> None:
    points = keep(tmp_path / "out", feedsim)
    before = files_of(points)
    ended = feedsim(*WORDS, "--out", tmp_path / "out", "--resume", "--set", "seed=99")
    assert ended.status == 2
    assert "is of another scenario or other points; without --resume" in ended.err
    assert files_of(points) == before
    assert feedsim(*WORDS, "--out", tmp_path / "out", "--resume").status == 0
    assert files_of(tmp_path / "out") == whole


@pytest.mark.parametrize("what", ["feedsim", "python", "numpy", "scipy", "simpy"])
def test_points_of_other_code_or_libraries_are_run_again(
    what: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    runs: Runs,
    whole: dict[str, bytes],
    feedsim: Run,
) -> None:
    versions = provenance.versions
    with monkeypatch.context() as patch:
        other = MappingProxyType({**versions(), what: "0.0 (code 0)"})
        patch.setattr(provenance, "versions", lambda: other)
        keep(tmp_path / "out", feedsim)
    before = runs.asked
    ended = feedsim(*WORDS, "--out", tmp_path / "out", "--resume")
    assert ended.status == 0
    said = f"is made by {what} 0.0 (code 0), not {versions()[what]}; it is not used, but run again"
    assert ended.err.count(said) == POINTS
    assert runs.asked == before + POINTS
    assert files_of(tmp_path / "out") == whole


def test_the_code_is_all_of_the_package(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A letter more, a file more and a file renamed are other code under the same version."""
    seen = set()
    package = tmp_path / "feedsim"
    (package / "studies").mkdir(parents=True)
    monkeypatch.setattr(provenance, "__file__", str(package / "studies" / "provenance.py"))
    for name, text in (("a.py", "1"), ("a.py", "12"), ("b.py", "1"), ("motion/a.py", "1")):
        (package / name).parent.mkdir(exist_ok=True)
        (package / name).write_text(text, "utf-8")
        seen.add(provenance._code())
    (package / "b.py").rename(package / "c.py")
    seen.add(provenance._code())
    assert len(seen) == 5


def test_without_resume_what_is_kept_is_forgotten_and_said(
    tmp_path: Path, runs: Runs, whole: dict[str, bytes], feedsim: Run
) -> None:
    keep(tmp_path / "out", feedsim, "--set", "seed=99")
    before = runs.asked
    ended = feedsim(*WORDS, "--out", tmp_path / "out")
    assert ended.err == "note: 3 stored points are discarded; --resume would have reused them\n"
    assert runs.asked == before + POINTS
    assert files_of(tmp_path / "out") == whole


def test_nothing_is_kept_of_a_sweep_that_could_not_begin(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, runs: Runs, feedsim: Run
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(cluster_connection, "_CONNECT_S", 0.3)
    ended = feedsim(*WORDS[:-2], "--cluster", "tcp://127.0.0.1:1")
    assert ended.status == 2
    assert "no scheduler answers" in ended.err
    assert list(tmp_path.iterdir()) == []


def fails(test: Callable[[], None]) -> bool:
    try:
        test()
    except AssertionError:
        return True
    return False


def test_without_an_identity_other_points_would_be_used(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    runs: Runs,
    whole: dict[str, bytes],
    feedsim: Run,
) -> None:
    """A planted fault, which the tests above must notice."""
    monkeypatch.setattr(unfinished.Unfinished, "_unfit", lambda *_: "")
    assert fails(
        lambda: test_points_of_another_seed_are_never_mixed_in(tmp_path, runs, whole, feedsim)
    )


def test_without_a_checksum_a_changed_digit_would_be_used(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    runs: Runs,
    whole: dict[str, bytes],
    feedsim: Run,
) -> None:
    """A planted fault, which the tests above must notice."""

    class Anything(str):
        def encode(self, *_: object) -> bytes:  # type: ignore[override]
            return AnyBytes()

    class AnyBytes(bytes):
        def __ne__(self, _: object) -> bool:
            return False

        __hash__ = None  # type: ignore[assignment]

    monkeypatch.setattr(unfinished, "_digest", lambda _: Anything("0"))
    assert fails(
        lambda: test_a_damaged_point_is_named_and_run_again(
            "a changed digit", tmp_path, runs, whole, feedsim
        )
    )


def test_a_refused_point_comes_back_with_all_that_it_holds(tmp_path: Path) -> None:
    missing = load_scenario(CARD, overrides=["run.carriers=20", "carrier_eye.missed=50 %"])
    point = run_point(scenario_to_dict(missing), (), 1)
    kept = unfinished.Unfinished(tmp_path / "points", "this sweep", [()], made_by={})
    kept.begin()
    kept.keep(0, point)
    assert point.results.failing == ("missed",)
    assert kept.resume() == ({0: point}, [])
