"""Points of a sweep made by hand, as a run would give them; and what a panel holds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Any

from feedsim.answers.limit.study.closed import FeederLimit
from feedsim.answers.sweep.study import SweepPlan, Swept
from feedsim.criteria import Failing
from feedsim.metrics.acceptance import ToDecide
from feedsim.metrics.feeder_results import Doubles, FeedCycle, FeederResults
from feedsim.metrics.hazards import Hazards, HazardShare
from feedsim.metrics.intervals import Interval
from feedsim.metrics.machine_settings import MachineSettings
from feedsim.metrics.missed import MissCauses, Missed
from feedsim.metrics.placement import PlacementError, StagePosition
from feedsim.metrics.products import Products
from feedsim.metrics.results import Complete, Results
from feedsim.metrics.share import Share
from feedsim.metrics.stops import Stops
from feedsim.records.columns import InsertBooks
from feedsim.running.axes import Axis
from feedsim.running.point import Point
from feedsim.scenario import Scenario, load_scenario
from feedsim.settings.cells import FASTEST_MM_S
from feedsim.settings.limits import Closed

SCENARIOS = Path(__file__).parents[2] / "scenarios"
MARGINS = {
    "nose_strike": (35.0, 0.3, "mm"),
    "tail_held": (18.0, 2.0, "mm"),
    "speed_mismatch": (5.0, 0.1, "%"),
    "off_carrier": (20.0, 0.5, "mm"),
    "stray_insert": (None, None, None),
    "double": (None, None, None),
    "drive_overload": (100_000.0, 0.0, "mm/s^2"),
}
NOTHING = Closed((), (), FASTEST_MM_S)
"""What closed forms say that find no limit."""
NO_CAUSE = MissCauses(0, 0, 0, 0, 0, 0, 0)


@cache
def card(*changes: str) -> Scenario:
    """Return the example machine; it accepts 1.5 mm, 99.7 %, 0.1 % missed, 0.1 % jam risk."""
    overrides = ["run.carriers=120", *changes]
    return load_scenario(SCENARIOS / "membership_card.toml", overrides=overrides)


def share(count: int, n: int) -> tuple[int, float, Interval, float | None, float, None]:
    """Return what a counted share holds; its interval is only roughly one."""
    p = count / n
    ends = Interval(max(0.0, p - 2.0 / n), min(1.0, p + 4.0 / n))
    return count, p, ends, None if count else 3.0 / n, float(n), None


def feeder(
    *,
    name: str = "card feeder",
    n: int = 1000,
    mean: float | None = 0.1,
    sd: float | None = 0.4,
    within: float | None = 1.0,
    missed: Mapping[str, int] | None = None,
    hazards: Mapping[str, int] | None = None,
    tails: Mapping[str, float] | None = None,
    margins: Mapping[str, tuple[float | None, float | None]] | None = None,
    engage_mm: float = 360.0,
) -> FeederResults:
    """Return one feeder's figures; what is not said is harmless."""
    missed, hazards, tails, margins = missed or {}, hazards or {}, tails or {}, margins or {}
    found = {}
    for hazard, (usual, spread, unit) in MARGINS.items():
        m, s = margins.get(hazard, (usual, spread))
        tail = tails.get(hazard, None if m is None else 0.0)
        found[hazard] = HazardShare(*share(hazards.get(hazard, 0), n), m, s, unit, tail)
    placed = 0 if mean is None else n - sum(missed.values())
    of_mean = None if mean is None else Interval(mean - 0.03, mean + 0.03)
    causes = MissCauses(**{cause: missed.get(cause, 0) for cause in NO_CAUSE.by_name})
    return FeederResults(
        name=name,
        placed=placed,
        placement_error=PlacementError(
            placed, mean, of_mean, sd, None, *[mean] * 5, within, *[None] * 8
        ),
        stage_position=StagePosition(60.0, 0.2),
        missed=Missed(*share(sum(missed.values()), n), causes),
        jam_risk=Share(*share(sum(hazards.values()), n)),
        hazards=Hazards(**found),
        settings=MachineSettings(20.0, 60.0, engage_mm, 12.0, 60.0, 12.0, 7200, 1200, 1.0),
        cycle=FeedCycle(0.2, 0.25, 0.7),
        inserts=InsertBooks(*[0] * len(InsertBooks.__slots__)),
        late_engages=0,
        late_openings=0,
        doubles=Doubles(0, 0, 0),
    )


def point(
    speed_mm_s: float,
    *feeders: FeederResults,
    accepted: bool = True,
    decided: bool = True,
    because: Mapping[Failing, str] = MappingProxyType({}),
    to_decide: Sequence[ToDecide] = (),
    varied: Mapping[str, str] | None = None,
) -> Point:
    """Return a point; where it is not decided and not accepted it is not refused for sure.

    ``because``: what fails it, in the verdict's order, and the sentence for it.
    """
    every, none = Share(*share(1000, 1000)), Share(*share(0, 1000))
    hourly = 10.0 * speed_mm_s
    results = Results(
        feedsim="0",
        title="By hand",
        seed=1,
        line_speed_mm_s=speed_mm_s,
        replications=1,
        carriers=1000,
        duration_s=360.0,
        complete=Complete(1000, 1.0, Interval(0.99, 1.0), 1000.0, None, hourly),
        products=Products(
            ("card feeder",), every, *[none] * 5, every, hourly, (), 0, (), diverted=None
        ),
        accepted=accepted,
        decided=decided,
        refused=decided and not accepted,
        not_accepted_because=tuple(because.values()),
        failing=tuple(because),
        to_decide=tuple(to_decide),
        feeders=feeders or (feeder(),),
        stops=Stops(),
    )
    return Point(results, dict(varied or {}))


def limit(
    mechanism: str, figure: Any, speed_mm_s: float, feeder: str = "card feeder"
) -> FeederLimit:
    """Return a limit in closed form."""
    return FeederLimit(feeder, mechanism, figure, speed_mm_s)


def by_hand(points: Sequence[Point], *axes: Axis, limits: Sequence[FeederLimit] = ()) -> Swept:
    """Return a sweep of the example machine whose points were made by hand."""
    made = Swept.of(SweepPlan(card(), axes, 1), points, [NOTHING])
    return replace(made, closed_form=tuple(limits))


def lines(axes: Any, gid: str) -> list[Any]:
    """Return the lines of a panel that have this name."""
    return [line for line in axes.lines if line.get_gid() == gid]


def texts(axes: Any) -> list[str]:
    """Return what is written in a panel."""
    return [text.get_text() for text in axes.texts]


def level(axes: Any, y: float) -> float:
    """Return how high a value stands on paper, 0 at the foot of its panel and 1 at its top."""
    place = axes.transData.transform((0.0, y))
    return float(axes.transAxes.inverted().transform(place)[1])
