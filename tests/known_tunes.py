"""Lines for feedsim tune whose robust speed is known, and what a search claims of them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from statistics import NormalDist

from feedsim.answers.tune.study.bench import bench_of
from feedsim.answers.tune.study.results import Tuned
from feedsim.answers.tune.study.rungs import Drawn, highest, rung_of, speed_at
from feedsim.answers.tune.study.search import tuned
from feedsim.measures import parse
from feedsim.running.executor import Local
from feedsim.scenario import Scenario
from tests.tuning import known_line, known_speed, tuning

__all__ = ["KNOWN_JAM", "KNOWN_SPREAD", "Claims", "KnownLine", "claims_of"]

_ASSURANCE = 0.8
_DRAWS, _CARRIERS = 20, 400
"""All of 20 machines have to be accepted, which is 1.2 % where 80 % are; of 120 and 95 % all but
one, which is 1.6 % and takes five times as long."""


@dataclass(frozen=True)
class KnownLine:
    """A line of each seed, and the robust speed (mm/s) of values of its knobs."""

    scenario: Callable[[int], Scenario]
    speed: Callable[[tuple[str, ...]], float]


def _spread(seed: int) -> Scenario:
    return known_line(
        seed, edge_mm=0.6, assurance=_ASSURANCE, carriers=_CARRIERS, draws=_DRAWS,
        knobs=["carrier_eye.edge_sd=0.2,0.4 mm"],
    )  # fmt: skip


def _spread_speed(values: tuple[str, ...]) -> float:
    return known_speed(parse(values[0], "length"), _ASSURANCE)


KNOWN_SPREAD = KnownLine(_spread, _spread_speed)
"""The response of the carrier eye is not known: what is typed in for it places all off target."""

_NOSE, _GRIP, _GAP, _OFF, _EDGE, _RAMP_S, _JAMS = 66.0, 60.0, 20.0, 3.0, 0.5, 0.02, 0.05


def _jam(seed: int) -> Scenario:
    return tuning(
        f"seed={seed}",
        f"feeder.0.nose_limit={_NOSE} mm",
        f"feeder.0.grip_end={_GRIP} mm",
        f"feeder.0.insert.gap={_GAP} mm",
        "feeder.0.insert.gap_sd=0 mm",
        f"feeder.0.eye.edge_sd={_EDGE} mm",
        f"feeder.0.clutch.ramp_out={_RAMP_S} s",
        f"acceptance.jam_risk={100.0 * _JAMS} %",
        "acceptance.missed=1 %",
        "acceptance.placement_tolerance=6 mm",
        "feeder.0.settings.stage_position=58 mm",
        knobs=["feeder.0.settings.stage_position=61,63,65 mm"],
        unsure=[f"feeder.0.insert.gap=±{_OFF} mm"],
        assurance=f"{100.0 * _ASSURANCE} %",
        carriers=_CARRIERS,
        draws=_DRAWS,
    )


def _jam_speed(values: tuple[str, ...]) -> float:
    """Return the robust speed (mm/s), derived from what the line is.

    The edge that the insert eye sees is off by e, normal with sd σ; the gap by δ, uniform within
    ±a. The nose is held below s + e = N, the tail below s + g + δ − v·T/2 + e = G, the v·T/2 being
    what the feed travels in the ramp (feedsim/MODEL.md, 6 and 8). So the jam risk is
    Φ(−(N − s)/σ) + Φ(−(s + g + δ − v·T/2 − G)/σ). Of all machines (a − d)/(2·a) have δ ≥ d, which
    is the assurance at d = −a·(2·assurance − 1).
    """
    stage, normal = parse(values[0], "length"), NormalDist()
    left = _JAMS - normal.cdf((stage - _NOSE) / _EDGE)
    if left <= 0.0:
        return 0.0
    short = _GAP - _OFF * (2.0 * _ASSURANCE - 1.0)
    return 2.0 * (stage + short - _GRIP + _EDGE * normal.inv_cdf(left)) / _RAMP_S


KNOWN_JAM = KnownLine(_jam, _jam_speed)
"""The gap of the inserts is not known; a stage further on helps the tail and hurts the nose."""


@dataclass(frozen=True)
class Claims:
    """What a search finds, and the speed (mm/s) that its own machines and cards say of the best."""

    found: Tuned
    own_mm_s: float | None


def claims_of(scenario: Scenario) -> Claims:
    """Search; the planted fault takes the verdict from the runs that the search chose by."""
    with bench_of(scenario, where=Local(1)) as bench:
        found = tuned(bench, scenario)
        near = found.best.value or bench.space.start_mm_s
        seen = Drawn(bench, found.best_places, fresh=0, near_mm_s=near)
        own = highest(seen.accepted, rung_of(bench, near))
        return Claims(found, None if own is None else speed_at(bench, own))
