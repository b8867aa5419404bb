"""What is learned from logs of machines of known truth, and what cannot be learned from one.

200 machines are in ``tests/benchmarks/test_learn.py``.
"""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import feedsim
from feedsim.answers.learn.answer import Learnt, learn
from feedsim.answers.learn.study.belt import rounded_alike
from feedsim.answers.learn.study.figures import Finding, combined
from feedsim.answers.learn.study.fits import bounded_line
from feedsim.answers.learn.study.lattice import lattice_of
from feedsim.answers.learn.study.pitches import (
    missing_of_random,
    pitches_of,
    shortest_of_random,
)
from feedsim.answers.learn.study.scans import ScanSeen, scan_of_all, scan_seen
from feedsim.answers.learn.study.sides import distance_and_lead
from feedsim.draws.line_draws import Phases, RunDraws
from feedsim.logs import Log, SampledSignal, read_log
from feedsim.logs.recorder import LoggedRun
from feedsim.metrics.intervals import NORMAL_95
from feedsim.running.run import machine_of
from feedsim.simulation.line import simulate_traced
from tests.hidden_machines import CARD, KINDS, covered, hidden, logs_of, out_of_line, tally
from tests.logged import logged, written

SCENARIOS = Path(__file__).parents[2] / "scenarios"
SURE = 0.95


def as_often_as_said(hits: int, n: int) -> None:
    """Assert that intervals of 95 % covered so often: binomial, 4 standard deviations below."""
    assert hits >= SURE * n - 4.0 * math.sqrt(n * SURE * (1.0 - SURE))


@pytest.fixture(scope="module")
def answers(tmp_path_factory: pytest.TempPathFactory) -> list[tuple[int, Learnt, list[Path]]]:
    """Learn from two machines, a paced one in samples and a random one in events."""
    found = []
    for seed, kind in ((2, KINDS[0]), (5, KINDS[3])):
        folder = tmp_path_factory.mktemp("logs")
        logs = logs_of(hidden(seed), folder, seed=seed, carriers=120, kind=kind)
        found.append((seed, learn(feedsim.load(CARD), *logs), logs))
    return found


def test_intervals_cover_what_is_true(answers: list[tuple[int, Learnt, list[Path]]]) -> None:
    each = [covered(found, hidden(seed).truth()) for seed, found, _ in answers]
    hits = [hit for one in each for hit in one.values()]
    assert len(hits) >= 30
    as_often_as_said(sum(hits), len(hits))


def test_a_planted_fault_does_not_pass(answers: list[tuple[int, Learnt, list[Path]]]) -> None:
    # the same logs by an encoder wheel that is 2 % larger: all that is a travel is off
    seed, _, logs = answers[0]
    wrong = feedsim.load(CARD, {"line.encoder.wheel_circumference": "510 mm"})
    hits = covered(learn(wrong, *logs), hidden(seed).truth())
    assert not hits["carrier.pitch"]
    assert not hits["line.speed"]
    assert not hits["feeder.0.settings.engage_distance"]


def test_too_rarely_and_too_often_are_out_of_line() -> None:
    """181 of 200 are below 91 %, and may be luck all the same (binomial: z = -2.9)."""
    assert out_of_line({"right": (190, 200), "unlucky": (181, 200), "few": (3, 4)}) == []
    assert out_of_line({"rarely": (170, 200), "always": (200, 200)}) == ["rarely", "always"]
    assert out_of_line({"always": (200, 200)}, careful=["always"]) == []


@pytest.mark.parametrize("fault", [{"wide": 0.5}, {"shifted": 1.0}])
def test_planted_intervals_do_not_pass(
    answers: list[tuple[int, Learnt, list[Path]]], fault: dict[str, float]
) -> None:
    each = [covered(found, hidden(seed).truth(), **fault) for seed, found, _ in answers]
    hits = [hit for one in each for hit in one.values()]
    rule = out_of_line({"all": (sum(hits), len(hits))})
    assert rule == ["all"]
    assert tally(each)


def test_the_law_is_the_one_that_they_come_by(
    answers: list[tuple[int, Learnt, list[Path]]],
) -> None:
    laws = [found.arrival and found.arrival.found.law for _, found, _ in answers]
    assert laws == ["paced", "random"]


def lines_covered(*, too_wide: float = 0.0) -> tuple[int, int]:
    """Count of 1000 lines, known by whole numbers, how many lie in their intervals.

    By their slope, and by their height at the first place.
    """
    hits = [0, 0]
    for seed in range(1000):
        g = np.random.default_rng(seed)
        u = np.sort(g.uniform(0.0, 50.0, 60)) if seed % 2 else np.arange(60) * g.uniform(0.3, 0.9)
        slope, height = g.uniform(0.9, 1.1), g.uniform(0.0, 5.0)
        y = np.floor(height + slope * u)
        line = bounded_line(u, y - too_wide, y + 1.0 + too_wide)
        assert line is not None
        hits[0] += line.slope.low <= slope <= line.slope.high
        off = abs(float(line.at(u[:1])[0]) - height - slope * float(u[0]))
        hits[1] += off <= SURE * line.open_at(float(u[0]))
    return hits[0], hits[1]


def test_a_line_within_bounds() -> None:
    """Neither too rarely nor too often (binomial, 4 standard deviations): the law is the true one.

    Bounds that are a tenth too wide on either side are found out.
    """
    limit = 4.0 * math.sqrt(1000 * SURE * (1.0 - SURE))
    assert all(abs(hits - SURE * 1000) < limit for hits in lines_covered())
    assert all(hits - SURE * 1000 > limit for hits in lines_covered(too_wide=0.1))
    u = np.arange(60.0)
    assert bounded_line(u, u + 0.9 * np.sin(u), u + 0.9 * np.sin(u) + 0.1) is None


def test_times_that_are_rounded_alike() -> None:
    """Of times in whole microseconds a tenth of a millisecond apart each is off by as much.

    A third of one shows its digits, and each is off by its own.
    """
    log = Log("", "samples", 1e-4, 1e-6, (0.0,), (1.0,), None, None, None, ())  # type: ignore[arg-type]
    for period, alike in ((1e-4, True), (1e-4 / 3.0, False)):
        times = np.round(0.3 + period * np.arange(20_000), 6)
        encoder = SampledSignal(times, np.arange(20_000.0), np.arange(20_000), "count", 1.0)
        assert rounded_alike(replace(log, period_s=period, encoder=encoder)) == alike


@pytest.mark.parametrize("step", [1e-3, 1e-4])
def test_the_grid_of_acts(step: float) -> None:
    hits = 0
    for seed in range(20):
        g = np.random.default_rng(seed)
        period = g.uniform(2.2e-3, 5e-3)
        ticks = (np.floor(np.cumsum(g.normal(0.26, 0.01, 200)) / period) + g.random()) * period
        logged = np.ceil(ticks / step) * step - 0.5 * step
        rough = np.full(200, 0.5 * step + 0.5e-6)  # rounded to the microsecond, all alike
        found = lattice_of(logged, rough, grain_s=step, shared_s=0.5e-6)
        assert found is not None
        hits += found.period.low <= period <= found.period.high
        # in a log each act is off by half a step at most; on the grid by next to nothing
        assert np.abs(found.time_s - ticks).max() < 0.1 * step
    as_often_as_said(hits, 20)


@pytest.mark.parametrize("ratio", [0.0, 1.0, 1.5, 2.0, 1.37])
def test_the_scan_behind_scanned_edges(ratio: float) -> None:
    """Of 60 logs with a scan of so many motion cycles, some acts in a hundred late on their own."""
    hits, told, g = 0, 0, 3.1e-3
    grid = Finding(g, g - 1e-9, g + 1e-9, 250)
    for seed in range(60):
        r = np.random.default_rng(seed)
        edges = np.cumsum(r.normal(0.3, 0.004, 250)) + r.random()
        scan = ratio * g
        known = np.ceil(edges / scan) * scan if ratio else edges
        acts = np.ceil((known + 0.1) / g) * g
        late = np.where(r.random(250) < 0.02, np.ceil(r.uniform(3.0, 6.0, 250)) * g, 0.0)
        seen = scan_seen(acts + late - edges - 0.1, acts + late, grid=grid, noise_s=0.0)
        if ratio in {0.0, 1.0}:  # spread over one step either way
            assert seen is not None
            assert seen.scan is None
        elif seen is not None and seen.scan is not None:
            told += 1
            hits += seen.scan.low <= scan <= seen.scan.high
            assert seen.step_s == pytest.approx({1.5: 0.5, 2.0: 1.0}.get(ratio, 0.0) * g, abs=1e-9)
    if ratio > 1.0:
        assert told >= 50
        as_often_as_said(hits, told)


def test_no_grid_where_there_is_none() -> None:
    g = np.random.default_rng(7)
    for _ in range(8):
        times = np.cumsum(g.normal(0.26, 0.004, 200))
        assert lattice_of(times, np.full(200, 5e-7), grain_s=1e-6) is None


def test_a_grid_in_step_with_the_samples_says_that_its_phase_is_open() -> None:
    g = np.random.default_rng(3)
    ticks = np.rint(np.cumsum(g.normal(0.26, 0.01, 200)) / 2e-3) * 2e-3 + 0.3e-3
    logged = np.ceil(ticks / 1e-3 - 1e-9) * 1e-3 - 0.5e-3
    found = lattice_of(logged, np.full(200, 0.5e-3), grain_s=1e-3)
    assert found is not None
    assert found.open_s(logged) == pytest.approx(0.5e-3, rel=1e-3)


def test_pitches() -> None:
    hits = np.zeros(3)
    for seed in range(200):
        g = np.random.default_rng(seed)
        edges = np.cumsum(g.normal(260.0, 2.5, 400))[g.random(400) > 0.02]
        seen = np.ceil(edges + g.normal(0.0, 0.3, len(edges)) + g.random())
        found = pitches_of([seen])
        for place, (figure, truth) in enumerate(
            ((found.mean, 260.0), (found.sd, 2.5), (found.missing, 0.02))
        ):
            assert figure is not None
            hits[place] += figure.low <= truth <= figure.high
    for each in hits:
        as_often_as_said(int(each), 200)


def test_the_shortest_of_random_pitches() -> None:
    hits = 0
    for seed in range(30):
        g = np.random.default_rng(seed)
        x = 230.0 + g.exponential(70.0, 200) + g.normal(0.0, 0.4, 200)
        found = shortest_of_random(x, noise_mm=0.4)
        hits += found.low <= 230.0 <= found.high
    as_often_as_said(hits, 30)


@pytest.mark.parametrize(("least", "mean"), [(250.0, 50.0), (230.0, 70.0)])
@pytest.mark.parametrize("share", [0.0, 0.05])
def test_missing_carriers_that_come_at_random(least: float, mean: float, share: float) -> None:
    hits = 0
    for seed in range(20):
        g = np.random.default_rng(seed)
        edges = np.cumsum(least + g.exponential(mean, 300))[g.random(300) >= share]
        found, most = missing_of_random(np.diff(edges))
        hits += found.low <= share <= found.high
        assert found.high < 0.7 * most
    as_often_as_said(hits, 20)


def test_behind_no_smallest_pitch_missing_carriers_cannot_be_told() -> None:
    # a row of exponential gaps of which any share is struck out is one of exponential gaps
    g = np.random.default_rng(1)
    found, most = missing_of_random(2.0 + g.exponential(298.0, 300))
    assert found.low == 0.0
    assert found.high > 0.5 * most


class _SamePhase(RunDraws):
    """Ticks whose phase is not drawn from a scan or cycle, as long as either may be."""

    def phases(self) -> Phases:
        return Phases(encoder=0.3, ticks_s=1e-4)


def test_a_scan_of_any_length_leaves_the_same_log(tmp_path: Path) -> None:
    """Latched edges, known before they are due: no likelihood can tell one scan from another."""
    own = hidden(2, ratios=(1.0,)).lines[0]

    def logged(**changes: str) -> bytes:
        machine = machine_of(
            own.but({k.replace("__", "."): v for k, v in changes.items()}).scenario
        )
        draws = _SamePhase(machine, 2)
        records, trace = simulate_traced(machine, draws, carriers=40)
        return written(LoggedRun(machine, records, trace, draws), tmp_path / "a.csv").read_bytes()

    logs = {logged(controller__scan=scan) for scan in ("0.2 ms", "1 ms", "2.7 ms", "20 ms")}
    assert len(logs) == 1
    assert logged(controller__scan="2.7 ms", carrier_eye__capture="scanned") not in logs


def test_a_normal_error_and_a_uniform_one_together() -> None:
    # against 200 000 drawn sums: 95 % of them lie within, to 4 standard deviations
    g = np.random.default_rng(1)
    for sd, half in ((1.0, 0.5), (1.0, 3.0), (0.0, 1.0), (1.0, 0.0)):
        drawn = g.normal(0.0, sd, 200_000) + g.uniform(-half, half, 200_000)
        figure = combined(0.0, sd=sd, uniform=half, n=1)
        share = float(np.mean(np.abs(drawn) <= figure.high))
        assert share == pytest.approx(0.95, abs=4.0 * math.sqrt(0.05 * 0.95 / 200_000))


@pytest.fixture(scope="module")
def one() -> tuple[Learnt, Log]:
    """Learn from one log at one speed."""
    path = SCENARIOS / "learn_card_60.csv"
    line = feedsim.load(SCENARIOS / "learn_card.toml")
    return learn(line, path), read_log(path, feeders=["card feeder"])


def test_the_likelihood_of_distance_and_lead_at_one_speed_is_flat(one: tuple[Learnt, Log]) -> None:
    # χ² of the one travel, the distance chosen best for each lead: the same for every lead there is
    rows = {row.what: row for row in one[0].learned}
    travel, speed = rows["travel from edge to closing"].value, 1000.0
    assert travel is not None
    leads = np.linspace(-10.0, 10.0, 201)  # what the key allows, in s
    distances = travel + leads * speed
    assert np.ptp((travel - (distances - leads * speed)) ** 2) < 1e-12
    for key in ("engage lead", "engage distance", "disengage lead"):
        assert rows[key].verdict == "untold"
        assert (rows[key].low, rows[key].high) == (None, None)


def test_the_likelihood_of_the_settle_time_is_flat_as_far_as_is_said(
    one: tuple[Learnt, Log],
) -> None:
    # a feeder that is ready t after an opening serves each closing that comes later, whatever t is:
    # the likelihood is 1 up to the first closing after an opening, and 0 beyond
    found, log = one
    row = next(row for row in found.learned if row.what == "settle time")
    clutch = log.feeders[0].clutch
    assert clutch is not None
    after = np.searchsorted(clutch.off_s, clutch.on_s) - 1
    waits = clutch.on_s[after >= 0] - clutch.off_s[after[after >= 0]]
    told = {row.key: row.value for row in found.learned}
    over = told["feeder.0.clutch.ramp_out"], told["feeder.0.servo.command_delay"]
    assert row.verdict == "untold"
    assert row.low == 0.0
    first = waits.min() - sum(value for value in over if value is not None)
    assert row.high == pytest.approx(first, abs=2.0 * 0.002)  # two edges, each within a sample


def test_the_likelihood_of_the_shortest_gap_is_flat_as_far_as_is_said(
    one: tuple[Learnt, Log],
) -> None:
    # of normal pitches clipped at s the likelihood is that without a clip while s lies below all
    # (each density, and Φ((s − m)/sd) for those at s: none), and 0 above the shortest
    found, log = one
    row = next(row for row in found.learned if row.what == "shortest gap")
    assert log.carrier_eye is not None
    shortest = float(np.diff(log.carrier_eye.on_s).min()) * 1000.0 - 210.0
    assert row.verdict == "untold"
    assert row.low == 0.0
    # the eye's own edge, 0.1 mm, and two edges that lie within a sample of 2 mm
    assert shortest - 2.0 <= (row.high or 0.0) <= shortest + 6.0


def seen_of(seed: int, *, n: int, flickers: bool = False) -> tuple[ScanSeen | None, float]:
    """Return what so many acts show of a scan of 1.4 motion cycles, and that scan (s).

    ``flickers``: the scan is the motion cycle, and the travel ends at the edge of a tick, so that
    half of the acts come one tick later.
    """
    r, g = np.random.default_rng(seed), 3.1e-3
    scan = g if flickers else 1.4 * g
    edges = np.cumsum(r.normal(0.3, 0.004, n)) + r.random()
    acts = np.ceil((np.ceil(edges / scan) * scan + 0.1) / g) * g
    acts += np.where(r.random(n) < 0.5, g, 0.0) if flickers else 0.0
    noise = 1e-3 / math.sqrt(12.0)
    waits = acts - edges - 0.1 + r.uniform(-0.5e-3, 0.5e-3, n)
    return scan_seen(waits, acts, grid=Finding(g, g - 1e-9, g + 1e-9, n), noise_s=noise), scan


def test_all_acts_show_one_scan() -> None:
    """Several sides together tell it as often as they say; what one of them has is narrower then.

    The width goes with the root of the number (any text), 4 sides: by half.
    """
    hits, told = 0, 0
    for seed in range(60):
        each, scan = zip(*(seen_of(100 * seed + side, n=100) for side in range(4)), strict=True)
        seen = [one for one in each if one is not None]
        found = scan_of_all(seen)
        if found is None or found.scan is None:
            continue
        told += 1
        hits += found.scan.low <= scan[0] <= found.scan.high
        widths = [one.scan.high - one.scan.low for one in seen if one.scan is not None]
        assert found.scan.high - found.scan.low < 0.7 * max(widths) or len(widths) < 3
    assert told >= 50
    as_often_as_said(hits, told)


def test_a_travel_that_ends_at_the_edge_of_a_tick_shows_no_longer_scan() -> None:
    longer = 0
    for seed in range(60):
        seen, _ = seen_of(seed, n=250, flickers=True)
        longer += seen is not None and seen.scan is not None
    assert longer == 0
    odd = ScanSeen(Finding(5e-3, 4.6e-3, 5.6e-3, 250), 0.0, 25e-6, 2.6e-6, 250)
    alone = ScanSeen(None, 3e-3, 0.0, 0.7e-6, 250)
    assert scan_of_all([odd, alone, alone]) == alone
    assert scan_of_all([odd]) == odd


def test_a_time_that_all_speeds_share_looks_like_a_lead() -> None:
    """Two travels with an error of 0.5 mm each, and 0.3 ms that both have: by hand."""
    own, shared, speeds = 0.5, 0.3e-3, np.array([800.0, 1200.0])
    halves = [NORMAL_95 * math.hypot(own, shared * v) for v in speeds.tolist()]
    travels = [Finding(x, x - h, x + h, 100) for x, h in zip((350.0, 346.0), halves, strict=True)]
    fit = distance_and_lead(speeds, travels, shared_s=shared)
    assert fit.lead is not None
    assert fit.lead.value == pytest.approx(0.01)
    by_hand = NORMAL_95 * math.hypot(math.sqrt(2.0) * own / 400.0, shared)
    assert fit.lead.high - fit.lead.value == pytest.approx(by_hand, rel=1e-6)


def test_too_few_acts_bound_no_motion_cycle(tmp_path: Path) -> None:
    """Twelve carriers have some 24 acts: a motion cycle of any length may be behind them."""
    rows = {}
    for carriers in (12, 80):
        machine = hidden(2, ratios=(1.0,))
        logs = logs_of(machine, tmp_path, seed=2, carriers=carriers, kind=("samples", 300.0))
        found = learn(feedsim.load(CARD), *logs)
        rows[carriers] = next(r for r in found.learned if r.key == "controller.motion_cycle")
    truth = hidden(2).truth()["controller.motion_cycle"]
    assert rows[12].value is None
    assert rows[12].high is None
    assert "too few" in rows[12].why
    assert rows[80].high is not None  # sampled slower than twice a cycle: at most two samples
    assert truth <= rows[80].high <= 2.01 / 300.0


def test_stage_correction_hides_where_a_mark_was_let_go(tmp_path: Path) -> None:
    change = {"feeder.0.settings.stage_correction": True, "carrier.arrival": "random"}
    line = hidden(3).lines[0].but(change)
    log = logged(machine_of(line.scenario), tmp_path, carriers=100)
    for scenario, told in ((line, False), (hidden(3).lines[0], True)):
        row = next(r for r in learn(scenario, log).learned if r.key == "feeder.0.clutch.settle")
        assert (row.value is not None) == told
        assert told or "stage_correction" in row.why
