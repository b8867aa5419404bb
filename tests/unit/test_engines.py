"""Which engine runs, and where its machine code is kept."""

from __future__ import annotations

import math
import os
import pickle
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import feedsim
from feedsim.answers.run.tables import LogAsked
from feedsim.compiled import aside, cache, engine, linked
from feedsim.compiled.choice import MOST_POINTS, why_not
from feedsim.draws.line_draws import RunDraws
from feedsim.errors import FeedsimError
from feedsim.machine import Line, Supervision
from feedsim.running import engines, executor
from feedsim.simulation import line
from tests.flat import UNCOMPILED, differences
from tests.machines import machine

STARTER = Path(__file__).parents[2] / "scenarios" / "membership_card.toml"


@pytest.fixture
def ran(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Note which engine runs; neither does anything."""
    names: list[str] = []

    def noted(name: str) -> Callable[..., Any]:
        return lambda *_arguments, **_options: names.append(name)

    monkeypatch.setattr(engines, "_ran", 0)
    monkeypatch.setattr(line, "simulate", noted("events"))
    monkeypatch.setattr(engine, "run_line", noted("compiled"))
    monkeypatch.setattr(cache, "compiled_driver", lambda: UNCOMPILED)
    monkeypatch.delenv(engines.ENGINE)
    return names


def run(carriers: int, **changes: Any) -> None:
    made = machine(**changes)
    engines.simulated(made, RunDraws(made, 1), carriers=carriers)


def test_short_work_runs_on_the_event_engine_and_long_work_compiled(
    ran: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(cache, "is_kept", lambda: True)
    for _ in range(4):
        run(5_000)
    run(50)  # this process has waited as long as loading takes
    assert ran == ["events", "events", "events", "compiled", "events"]
    run(10_000)
    assert ran[5:] == ["compiled"]


def test_what_has_to_be_compiled_first_takes_more_work_to_pay(
    ran: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(cache, "is_kept", lambda: False)
    run(100_000)
    run(149_999)
    run(1)
    assert ran == ["events", "events", "compiled"]


def test_a_search_and_a_small_sweep_take_the_compiled_engine_at_once(
    ran: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    for kept, first in ((False, "events"), (True, "compiled")):
        monkeypatch.setattr(engines, "_ran", 0)
        monkeypatch.setattr(cache, "is_kept", lambda kept=kept: kept)
        engines.expect_many()
        run(50)
        assert ran.pop() == first
    assert engines.is_quick(machine(), 1_000_000)
    assert not engines.is_quick(machine(), 1_000_001)  # others would have begun meanwhile
    two = machine(feeders=machine().feeders * 2)
    assert not engines.is_quick(two, 500_001)
    assert engines.is_quick(two, 500_000)
    monkeypatch.setattr(engines, "copies", lambda: True)  # these begin at once
    assert not engines.is_quick(machine(), 20_001)
    assert engines.is_quick(machine(), 20_000)


def test_the_choice_is_overruled(ran: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cache, "is_kept", lambda: True)
    monkeypatch.setenv(engines.ENGINE, "events")
    run(10_000_000)
    monkeypatch.setenv(engines.ENGINE, "compiled")
    run(1)
    assert ran == ["events", "compiled"]
    monkeypatch.setenv(engines.ENGINE, "quick")
    with pytest.raises(FeedsimError, match="events or compiled"):
        run(1)


def test_a_line_that_may_stop_is_refused_with_the_reason(
    ran: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    run(10_000_000, supervision=Supervision())
    assert ran == ["events"]
    monkeypatch.setenv(engines.ENGINE, "compiled")
    with pytest.raises(FeedsimError, match="something may stop"):
        run(1, supervision=Supervision())


def test_a_line_with_a_long_profile_is_refused() -> None:
    points = tuple((0.1 * i, 500.0) for i in range(MOST_POINTS + 1))
    assert "60 points" in why_not(machine(line=Line(500.0, 500.0, points)))
    assert why_not(machine(line=Line(500.0, 500.0, points[1:]))) == ""


@pytest.mark.parametrize(
    ("ask", "what"),
    [
        (lambda line: feedsim.run(line, traced=True), "every event of a run"),
        (lambda line: feedsim.run(line, log=LogAsked()), "a log of its signals"),
        (lambda line: feedsim.sweep(line, "60 m/min", pages=True), "a page that plays the line"),
        (lambda line: feedsim.explain(line, 3), "the story of a carrier"),
        (feedsim.rehearse, "a page that plays the line"),
    ],
)
def test_what_only_the_event_engine_keeps_is_refused_if_the_other_is_requested(
    ask: Callable[[feedsim.Line], object], what: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    card = feedsim.load(STARTER, {"run.carriers": 20, "sweep.replications": 1})
    monkeypatch.setenv(engines.ENGINE, "compiled")
    with pytest.raises(FeedsimError, match=f"the compiled engine cannot be used: {what} needs the"):
        ask(card)
    monkeypatch.setenv(engines.ENGINE, "events")
    ask(card)


def test_what_only_the_event_engine_knows_falls_to_it(
    ran: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def cannot(*_arguments: Any, **_options: Any) -> None:
        raise engine.NeedsEvents("a feeder waits for ever")

    monkeypatch.setattr(cache, "is_kept", lambda: True)
    monkeypatch.setattr(engine, "run_line", cannot)
    run(50_000)
    assert ran == ["events"]
    monkeypatch.setenv(engines.ENGINE, "compiled")
    with pytest.raises(FeedsimError, match="waits for ever"):
        run(50_000)


def test_a_run_of_5000_carriers_does_not_import_numba() -> None:
    code = (
        "import sys\n"
        "from feedsim.scenario import load_scenario\n"
        "from feedsim.running.run import run_scenario\n"
        f"run_scenario(load_scenario({str(STARTER)!r}, overrides=['run.carriers=5000']))\n"
        "assert not {'numba', 'llvmlite'} & set(sys.modules)\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True, env={})


# -- where machine code is kept -------------------------------------------------------------------


class _Compiler:
    """Stands for the compiler: leaves a file where numba would, and counts its calls."""

    def __init__(self, place: Path) -> None:
        self.place, self.kept, self.calls = place, [], 0

    def driver(self, *, keep: bool) -> Any:
        self.calls += 1
        self.kept.append(keep)
        if keep:
            for folder in self.place.glob("feedsim/*"):
                (folder / "code.nbc").write_bytes(b"machine code")
        return UNCOMPILED


@pytest.fixture
def compiler(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> _Compiler:
    kernels = pytest.importorskip("feedsim.compiled.kernels")
    made = _Compiler(tmp_path)
    monkeypatch.setenv(cache.CACHE, str(tmp_path))
    monkeypatch.setattr(kernels, "driver", made.driver)
    monkeypatch.setattr(cache, "compiled_aside", lambda _place: False)  # as where that fails
    return made


def anew() -> Any:
    """Do as another process would."""
    cache._place.cache_clear()
    cache.compiled_driver.cache_clear()
    try:
        return cache.compiled_driver()
    finally:
        cache._place.cache_clear()
        cache.compiled_driver.cache_clear()


def test_compiling_is_told_of_and_done_once(
    compiler: _Compiler, capsys: pytest.CaptureFixture[str]
) -> None:
    anew()
    assert "compiling" in capsys.readouterr().err
    assert cache.is_kept()
    cache._place.cache_clear()
    anew()
    assert capsys.readouterr().err == ""
    assert compiler.kept == [True, True]


def test_processes_compile_alone_and_load_together(
    compiler: _Compiler, monkeypatch: pytest.MonkeyPatch
) -> None:
    fcntl = pytest.importorskip("fcntl")
    locks: list[int] = []
    monkeypatch.setattr(fcntl, "flock", lambda _, kind: locks.append(kind))
    anew()
    assert (locks, len(compiler.kept)) == ([fcntl.LOCK_SH, fcntl.LOCK_EX], 1)
    anew()
    assert (locks[2:], len(compiler.kept)) == ([fcntl.LOCK_SH], 2)


@pytest.mark.parametrize("damage", ["cut", "changed", "more", "gone", "sums"])
def test_a_damaged_cache_is_compiled_anew(
    compiler: _Compiler, damage: str, capsys: pytest.CaptureFixture[str]
) -> None:
    anew()
    capsys.readouterr()
    code = next(compiler.place.rglob("code.nbc"))
    match damage:
        case "cut":
            code.write_bytes(b"mach")
        case "changed":
            code.write_bytes(b"machine cude")
        case "more":
            code.with_name("other.nbc").write_bytes(b"not ours")
        case "gone":
            code.unlink()
        case "sums":
            code.with_name("sums").write_bytes(b"\xff\xfe")
    anew()
    assert "compiling" in capsys.readouterr().err
    assert code.read_bytes() == b"machine code"
    anew()
    assert capsys.readouterr().err == ""


def test_an_interrupt_need_not_wait_for_the_compiler(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # LLVM is in another process; this one, which here takes for ever, is ended
    class Interrupted(subprocess.Popen[bytes]):
        made: list[Interrupted] = []  # noqa: RUF012 - for the test alone

        def wait(self, timeout: float | None = None) -> int:
            if self not in self.made:
                self.made.append(self)
                raise KeyboardInterrupt
            return super().wait(timeout)

    monkeypatch.setattr(aside, "_BEGIN", "import time; time.sleep(600)")
    monkeypatch.setattr(aside, "Popen", Interrupted)
    with pytest.raises(KeyboardInterrupt):
        aside.compiled_aside(tmp_path)
    assert [process.returncode for process in Interrupted.made] == [-9]


def test_what_compiles_ends_with_whoever_waits_for_it(tmp_path: Path) -> None:
    code = (
        "import sys, threading, time\n"
        "from feedsim.compiled import aside\n"
        "threading.Thread(target=aside._end_with_input, daemon=True).start()\n"
        "time.sleep(600)\n"
    )
    with subprocess.Popen([sys.executable, "-c", code], stdin=subprocess.PIPE) as process:
        assert process.stdin is not None
        process.stdin.close()
        assert process.wait() == 1


def test_a_search_compiles_first_where_its_carriers_pay_for_that(
    ran: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    # or each of its processes would run as long on the event engine as compiling takes
    monkeypatch.setattr(cache, "is_kept", lambda: False)
    assert not engines.get_ready((machine(), 249_999))
    assert engines.get_ready((machine(), 200_000), (machine(), 50_000))
    monkeypatch.setattr(cache, "is_kept", lambda: True)
    run(50)
    assert ran == ["compiled"]
    stops = machine(supervision=Supervision())
    assert not engines.get_ready((stops, 1_000_000))
    monkeypatch.setenv(engines.ENGINE, "events")
    assert not engines.get_ready((machine(), 1_000_000))


@pytest.mark.parametrize("question", ["compare", "budget", "tune"])
def test_who_shares_runs_out_compiles_before_there_are_several_processes(
    question: str, ran: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def handed_out(*_: object) -> None:
        ran.append("handed out")
        raise InterruptedError

    monkeypatch.setattr(cache, "is_kept", lambda: False)
    monkeypatch.setattr(cache, "compiled_driver", lambda: ran.append("compiled"))
    monkeypatch.setattr(executor.WorkerPool, "completed", handed_out)
    line = feedsim.load(STARTER)

    def ask(changes: dict[str, object]) -> None:
        changed = line.but({"sweep.replications": 1, **changes})
        if question == "compare":
            feedsim.compare(
                changed, but=["feeder.0.settings.stage_position=55 mm"], speeds="40,50 m/min"
            )
        elif question == "budget":
            feedsim.budget(changed, "40,50 m/min")
        else:
            feedsim.tune(changed, knobs=["feeder.0.settings.stage_position=40:60:1 mm"])

    def after(carriers: int) -> list[str]:
        del ran[:]
        many = {"tune.carriers": 100, "tune.draws": carriers // 100}
        with pytest.raises(InterruptedError):
            ask(many if question == "tune" else {"run.carriers": carriers // 4})
        return ran

    assert after(100_000) == ["handed out"]
    assert after(1_000_000) == ["compiled", "handed out"]


def test_what_other_versions_left_goes_but_for_those_used_last(compiler: _Compiler) -> None:
    for age in range(9):
        left = compiler.place / "feedsim" / f"{age:032x}"
        left.mkdir(parents=True)
        (left / "code.nbc").write_bytes(b"of another version")
        (left / "lock").touch()
        os.utime(left / "lock", (1000.0 - age, 1000.0 - age))
    (compiler.place / "feedsim" / "not ours").mkdir()
    anew()
    ours = cache._key()
    kept = {folder.name for folder in (compiler.place / "feedsim").iterdir()}
    assert kept == {ours, "not ours", *(f"{age:032x}" for age in range(cache._MOST_OTHERS))}


def test_a_cache_that_cannot_be_written_costs_the_time_to_compile(
    compiler: _Compiler, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "file").write_text("in the way", encoding="utf-8")
    monkeypatch.setenv(cache.CACHE, str(tmp_path / "file"))
    anew()
    assert len(compiler.kept) == 1
    assert not cache.is_kept()
    cache._place.cache_clear()


def test_what_numba_cannot_read_is_compiled_without_a_cache(
    compiler: _Compiler, monkeypatch: pytest.MonkeyPatch
) -> None:
    from feedsim.compiled import kernels

    def driver(*, keep: bool) -> Any:
        compiler.kept.append(keep)
        if keep:
            raise EOFError("a pickle that ends too soon")
        return UNCOMPILED

    monkeypatch.setattr(kernels, "driver", driver)
    assert anew() is UNCOMPILED
    assert compiler.kept == [True, False]


def kept_here() -> Path:
    """Return the folder of the compiled functions, which are there then."""
    cache.compiled_driver()
    place = cache._place()
    assert place is not None
    return place


on_linux = pytest.mark.skipif(sys.platform != "linux", reason="numba loads what it has compiled")


@on_linux
def test_what_is_kept_runs_without_numba() -> None:
    kept_here()
    code = (
        "import sys\n"
        "from feedsim.compiled.cache import compiled_driver\n"
        "from feedsim.scenario import load_scenario\n"
        "from feedsim.running.run import run_scenario\n"
        f"run_scenario(load_scenario({str(STARTER)!r}, overrides=['run.carriers=500']))\n"
        "assert 'feedsim.compiled.linked' in sys.modules\n"
        "assert 'numba' not in sys.modules\n"
    )
    asked = {**os.environ, engines.ENGINE: "compiled"}
    done = subprocess.run([sys.executable, "-c", code], check=True, env=asked, capture_output=True)
    assert done.stderr == b""


@on_linux
def test_linked_and_through_numba_a_line_gives_the_same_records() -> None:
    place = kept_here()
    without, through = linked.linked(place), cache._found_in(place)
    assert without is not None
    for made in (machine(), machine(start_empty=True)):
        one, other = (
            engine.run_line(made, RunDraws(made, 1), carriers=300, driver=driver)
            for driver in (without, through)
        )
        assert differences(one, other) == []


@on_linux
@pytest.mark.parametrize(
    "fault", ["none kept", "cut short", "no such function", "calls what is not there"]
)
def test_what_cannot_be_linked_is_left_to_numba(fault: str, tmp_path: Path) -> None:
    place = kept_here()
    kept = pickle.loads((place / linked._FILE).read_bytes())  # noqa: S301 - ours
    codes = [linked.Code(*code) for code in kept]
    match fault:
        case "cut short":
            whole = (place / linked._FILE).read_bytes()
            (tmp_path / linked._FILE).write_bytes(whole[: len(whole) // 2])
        case "no such function":
            linked.keep(tmp_path, [code._replace(name="unheard_of") for code in codes])
        case "calls what is not there":
            linked.keep(tmp_path, [code._replace(unused=()) for code in codes])
    assert linked.linked(tmp_path) is None
    linked.keep(tmp_path, codes)
    assert linked.linked(tmp_path) is not None


@on_linux
def test_an_error_in_a_linked_function_is_not_taken_for_a_result(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    numba = pytest.importorskip("numba")
    monkeypatch.setattr(numba.config, "CACHE_DIR", str(tmp_path))

    def doubled(x: float) -> int:
        if x < 0.0:
            raise ValueError
        return int(2.0 * x)

    made = numba.njit(cache=True, _nrt=False)(doubled)
    made.compile((numba.float64,))
    function = linked._Function(linked.code_of(made))
    assert function(21.0) == 42
    with pytest.raises(RuntimeError, match="failed with status"):
        function(-1.0)


def test_a_function_that_needs_numba_itself_is_not_linked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # math.frexp calls a function of numba's, which linked code has not
    numba = pytest.importorskip("numba")
    monkeypatch.setattr(numba.config, "CACHE_DIR", str(tmp_path))
    made = numba.njit(cache=True, _nrt=False)(lambda x: int(1000.0 * math.frexp(x)[0]))
    made.compile((numba.float64,))
    with pytest.raises(ValueError, match="lambda"):
        linked.code_of(made)


def test_the_key_changes_with_any_source_that_is_compiled(monkeypatch: pytest.MonkeyPatch) -> None:
    before, read = cache._key(), Path.read_bytes

    def changed(path: Path) -> bytes:
        return read(path) + (b"#" if path.name == "feed_piece.py" else b"")

    monkeypatch.setattr(Path, "read_bytes", changed)
    assert cache._key() != before


def test_all_compiled_modules_are_in_the_key() -> None:
    from feedsim.compiled.kernels import MODULES

    stages = {module.__name__.split(".")[1] for module in MODULES}
    assert stages <= set(cache._STAGES)


def test_each_installation_keeps_its_own_code(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # numba keeps code by place and time of a function's file: two that share a folder would each
    # find what is not its own, and compile, for ever
    ours = cache._key()
    there = shutil.copytree(Path(cache.__file__).parents[1], tmp_path / "feedsim")
    monkeypatch.setattr(cache, "__file__", str(there / "compiled" / "cache.py"))
    theirs = cache._key()
    os.utime(there / "motion" / "feed.py", (1.0, 1.0))
    assert len({ours, theirs, cache._key()}) == 3
    assert cache._key() == cache._key()
