"""What a command meets around it: a clear word for each, or no effect."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from feedsim.cli import delivery, main
from feedsim.errors import FeedsimError
from feedsim.render import canvas
from tests.cli.swept import CARD, WORDS

Run = Callable[..., object]
RUN = ("run", CARD, "--carriers", 20)


def in_shell(folder: Path, words: str, **env: str) -> subprocess.CompletedProcess[str]:
    """Run a shell's words, in which ``feedsim`` is a short run into ``out``."""
    call = f'"{sys.executable}" -m feedsim {" ".join(map(str, RUN))} --out out'
    return subprocess.run(
        ["bash", "-c", words.replace("feedsim", call)],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(CARD.parents[1]), **env},
        capture_output=True,
        text=True,
        check=False,
    )


def test_settings_of_matplotlib_that_cannot_be_read_are_said_before_the_work(
    tmp_path: Path,
) -> None:
    (tmp_path / "matplotlibrc").write_bytes(b"font.size: 9 # \xff\xfe\n")
    ended = in_shell(tmp_path, "feedsim")
    assert ended.returncode == 2
    assert "error: matplotlib cannot draw (UnicodeDecodeError: " in ended.stderr
    assert "Traceback" not in ended.stderr
    assert not (tmp_path / "out").exists()


def test_a_cache_folder_that_cannot_be_written_is_one_note(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("no folder")
    nowhere = str(tmp_path / "file" / "cache")
    ended = in_shell(tmp_path, "feedsim", XDG_CACHE_HOME=nowhere, MPLCONFIGDIR="")
    assert ended.returncode == 0
    (note,) = ended.stderr.splitlines()
    assert note.startswith("note: matplotlib cannot write into its cache folder")


def test_an_impossible_backend_and_closed_streams_have_no_effect(tmp_path: Path) -> None:
    ended = in_shell(tmp_path, "feedsim <&- >&- 2>&-", MPLBACKEND="no such thing")
    assert (ended.returncode, ended.stdout, ended.stderr) == (0, "", "")
    check = ["sha256sum", "--check", "--quiet", "run.sha256"]
    assert subprocess.run(check, cwd=tmp_path / "out", check=False).returncode == 0


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
def test_a_full_output_is_said_with_what_is_in_place(tmp_path: Path) -> None:
    ended = in_shell(tmp_path, "feedsim >/dev/full")
    assert ended.returncode == 2
    # a slow machine says before what it has been doing for half a minute
    assert "in place in out: results.json, " in ended.stderr
    assert ended.stderr.endswith("error: cannot print the result: No space left on device\n")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
def test_a_full_standard_error_changes_no_exit_status(tmp_path: Path) -> None:
    ended = in_shell(tmp_path, "feedsim --json 2>/dev/full >/dev/null; echo $?; "
                               "feedsim --speed 1 2>/dev/full; echo $?")  # fmt: skip
    assert ended.stdout == "0\n2\n"


def clipped() -> bytes:
    """Draw a line clipped by a circle: SVG names that after a matrix as NumPy prints it."""
    from matplotlib.figure import Figure
    from matplotlib.patches import Circle

    axes = Figure((2.0, 1.0)).add_subplot()
    (line,) = axes.plot([0.0, 1.0 / 3.0], [0.0, 2.0 / 3.0], "o")
    line.set_clip_path(Circle((0.1, 0.3), 0.2, transform=axes.transData))
    return canvas.render(axes.get_figure(), "svg")


def test_how_numpy_prints_is_not_in_a_picture(monkeypatch: pytest.MonkeyPatch) -> None:
    plain = clipped()
    with np.printoptions(precision=1, suppress=True, floatmode="fixed", linewidth=20):
        assert clipped() == plain
        monkeypatch.setattr(canvas, "_PRINTED", {})  # a planted fault
        assert clipped() != plain


@pytest.mark.usefixtures("drawn")
def test_pictures_are_tried_before_the_work(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, feedsim: Run
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise RuntimeError("no fonts")

    monkeypatch.setattr("matplotlib.figure.Figure.savefig", broken)
    monkeypatch.setattr(
        "feedsim.answers.sweep.study.run_point", interrupt
    )  # which it does not come to
    ended = feedsim(*WORDS, "--out", tmp_path / "out")
    assert ended.status == 2
    assert "matplotlib cannot draw (RuntimeError: no fonts)" in ended.err
    assert list(tmp_path.iterdir()) == []


def interrupt(*_: object, **__: object) -> None:
    raise KeyboardInterrupt


def test_an_interrupt_after_the_files_says_that_they_are_in_place(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, feedsim: Run
) -> None:
    monkeypatch.setattr(delivery, "_show", interrupt)
    ended = feedsim(*RUN, "--out", tmp_path / "out")
    assert ended.status == 3
    assert ended.err == (
        f"interrupted: in place in {tmp_path / 'out'}: results.json, carriers.csv, overview.png, "
        "overview.svg, timing.png, timing.svg\n"
    )
    assert (tmp_path / "out/results.json").exists()


def test_a_second_interrupt_still_ends_with_3(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, feedsim: Run
) -> None:
    monkeypatch.setattr("feedsim.simulation.line.simulate", interrupt)
    monkeypatch.setattr(main, "tell", interrupt)
    assert feedsim(*RUN, "--out", tmp_path / "out").status == 3


@pytest.mark.parametrize(
    ("error", "status", "says"),
    [
        (ZeroDivisionError("x"), 4, "this is a defect of feedsim"),
        (MemoryError(), 2, "not enough memory"),
        (FeedsimError("wrong"), 2, "error: wrong"),
    ],
)
def test_exit_status_1_is_for_a_gate_alone(
    error: Exception,
    status: int,
    says: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    feedsim: Run,
) -> None:
    def fails(*_: object, **__: object) -> None:
        raise error

    monkeypatch.setattr("feedsim.simulation.line.simulate", fails)
    ended = feedsim(*RUN, "--out", tmp_path / "out", "--gate")
    assert ended.status == status
    assert says in ended.err
    assert list(tmp_path.iterdir()) == []


ENDED = """
import os, signal, sys
from feedsim.interrupts import as_interrupts, leaving_at_once

class Late:
    def __del__(self, kill=os.kill, pid=os.getpid(), number=signal.SIGINT):
        kill(pid, number)  # as Python has forgotten its handlers

late = Late()
signal.signal(signal.SIGINT, signal.default_int_handler)
as_interrupts()
leaving_at_once(lambda: os._exit(3))
if "now" in sys.argv:
    os.kill(os.getpid(), signal.SIGTERM)
sys.exit(3)
"""


@pytest.mark.parametrize("when", ["now", "late"])
def test_an_interrupt_as_it_ends_changes_no_exit_status(when: str) -> None:
    call = [sys.executable, "-c", ENDED, when]
    ended = subprocess.run(call, capture_output=True, text=True, check=False,
                           env={**os.environ, "PYTHONPATH": str(CARD.parents[1])})  # fmt: skip
    assert (ended.returncode, ended.stderr) == (3, "")


MET = """
from feedsim.cli import main

def app(**_):
    exec("raise KeyboardInterrupt")

main.app = app
main.main()
"""


def test_an_interrupt_that_meets_python_in_an_exec_ends_with_3_as_well(tmp_path: Path) -> None:
    # as a dataclass is made, while modules are imported; Python takes it for one not met at all
    (tmp_path / "met.py").write_text(MET)
    folders = os.pathsep.join((str(tmp_path), str(CARD.parents[1])))
    ended = subprocess.run([sys.executable, "-m", "met"], capture_output=True, text=True,
                           check=False, env={**os.environ, "PYTHONPATH": folders})  # fmt: skip
    assert (ended.returncode, ended.stderr) == (3, "interrupted\n")
