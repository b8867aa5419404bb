"""Machines of known truth: what intervals cover, and what the learned scenario foretells.

Run with ``pytest -m benchmark -s tests/benchmarks/test_learn.py``; ``MACHINES`` from the
environment says over how many (200), ``FIRST`` from which on. A machine takes some 4 s of
processor time.
"""

from __future__ import annotations

import math
import os
from pathlib import Path

import pytest

import feedsim
from feedsim.answers.learn.answer import Learnt, learn
from feedsim.answers.line import Line
from feedsim.running.engines import ENGINE
from tests.hidden_machines import CARD, KINDS, covered, hidden, learned_of, logs_of, tally

pytestmark = pytest.mark.benchmark

MACHINES, FIRST = (int(os.environ.get(*x)) for x in (("MACHINES", "200"), ("FIRST", "0")))
LOWEST, HIGHEST = 0.91, 0.99
LOGGED, UNSEEN = (1.0, 1.6), (1.15, 1.3, 1.45)


def test_intervals_cover_the_truth(tmp_path: Path) -> None:
    answers = []
    for seed in range(FIRST, FIRST + MACHINES):
        kind = KINDS[seed // 2 % len(KINDS)]
        folder = tmp_path / str(seed)
        folder.mkdir()
        found = learned_of(seed, folder, carriers=300, kind=kind)
        answers.append(covered(found, hidden(seed).truth()))
        for log in folder.iterdir():
            log.unlink()
    off = []
    for key, (hits, told) in tally(answers).items():
        print(f"{key:45} {hits:4} of {told:4}  {hits / told:7.2%}")  # noqa: T201
        slack = 2.0 * math.sqrt(0.05 * 0.95 / told)  # of fewer machines than 200
        if not LOWEST - slack * (MACHINES < 200) <= hits / told:
            off.append(key)
    assert off == []


def test_the_learned_scenario_foretells_speeds_that_were_not_logged(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(ENGINE, "compiled")
    right = 0
    for seed in range(10):
        machine = hidden(seed, ratios=LOGGED, workable=True)
        kind = KINDS[seed % len(KINDS)]
        logs = logs_of(machine, tmp_path, seed=seed, carriers=400, kind=kind)
        found = learn(feedsim.load(CARD), *logs)
        learned = found.line.but(found.changes())
        unseen = hidden(seed, ratios=UNSEEN, workable=True).lines
        good = [_foretold(found, learned, line) for line in unseen]
        limits = _limits(learned, unseen[1])
        print(seed, kind, good, limits)  # noqa: T201
        right += all(good) and limits
    assert right >= 9


def _foretold(found: Learnt, learned: Line, true: Line) -> bool:
    """Tell whether mean, spread and misses at a speed are as the learned scenario has them."""
    speed = true.scenario.line.speed
    at = {"line.speed": f"{speed!r} mm/s", "run.carriers": 5000}
    was, will = (feedsim.run(line.but(at)).feeders[0] for line in (true, learned))
    there, foretold = was.placement_error, will.placement_error
    own = [_half(each.mean_ci95_mm) for each in (there, foretold)]
    off = (there.mean_mm or 0.0) - (foretold.mean_mm or 0.0)
    mean = abs(off) <= math.hypot(*own, _open_mm(found, speed))
    ratio = (there.sd_mm or 0.0) / (foretold.sd_mm or 1.0)
    spread = 0.9 < ratio < 1.1
    lost = [each.missed for each in (was, will)]
    ends = [each.ci95 for each in lost]
    missed = all(e is not None for e in ends) and (
        max(e[0] for e in ends if e) <= min(e[1] for e in ends if e) + 0.02
    )  # a mean pitch at random that is open by 3 % is worth two in a hundred
    if not (mean and spread and missed):
        print(speed, there, foretold, _open_mm(found, speed), lost)  # noqa: T201
    return mean and spread and missed


def _half(ends: tuple[float, float] | None) -> float:
    return 0.5 * (ends[1] - ends[0]) if ends is not None else 0.0


def _open_mm(found: Learnt, speed: float) -> float:
    """Return by how much the mean is open: of travels, and of times at a speed."""
    parts = []
    for row in found.learned:
        if row.low is None or row.high is None:
            continue
        half = 0.5 * (row.high - row.low)
        if row.what.startswith("travel from edge"):
            parts.append(half)
        elif row.key.endswith(("command_delay", "ramp_in")):
            parts.append(half * speed)
    return math.sqrt(sum(part**2 for part in parts))


def _limits(learned: Line, true: Line) -> bool:
    """Tell whether the ranges in which the limits lie have speeds in common."""
    ranges = []
    for line in (true, learned):
        seen = feedsim.limit(line.but({"run.carriers": 3000}), within=0.05).simulated
        ranges.append((seen.accepted_speed_mm_s or 0.0, seen.refused_speed_mm_s or math.inf))
    return max(low for low, _ in ranges) <= 1.03 * min(high for _, high in ranges)
