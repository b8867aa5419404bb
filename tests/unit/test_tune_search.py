"""The search: the same however it is run, taken up again, and honest where nothing is accepted."""

from __future__ import annotations

import json
import math
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from feedsim.answers.data import data_of, read_as
from feedsim.answers.tune import kept
from feedsim.answers.tune.kept import Journal
from feedsim.answers.tune.study import decided as deciding
from feedsim.answers.tune.study.bench import bench_of
from feedsim.answers.tune.study.closed import Looked, looked_at, window
from feedsim.answers.tune.study.line import ClosedLine, Judge, draws_of
from feedsim.answers.tune.study.optimum import cost
from feedsim.answers.tune.study.rungs import rung_of
from feedsim.answers.tune.study.search import matters
from feedsim.answers.tune.study.space import space_of
from feedsim.errors import FeedsimError
from feedsim.metrics.plain import plain
from feedsim.running.executor import Local
from feedsim.scenario import Scenario, scenario_to_dict
from tests.tuning import against_a_grid, searched, tuning

pytestmark = pytest.mark.usefixtures("quick_engine", "few_long_runs")

STAGE = "feeder.0.settings.stage_position"
KNOBS = [f"{STAGE}=40:80:40 mm"]
ROUGH = ("acceptance.missed=20 %", "acceptance.jam_risk=20 %", "acceptance.within_tolerance=80 %")


def small(**keys: Any) -> Scenario:
    """Return a line on which few carriers decide."""
    return tuning(
        *ROUGH,
        "carrier_eye.edge_sd=0.5 mm",
        knobs=KNOBS,
        unsure=["carrier_eye.response=±0.5 ms"],
        **{"carriers": 400, "draws": 20, "assurance": "80 %"} | keys,
    )


def bytes_of(scenario: Scenario, **how: Any) -> str:
    return json.dumps(plain(searched(scenario, **how)))


class Remembering:
    """Keeps results in memory, in the order in which they came: each with its kind."""

    def __init__(self) -> None:
        self.known: dict[str, Any] = {}

    def kept(self, key: str, kind: Any) -> Any:
        del key, kind

    def keep(self, key: str, kind: Any, result: Any) -> None:
        self.known[key] = kind, result


ROW = list[float | None]
TOLD: list[tuple[str, float | None]] = []


@pytest.fixture(scope="module")
def whole(quick_engine: None, few_long_runs: None) -> tuple[str, dict[str, Any]]:
    """What one process finds, and all that it asked on the way."""
    memory = Remembering()
    return bytes_of(small(), keep=memory, told=lambda *what: TOLD.append(what)), memory.known


def test_progress_says_the_best_so_far(whole: tuple[str, dict[str, Any]]):
    """Nothing before anything is found; in the end about what the verdict's cards say."""
    assert TOLD[0] == ("closed forms", None)
    assert [what for what, _ in TOLD][-1] == "verdict"
    best = json.loads(whole[0])["best_robust"]["value"]
    assert TOLD[-1][1] == pytest.approx(best, rel=0.2)


class Stopped:
    """Keeps results in a journal, and interrupts after so many; ``known``: what comes of itself."""

    def __init__(self, journal: Journal, after: int, known: dict[str, Any]) -> None:
        self._known, self._journal, self._left = known, journal, after

    def kept(self, key: str, kind: Any) -> Any:
        del key, kind

    def keep(self, key: str, kind: Any, result: Any) -> None:
        if not self._left:
            raise KeyboardInterrupt
        self._left -= 1
        assert json.dumps(data_of(kind, result)) == json.dumps(data_of(*self._known[key]))
        self._journal.keep(key, kind, result)


class Counting:
    """Counts what is new, on top of a journal."""

    def __init__(self, journal: Journal) -> None:
        self.new, self.kept, self._journal = 0, journal.kept, journal

    def keep(self, key: str, kind: Any, result: Any) -> None:
        self.new += self._journal.kept(key, kind) is None
        self._journal.keep(key, kind, result)


def test_the_same_bytes_from_one_process_and_from_two(whole: tuple[str, dict[str, Any]]):
    assert bytes_of(small(), jobs=2) == whole[0]


def test_what_is_kept_reads_back_as_it_was(whole: tuple[str, dict[str, Any]]):
    _, answered = whole
    assert len({str(kind) for kind, _ in answered.values()}) > 3
    for kind, result in answered.values():
        back = read_as(kind, json.loads(json.dumps(data_of(kind, result))))
        assert repr(back) == repr(result)


def test_an_interrupted_search_goes_on_to_the_same_end(
    whole: tuple[str, dict[str, Any]], tmp_path: Path
):
    expected, answered = whole
    scenario, folder = small(), tmp_path / "out" / ".feedsim" / "points"
    folder.parent.mkdir(parents=True)
    first, few = Journal(folder, scenario), len(answered) // 4
    assert first.begin() == 0
    with pytest.raises(KeyboardInterrupt):
        searched(scenario, keep=Stopped(first, few, answered))
    assert "--resume goes on" in first.words()
    for key in list(answered)[few : -len(answered) // 4]:  # as if it had been broken off later
        first.keep(key, *answered[key])
    again = Journal(folder, scenario)
    assert again.resume() == []
    rest = Counting(again)
    assert bytes_of(scenario, keep=rest) == expected
    assert rest.new == len(answered) // 4 + (len(answered) % 4 > 0)


def test_a_journal_that_is_damaged_or_of_another_search(tmp_path: Path):
    folder, scenario = tmp_path / "out" / ".feedsim" / "points", small()
    folder.parent.mkdir(parents=True)
    with pytest.raises(FeedsimError, match="no unfinished search is kept in"):
        Journal(folder, scenario).resume()
    journal = Journal(folder, scenario)
    journal.begin()
    for number in range(3):
        journal.keep(f"call {number}", ROW, [number, math.inf, None])
    path = folder / "tuned"
    path.write_bytes(path.read_bytes()[:-4])  # killed as it wrote
    again = Journal(folder, scenario)
    assert again.resume() == ["the end of what is kept is damaged"]
    read = [again.kept(f"call {n}", ROW) for n in range(3)]
    assert read == [[0, math.inf, None], [1, math.inf, None], None]
    other = small(assurance="90 %")
    with pytest.raises(FeedsimError, match="is of another scenario"):
        Journal(folder, other).resume()
    path.write_bytes(b"nothing of ours\n")
    damaged = Journal(folder, scenario)
    assert damaged.resume() == ["what is kept is damaged"]
    assert damaged.kept("call 0", ROW) is None


def test_a_journal_of_other_code_is_not_used(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """A place on a list may have meant something else then."""
    folder, scenario = tmp_path / "out" / ".feedsim" / "points", small()
    folder.parent.mkdir(parents=True)
    with monkeypatch.context() as patch:
        patch.setattr(kept, "versions", lambda: {"feedsim": "0.1.0 (code of yesterday)"})
        journal = Journal(folder, scenario)
        journal.begin()
        journal.keep("call", list[int], [1])
    again = Journal(folder, scenario)
    (said,) = again.resume()
    assert said.startswith("what is kept was made by feedsim 0.1.0 (code of yesterday), not ")
    assert again.kept("call", list[int]) is None


def test_what_cannot_be_costs_those_points_alone():
    """A nose beyond the placement point (120 mm) is no line; the others are searched."""
    found = searched(tuning(*ROUGH, knobs=[f"{STAGE}=90:150:10 mm"], carriers=400))
    assert found.impossible > 0
    assert found.feasible
    assert found.best.values[0] in {"60 mm", "90 mm", "100 mm", "110 mm"}


def test_what_is_not_known_costs_what_is_lost_against_knowing_it():
    """Of one unsure value that no setting makes up for: all that is lost. Of one without effect: 0.

    The gap of inserts moves the tail that is held, and no distance or lead.
    """
    gap, off = "feeder.0.insert.gap=±3 mm", "carrier_eye.off_response=±0.1 ms"
    scenario = tuning("feeder.0.grip_end=70 mm", knobs=KNOBS, unsure=[gap, off])
    with bench_of(scenario, where=Local(1)) as bench:
        now = [bench.space.now]
        (believed,), (robust,) = bench.closed(now), bench.closed(now, robust=True)
        (gap_known,), (off_known,) = (bench.closed(now, robust=True, known=n) for n in (0, 1))
    assert believed.value is not None
    assert robust.value is not None
    assert robust.value < 0.97 * believed.value
    assert gap_known.value == pytest.approx(believed.value, rel=2e-3)
    assert off_known.value == pytest.approx(robust.value, rel=2e-3)


def test_nothing_is_accepted_says_what_comes_nearest():
    """Whatever the stage, half of the carriers are not seen, and at most 20 % may be missed."""
    found = searched(tuning(*ROUGH, "carrier_eye.missed=50 %", knobs=KNOBS, carriers=400))
    assert not found.feasible
    assert found.best.value is None
    assert found.nearest is not None
    assert found.nearest.figure == "missed"
    assert found.nearest.share == pytest.approx(0.5, abs=0.01)
    assert found.nearest.limit == pytest.approx(0.2)


def test_a_knob_that_does_not_matter_is_said_not_to_and_left_alone():
    """The off-response of an eye that sees wide gaps decides nothing; the edge's spread does."""
    knobs = ["carrier_eye.off_response=0:2:1 ms", "carrier_eye.edge_sd=0.2,0.5 mm"]
    found = searched(
        tuning(*ROUGH, "carrier_eye.response_jitter=1 ms", "carrier_eye.edge_sd=0.5 mm",
               "carrier_eye.off_response=1 ms", knobs=knobs, carriers=400)
    )  # fmt: skip
    assert [knob.matters for knob in found.knobs] == [False, True]
    assert found.knobs[0].place == -1


def test_where_nothing_is_better_the_verdict_still_says_on_how_many_carriers_it_is():
    line = tuning("carrier_eye.edge_sd=0.1 mm", *ROUGH, knobs=["carrier_eye.edge_sd=1 mm,2 mm"],
                  aim="spread", carriers=400)  # fmt: skip
    found = searched(line)
    assert found.best == found.now  # one setup, one verdict
    assert found.best.carriers > 0


def test_only_as_much_is_spent_as_may_be():
    table = [{"key": "carrier_eye.edge_sd", "values": ["0.1 mm", "0.2 mm"], "price": [900, 400]}]
    line = tuning(*ROUGH, "carrier_eye.response_jitter=1 ms", "carrier_eye.edge_sd=0.5 mm",
                  knobs=(), knob=table, spend=500, carriers=400)  # fmt: skip
    found = searched(line)
    assert (found.best.values, found.best.price) == (("0.2 mm",), 400.0)


def test_what_is_unsure_must_be_able_to_be():
    line = tuning(knobs=KNOBS, unsure=["carrier_eye.response=±2 ms"])
    with pytest.raises(FeedsimError, match=r"tune.unsure.0: at -0.001 s no such line is possible"):
        space_of(line)
    far = tuning("carrier_eye.response=0.5 ms", knobs=KNOBS, unsure=["carrier_eye.response=±5 ms"])
    with pytest.raises(FeedsimError, match=r"at -0\.0045 s no such .* found \"-0\.0045 s\""):
        space_of(far)
    with pytest.raises(FeedsimError, match="nothing to choose"):
        space_of(tuning(knobs=()))


def test_as_many_machines_are_refused_beyond_a_robust_speed_as_may_be():
    """Asked of all machines drawn, though the search asks the worst alone."""
    space = space_of(small())
    (found,) = looked_at(scenario_to_dict(small()), [space.now], robust=True)
    judge = Judge(space, ClosedLine(space, space.now), draws_of(space))
    assert found.value is not None
    assert judge.may_fail == 4  # of 20, at 80 %
    assert judge.worst(found.value).times <= 1.0 < judge.worst(1.002 * found.value).times


def test_a_window_ends_where_a_search_place_by_place_ends_it():
    """Within 5 % of the belt's speed is the nose after v·T/2·0.95² = 4.5 mm, of the 120 mm."""
    space = space_of(tuning(knobs=[f"{STAGE}=40:119:1 mm"]))
    found = window(space, (20,), 0, 500.0)
    assert found is not None
    assert space.knobs[0].numbers[found[1]] == 115.0


def test_a_window_of_what_is_unsure_is_narrower_by_what_may_be_lacking():
    """The tail is held below s + gap + δ − v·T/2 = G, δ even within ±8 mm.

    As believed from G − gap + v·T/2 = 40 mm on. Of 20 machines, one in each twentieth of δ, four
    may be refused; the fifth has δ from −4.8 to −4 mm, so that it ends at 44 to 44.8 mm. The nose
    is held above 111 mm or so, further off.
    """
    line = tuning(
        "feeder.0.grip_end=100 mm", "feeder.0.insert.gap_sd=0 mm",
        knobs=["feeder.0.settings.stage_position=20:119:1 mm"],
        unsure=["feeder.0.insert.gap=±8 mm"], assurance="80 %", aim="window", speed="60 m/min",
    )  # fmt: skip
    place = (30,)  # 50 mm
    with bench_of(line, where=Local(1)) as bench:
        for robust, room_mm in ((False, 10.0), (True, 5.0)):
            (found,) = bench.closed([place], robust=robust)
            assert found.value == pytest.approx(room_mm / 99.0)


def test_a_list_that_does_not_rise_has_the_window_of_the_one_that_does():
    """What is written first is no end of the range; prices stay with their values."""
    rows = [("110 mm", 5.0), ("40 mm", 1.0), ("119 mm", 7.0), ("80 mm", 3.0)]
    spaces = [
        space_of(tuning(knobs=(), knob=[{"key": STAGE, "values": [text for text, _ in each],
                                         "price": [price for _, price in each]}]))
        for each in (rows, sorted(rows, key=lambda row: float(row[0].split()[0])))
    ]  # fmt: skip
    for space in spaces:
        (knob,) = space.knobs
        assert knob.numbers == (40.0, 80.0, 110.0, 119.0)
        assert dict(zip(knob.values, knob.prices, strict=True)) == dict(rows)
        found = window(space, (knob.values.index("80 mm"),), 0, 500.0)
        assert found is not None
        assert [knob.values[place] for place in found] == ["40 mm", "110 mm"]


def test_what_is_typed_in_is_for_the_line_as_believed():
    """Known after all, a response costs nothing: its lead makes up for it; not known, it does."""
    with bench_of(small(assurance="90 %"), where=Local(1)) as bench:
        now = [bench.space.now]
        nominal, robust = (bench.closed(now, robust=how)[0].value for how in (False, True))
        known = bench.closed(now, robust=True, known=0)[0].value
    assert nominal is not None
    assert robust is not None
    assert robust < 0.9 * nominal
    assert known == pytest.approx(nominal, rel=0.01)


def test_as_fast_as_a_grid_for_a_tenth_of_its_carriers():
    """A small one; six larger ones are in ``tests/benchmarks/test_tune.py``."""
    race = against_a_grid(
        tuning(*ROUGH, "feeder.0.servo.max_acceleration=50 m/s^2", "feeder.0.clutch.ramp_out=50 ms",
               knobs=["feeder.0.clutch.ramp_in=10:60:10 ms", f"{STAGE}=40:100:20 mm"],
               carriers=400),
        carriers=4000,
    )  # fmt: skip
    assert race.grid_mm_s > 1010.0  # as it is: 50 m/s² for 20 ms
    assert race.tune_mm_s >= 0.99 * race.grid_mm_s
    assert race.tune_carriers <= 0.1 * race.grid_carriers


def test_nothing_is_turned_for_what_is_no_better():
    """The spread at a speed does not depend on the stage: it stays where it is."""
    line = tuning(*ROUGH, "carrier_eye.edge_sd=0.5 mm", knobs=[f"{STAGE}=50:80:10 mm"],
                  aim="spread", speed="60 m/min", carriers=400)  # fmt: skip
    found = searched(line)
    assert found.best.values == found.now.values
    assert found.gain == 0.0


@pytest.mark.parametrize(("rung", "place"), [(4, -1), (11, -1), (12, 0), (40, 0)])
def test_all_stays_as_it_is_unless_two_rungs_are_gained(
    rung: int, place: int, monkeypatch: pytest.MonkeyPatch
):
    """The closed forms think most of 40 mm; the engine, made up here, accepts now up to rung 10."""
    edges = {-1: 10, 0: rung, 1: 3}

    def rungs(bench: Any, setup: tuple[int, ...], near: float, *, robust: bool) -> SimpleNamespace:
        return SimpleNamespace(accepted=lambda asked: asked <= edges[setup[0]])

    monkeypatch.setattr(deciding, "_rungs", rungs)
    found = {(0,): Looked(1200.0, 1.0, "missed", 0.0), (1,): Looked(900.0, 1.0, "missed", 0.0)}
    with bench_of(tuning(knobs=KNOBS), where=Local(1)) as bench:
        best = deciding.decided(bench, found, (0,), robust=False)
        assert best.near_mm_s is not None
        assert (best.setup, rung_of(bench, best.near_mm_s)) == ((place,), edges[place])


@pytest.mark.parametrize(("low", "high", "told"), [(1e-9, 9e-8, False), (1e-9, 2e-7, True)])
def test_jam_risks_that_no_line_lives_to_tell_apart_are_alike(low: float, high: float, told: bool):
    """One in ten million, a common floor of the search and of its words (no source)."""
    better, worse = (Looked(risk, 0.5, "jam_risk", risk) for risk in (low, high))
    space = space_of(tuning(knobs=KNOBS, aim="jam_risk", speed="60 m/min"))
    assert (cost(space, (0,), better) < cost(space, space.now, worse)) is told
    assert matters([better, worse], "jam_risk") is told
