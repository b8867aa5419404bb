"""The search for refused speeds in closed form against a fine grid that knows no jumps.

Shares come from the closed forms on either side, which are held against simulation elsewhere;
what is tested here is that the search finds where they are too much. Reference: the definition of a
refused stretch, tried speed by speed.
"""

from __future__ import annotations

from functools import cache
from itertools import groupby
from pathlib import Path

import numpy as np
import pytest

from feedsim.answers.limit.study.closed import at_speeds, closed_forms
from feedsim.answers.setup.study.sheet import as_typed
from feedsim.criteria import Figure
from feedsim.running.run import criteria_of, machine_of
from feedsim.scenario import (
    Scenario,
    at_line_speed,
    load_scenario,
    override,
    scenario_from_text,
)
from feedsim.scenario.starter import starter_text
from feedsim.settings import cells
from feedsim.settings.cells import FASTEST_MM_S, NARROWEST
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.limits import MOST_WINDOWS, TOGETHER, Closed, closed_form
from feedsim.settings.mechanisms import MECHANISMS
from feedsim.settings.right import right_settings, settled_settings
from feedsim.settings.shares_by_speed import FIGURES, SharesBySpeed, together
from tests.theory.test_limits import BASE
from tests.workable_scenarios import workable_scenario

SCENARIOS = Path(__file__).parents[2] / "scenarios"
POINTS = 400
WIDE = 1e-3
"""Share of the speed: what is wider than that, and so holds points of the grid, must be found."""

HAIR = 1.01
"""Times what is allowed: 0.303 % where 0.3 % is."""

SCANNED = ("carrier_eye.capture=scanned", "feeder.0.eye.capture=scanned")


def random_scanned(seed: int) -> Scenario:
    """Return a line with scanned eyes, its settings typed in at some speed."""
    draw = np.random.default_rng(seed)
    cycle = draw.choice([0.4, 0.5, 0.8, 0.9, 1.0, 2.0, 3.0])
    made = override(
        scenario_from_text(BASE),
        [
            *SCANNED,
            "run.master=encoder",
            f"line.encoder.counts_per_rev={draw.choice([1000, 4000, 10000])}",
            f"line.speed={draw.uniform(15.0, 60.0):.3f} m/min",
            f"controller.motion_cycle={cycle} ms",
            f"controller.scan={draw.choice([1.0, 2.0, 4.0, 5.0])} ms",
            f"feeder.0.eye_to_placement={draw.uniform(250.0, 500.0):.2f} mm",
            f"carrier_eye.edge_sd={draw.uniform(0.05, 0.3):.3f} mm",
            f"feeder.0.eye.edge_sd={draw.uniform(0.05, 0.3):.3f} mm",
            f"feeder.0.eye.response={draw.uniform(0.1, 1.5):.3f} ms",
            f"acceptance.placement_tolerance={draw.uniform(1.0, 2.5):.2f} mm",
            f"acceptance.within_tolerance={draw.choice([99, 99.7])} %",
        ],
    )
    return as_typed(made)


def looked_at(scenario: Scenario, *, lowest: bool = False) -> tuple[Closed, SharesBySpeed, int]:
    """Return the closed form, something to try speeds with, and how often machines were made."""
    calls = [0]

    def at(speed: float) -> FeederAtSpeed:
        calls[0] += 1
        machine = machine_of(at_line_speed(scenario, speed))
        return FeederAtSpeed(machine, machine.feeders[0])

    allowed = criteria_of(scenario)
    found = closed_form(at, allowed, windows=1 if lowest else MOST_WINDOWS, lowest=lowest)
    return found, SharesBySpeed(at, allowed), calls[0]


@cache
def of_seed(seed: int) -> tuple[Closed, SharesBySpeed, int]:
    return looked_at(random_scanned(seed))


@pytest.mark.parametrize("seed", range(6))
def test_every_refused_stretch_of_a_fine_grid_is_found(seed: int) -> None:
    found, shares, _ = of_seed(seed)
    first = found.refused[0]
    assert found.limits[0].speed_mm_s == pytest.approx(first.from_mm_s, rel=1e-5)
    low, high = 0.9 * first.from_mm_s, min(1.1 * first.from_mm_s, found.complete_to_mm_s)
    grid = [low + (high - low) * (k + 0.5) / POINTS for k in range(POINTS)]
    for refused, group in groupby(grid, key=shares.refused):
        stretch = list(group)
        if refused and stretch[-1] - stretch[0] > WIDE * stretch[0]:
            assert any(r.from_mm_s < stretch[-1] and r.to_mm_s > stretch[0] for r in found.refused)
    # none is refused below the limit, wide or narrow, that a grid of another pitch hits; where
    # jumps are too many to look at each (which is said), by a hair's breadth at most
    below = [shares.excess(first.from_mm_s * k / 1009.0).times for k in range(700, 1009)]
    assert max(below) <= (1.0 if first.from_mm_s < found.complete_to_mm_s else HAIR)


@pytest.mark.parametrize("seed", range(3))
def test_what_is_found_is_refused_and_its_edges_are_edges(seed: int) -> None:
    found, shares, calls = of_seed(seed)
    assert calls < 8000
    for stretch in found.refused[:4]:
        assert shares.refused(stretch.worst_mm_s)
        # where jumps are too many to look at each, as above
        hair = 1.0 if stretch.from_mm_s < found.complete_to_mm_s else HAIR
        assert shares.excess(stretch.from_mm_s * (1.0 - 2e-5)).times <= hair
        middle = 0.5 * (stretch.from_mm_s + stretch.worst_mm_s)
        if middle - stretch.from_mm_s > NARROWEST * middle:
            # jumps by less than a 200th of the tolerance are not looked beside
            assert shares.excess(middle).times > 1.0 - 1.0 / 40.0
    for before, after in zip(found.refused, found.refused[1:], strict=False):
        assert before.to_mm_s <= after.from_mm_s


@pytest.mark.parametrize("seed", [0, 4])
def test_slow_speeds_are_passed_by_in_a_row_where_they_bear_it(
    seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    # against the search that looks at every cell; its twin passes by whatever has room at its ends
    scenario = random_scanned(seed)
    found, passed = closed_forms(scenario)[0].limits, cells_asked(scenario)
    monkeypatch.setattr(cells, "_IN_A_ROW", 1)
    each = closed_forms(scenario)[0].limits
    assert [limit.mechanism for limit in found] == [limit.mechanism for limit in each]
    for one, other in zip(found, each, strict=True):
        assert one.speed_mm_s == pytest.approx(other.speed_mm_s, rel=1e-6)
    assert passed < 0.9 * cells_asked(scenario)
    monkeypatch.setattr(cells, "_IN_A_ROW", 8)
    monkeypatch.setattr(cells, "_bears", lambda *_, of=None: of is None)
    wrong = closed_forms(scenario)[0].limits[0].speed_mm_s
    assert wrong is not None
    assert wrong > 1.01 * (each[0].speed_mm_s or 0.0)


TUNED = [
    *("run.master=virtual", "controller.scan=0 s", "controller.motion_cycle=0 s"),
    *("carrier_eye.response_jitter=0 s", "feeder.0.eye.response_jitter=0 s"),
    *("carrier_eye.edge_sd=0.01 mm", "feeder.0.eye.edge_sd=0.01 mm", "carrier.slip_sd=0 mm"),
    *("feeder.0.insert.slip_sd=0 mm", "feeder.0.insert.gap_sd=0.05 mm", "carrier.pitch=600 mm"),
    *("feeder.0.servo.loop_gain=60 1/s", "feeder.0.servo.velocity_feedforward=0 %"),
    *("feeder.0.servo.max_acceleration=1000 m/s²", "limits.speed_mismatch=90 %"),
    *("feeder.0.grip_end=5 mm", "acceptance.placement_tolerance=0.607 mm"),
]


def test_a_mean_that_is_small_at_both_ends_of_a_row_is_looked_at_between(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # tuned as is usual: the distance at a crawl, the lead at full speed, where the lag is not over.
    # So the mean is 0 at both and largest between, where there is no jump. Against the edges of the
    # cells one by one; the twin knows the ends of a row alone
    edges = cells.cells_between(cells.SLOWEST_MM_S, cells.FASTEST_MM_S)
    v = edges[72]  # where a row of 8 ends
    made = override(load_scenario(SCENARIOS / "membership_card.toml"), TUNED)
    machine = machine_of(at_line_speed(made, v))
    at = FeederAtSpeed(machine, machine.feeders[0])
    crawl, here = settled_settings(at), right_settings(at)
    lead = crawl.engage_lead_s - (here.engage_distance_mm - crawl.engage_distance_mm) / v
    typed = override(
        made,
        [
            f"feeder.0.settings.engage_distance={crawl.engage_distance_mm} mm",
            f"feeder.0.settings.engage_lead={1e3 * lead} ms",
        ],
    )
    shares = looked_at(typed, lowest=True)[1]
    first = next(k for k, edge in enumerate(edges) if shares.refused(edge))
    assert 64 < first < 72
    found = closed_forms(typed)[0].limits[0].speed_mm_s
    assert found is not None
    assert edges[first - 1] < found <= edges[first]
    monkeypatch.setattr(cells, "right_settings", lambda _: crawl)
    wrong = closed_forms(typed)[0].limits[0].speed_mm_s
    assert wrong is not None
    assert wrong > 2.0 * found


def cells_asked(scenario: Scenario) -> int:
    """Return at how many edges of cells all shares are worked out."""
    machine, edges = machine_of(scenario), cells.cells_between(1.0, 100.0)
    feeder = FeederAtSpeed(machine, machine.feeders[0])
    shares = SharesBySpeed(feeder.on_line_at, criteria_of(scenario))
    cells.look_everywhere(shares, edges, 1)
    return len(shares.looked_at)


def test_a_search_that_knows_no_jumps_would_miss_them() -> None:
    # the twin: bisection between points a hundredth apart calls an island accepted
    scenario = override(
        scenario_from_text(BASE),
        [*SCANNED, "controller.scan=2 ms", "controller.motion_cycle=2 ms",
         "acceptance.placement_tolerance=1.5 mm", "carrier_eye.edge_sd=0.1 mm"],
    )  # fmt: skip
    found, shares, _ = looked_at(as_typed(scenario))
    limit = next(x.speed_mm_s for x in found.limits if x.mechanism == TOGETHER)
    assert limit is not None
    steps = [200.0 * 1.109**k for k in range(30)]
    coarse = next(speed for speed in steps if shares.refused(speed))
    assert limit < 0.98 * coarse
    assert any(not shares.refused(v) for v in (limit * (1.0 + 0.001 * k) for k in range(1, 100)))


@pytest.mark.parametrize("corrected", ["false", "true"])
def test_ticks_that_share_little_are_not_a_wall_and_their_limit_holds(corrected: str) -> None:
    # steps of 8 us: tens of thousands of jumps below the limit, none of which matters by itself
    scenario = override(
        scenario_from_text(BASE),
        [*SCANNED, "controller.scan=2 ms", "controller.motion_cycle=0.888 ms",
         f"feeder.0.settings.stage_correction={corrected}"],
    )  # fmt: skip
    found, shares, calls = looked_at(scenario, lowest=True)
    assert calls < 2000
    limit = next(x.speed_mm_s for x in found.limits if x.mechanism == TOGETHER)
    assert limit is not None
    assert shares.refused(limit * (1.0 + 1e-5))
    below = [shares.excess(limit * (1.0 - k / 2003.0)).times for k in range(1, 120)]
    assert max(below) <= 1.0 + 1.0 / 40.0


@pytest.mark.parametrize("seed", [None, 0, 4])
def test_a_figure_that_a_cell_bears_need_not_be_asked_for(seed: int | None) -> None:
    scenario = (
        load_scenario(SCENARIOS / "membership_card.toml") if seed is None else random_scanned(seed)
    )
    at, allowed = at_speeds(scenario)[0], criteria_of(scenario)
    shares, whole = SharesBySpeed(at, allowed), SharesBySpeed(at, allowed)
    cells.look_everywhere(shares, cells.cells_between(1.0, FASTEST_MM_S), MOST_WINDOWS)

    def times(speed: float, figure: Figure) -> float:
        row = zip(MECHANISMS, whole.at_speed(speed), strict=True)
        return together(p for m, p in row if m.figure == figure) / whole.most(figure)

    looked = sorted(shares.looked_at)
    borne = [(v, f) for v in looked for f in FIGURES if shares.is_borne(v, f)]
    assert len(borne) > 50
    for speed in looked[::3]:
        assert shares.refused(speed) is (max(times(speed, f) for f in FIGURES) > 1.0)
    # and where nobody looked
    low, high = borne[0][0], borne[-1][0]
    between = np.random.default_rng(7).uniform(low, high, 40).tolist()
    for speed, figure in [*borne[::7], *((v, f) for v in between for f in FIGURES)]:
        if shares.is_borne(speed, figure):
            assert times(speed, figure) <= 1.0
    # the twin: a figure that is not borne is missed
    first = next(v for v in looked if shares.refused(v))
    wrong = SharesBySpeed(at, allowed)
    wrong.bear(first, first, shares.excess(first).figure)
    assert not wrong.refused(first)


@pytest.mark.parametrize("missed", ["0.07 %", "0.09 %"])
def test_a_figure_near_its_limit_at_every_speed_hides_no_stretch_of_another(missed: str) -> None:
    """0.1 % may be missed. Where inserts land does not depend on carriers that nobody sees."""
    card = scenario_from_text(starter_text())
    (alone,), (beside,) = (
        closed_forms(override(card, [f"carrier_eye.missed={share}"])) for share in ("0 %", missed)
    )
    assert beside.complete_to_mm_s == alone.complete_to_mm_s == FASTEST_MM_S
    placing = [r for r in alone.refused if r.to_mm_s < FASTEST_MM_S]
    assert placing
    for here, there in zip(placing, beside.refused, strict=False):
        assert here.figure == there.figure == "within_tolerance"
        assert there.from_mm_s == pytest.approx(here.from_mm_s, rel=1e-6)


def test_the_lowest_refused_stretch_is_found_below_a_wider_one() -> None:
    """Narrow stretches close to each other count as one; a wide one lies 0.2 % above them."""
    line = workable_scenario(125, stops=False)
    (at,), allowed = at_speeds(line), criteria_of(line)
    (lowest,) = {limit.speed_mm_s for limit in closed_form(at, allowed, windows=1).limits[:1]}
    shares = SharesBySpeed(at, allowed)
    grid = np.linspace(0.9999 * lowest, 1.002 * lowest, 2001)
    refused = [v for v in grid.tolist() if shares.refused(v)]
    assert refused[0] == pytest.approx(lowest, abs=grid[1] - grid[0])
    assert any(v > 1.0009 * lowest for v in refused)
    assert len(refused) < len(grid) // 2
