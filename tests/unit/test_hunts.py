"""A cheap part of the hunts over random scenarios; the whole is in ``tests/benchmarks``."""

from __future__ import annotations

import math

import pytest
from scipy.stats import norm

from feedsim.answers.check.study import review as check
from feedsim.answers.limit.study.closed import limits_of, lowest_together
from feedsim.running.run import criteria_of, machine_of
from feedsim.scenario import override
from feedsim.settings import mechanisms_unseen
from feedsim.settings.counts_in_step import Opened
from feedsim.settings.feeder_at_speed import FeederAtSpeed
from feedsim.settings.levels import gap_lasts
from feedsim.settings.mean import mean_error
from feedsim.settings.next_cycle import InNext
from feedsim.settings.seen import Gap
from feedsim.settings.uneven_gaps import Early
from tests import speed_hunts
from tests.hunts import automatic, hunted_auto
from tests.random_scenarios import random_scenario, scenario_of_all_keys
from tests.speed_hunts import hunted_check, hunted_limit, refused_below, refused_for_sure
from tests.theory.known_terms import landing_late_at_rest
from tests.workable_scenarios import workable_scenario

pytestmark = pytest.mark.usefixtures("either_engine")

SHORT = ["run.carriers=300"]

ODD = (37, 83, 115, 121, 126, 127, 191, 370)
"""Lines whose mean was once said without a word of what it left out."""


def without_law(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leave out the law of what is left of a lag, as where that hardly spreads the placement."""
    monkeypatch.setattr("feedsim.settings.mean.lag_shifts", lambda _: [])
    for module in ("mean", "besides"):
        monkeypatch.setattr(f"feedsim.settings.{module}.lag_part", lambda _: None)


def test_check_warns_of_each_figure_that_is_refused() -> None:
    seeds = (13, 26)
    said = [hunted_check(override(workable_scenario(s), SHORT), scenarios=2) for s in seeds]
    assert said == [""] * len(seeds)


def test_nothing_below_the_limit_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    for name, fewer in {"_GRID": 8, "_CELLS": 1, "_SURE_RUNS": 8}.items():
        monkeypatch.setattr(speed_hunts, name, fewer)
    # figures that some thousand carriers decide
    wide = ("missed=3 %", "jam_risk=3 %", "within_tolerance=95 %")
    line = override(workable_scenario(10), [*SHORT, *(f"acceptance.{one}" for one in wide)])
    assert hunted_limit(line, carriers=20_000) == ""
    # the twin: a limit that is a third too high
    top = 1.33 * (lowest_together([limits_of(line, 0, lowest=True)]) or 0.0)
    assert "at " in refused_below(line, top, 0.6 * top)


def test_a_check_that_is_silent_of_a_figure_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    # the twin: a line that misses half of its carriers, and no one to warn of that
    bad = override(random_scenario(0, wide=False), ["feeder.0.insert.misfeed=50 %", *SHORT])
    assert (0, "missed") in refused_for_sure(bad, bad.line.speed)
    assert "silent of missed" not in (hunted_check(bad) or "")
    monkeypatch.setattr(check, "refused", lambda _: [])
    assert "silent of missed" in (hunted_check(bad) or "")


@pytest.mark.parametrize("odd", [False, True])
def test_auto_leaves_the_mean_that_is_said(odd: bool) -> None:
    lines = [scenario_of_all_keys(s, stops=False) for s in ODD] if odd else []
    lines = lines or [workable_scenario(s) for s in range(8)]
    said = [hunted_auto(override(line, ["run.carriers=400"])) for line in lines]
    assert said == [""] * len(lines)


def test_a_mean_that_is_said_wrongly_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    # the twin: late openings are forgotten, as they were by what told the mean of "auto"
    late = override(workable_scenario(0), ["feeder.0.settings.stage_position=12 mm",
                    "controller.scan=20 ms", "carrier_eye.capture=latched",
                    "feeder.0.eye.capture=latched", "controller.motion_cycle=1 ms"])  # fmt: skip
    assert hunted_auto(late) == ""
    monkeypatch.setattr("feedsim.settings.predict.late_opening_mean", lambda *_: 0.0)
    monkeypatch.setattr("feedsim.settings.predict.late_opening_behind", lambda *_: 0.0)
    assert "at most" in (hunted_auto(late) or "")


@pytest.mark.parametrize(("seed", "without"), [(713, "_opened_in_step"), (794, "_late_in_step")])
def test_acts_in_step_have_a_size(seed: int, without: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Inserts of even gaps behind a tick meet scan and motion at phases of their own."""
    line = override(scenario_of_all_keys(seed, stops=False), ["run.carriers=4000"])
    assert hunted_auto(line) == ""
    # the twin: they are taken to meet any phase
    monkeypatch.setattr(f"feedsim.settings.besides.{without}", lambda *_: 0.0)
    assert "at most" in (hunted_auto(line) or "")


def test_who_lands_in_the_next_cycle_waits_for_the_next_carrier_that_is_served(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Four of five carriers find no place in the memory, so a cycle comes each fifth pitch."""
    line = override(scenario_of_all_keys(507, stops=False), ["run.carriers=2000"])
    assert hunted_auto(line) == ""
    # the twin: a cycle at each carrier, as it was
    monkeypatch.setattr("feedsim.settings.besides._lost", lambda *_: 0.0)
    assert "at most" in (hunted_auto(line) or "")


def test_a_program_without_a_scan_has_no_edges_in_step_with_it() -> None:
    """Warnings are errors here: what is late in step with a scan of 0 was not a number."""
    line = automatic(scenario_of_all_keys(629, stops=False))
    machine = machine_of(line)
    for feeder in machine.feeders:
        assert mean_error(FeederAtSpeed(machine, feeder), criteria_of(line)).most_mm >= 0.0


def test_waits_that_come_in_steps_have_a_size(monkeypatch: pytest.MonkeyPatch) -> None:
    """Behind a scanned carrier eye a wait is a whole number of scans off another one."""
    line = override(scenario_of_all_keys(1772, stops=False), ["run.carriers=5000"])
    assert hunted_auto(line) == ""
    # the twin: the law's own error alone
    monkeypatch.setattr("feedsim.settings.besides._waits_off", lambda *_: 0.05)
    assert "at most" in (hunted_auto(line) or "")


def test_who_is_lost_to_a_busy_feeder_moves_the_mean_of_the_others(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    line = override(workable_scenario(1116), ["run.carriers=5000"])
    assert hunted_auto(line) == ""
    monkeypatch.setattr("feedsim.settings.besides._selection", lambda *_: 0.0)  # the twin
    assert "at most" in (hunted_auto(line) or "")


def test_who_merges_at_a_polled_eye_depends_on_where_a_scan_falls(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Gaps of 1 mm, scans 1.34 mm apart: 22 % merge, and two of three others wait."""
    line = override(scenario_of_all_keys(3521, stops=False), ["run.carriers=3000"])
    assert hunted_auto(line) == ""

    def average(at: FeederAtSpeed) -> Gap:  # the twin: one gap for all
        eye = at.carrier_eye
        more = gap_lasts(eye, at.controller).average
        return Gap(at.speed_mm_s * (eye.off_response_s + more))

    monkeypatch.setattr("feedsim.settings.waiting.needed_gap", average)
    assert "at most" in (hunted_auto(line) or "")


def test_searches_that_all_go_on_stage_as_far_on_as_the_one_before(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Each insert strays behind one that rests 15 mm too far on, and lands in the ramp-in."""
    line = override(scenario_of_all_keys(5995, stops=False), ["run.carriers=2000"])
    assert hunted_auto(line) == ""
    without_law(monkeypatch)
    assert hunted_auto(line) == ""
    # the twin: staged where a single search stages, and landing as from the stage position
    monkeypatch.setattr("feedsim.settings.unlike._resting", lambda at, _: at)
    assert "at most" in (hunted_auto(line) or "")


def test_a_polled_off_level_lasts_from_off_response_to_response(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A gap of 1.3 ms, off 0.5 ms late and on 0.3 late, outlasts a filter of 1 ms by 0.1."""
    line = override(scenario_of_all_keys(6490, stops=False), ["run.carriers=5000"])
    assert hunted_auto(line) == ""
    # the twin: edges that are seen come at any phase of the scan
    monkeypatch.setattr("feedsim.settings.mean._polled_late", lambda *_: 0.0)
    assert "at most" in (hunted_auto(line) or "")


@pytest.mark.parametrize("seed", [4063, 5728])
def test_gaps_that_spread_have_openings_before_a_landing(
    seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Gaps spread by 15 mm where the feed lags its command by 11: few land late, by centimetres."""
    line = override(scenario_of_all_keys(seed, stops=False), ["run.carriers=5000"])
    assert hunted_auto(line) == ""
    without_law(monkeypatch)
    assert hunted_auto(line) == ""
    # the twin: the clutch opens after the landing behind each gap
    monkeypatch.setattr("feedsim.settings.mechanisms_placed.lands_in_next", landing_late_at_rest)
    monkeypatch.setattr("feedsim.settings.mean.behind_early_openings", lambda *_: Early())
    monkeypatch.setattr("feedsim.settings.besides.behind_early_openings", lambda *_: Early())
    assert "at most" in (hunted_auto(line) or "")


@pytest.mark.parametrize("seed", [680, 702])
def test_landings_in_the_next_cycle_wait_for_its_closing_alone(
    seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A fifth and more land so, behind openings that let the feeder be ready early."""
    line = override(scenario_of_all_keys(seed, stops=False), ["run.carriers=5000"])
    assert hunted_auto(line) == ""
    # the twin: it comes as late as behind a feeder that serves one carrier in five
    monkeypatch.setattr("feedsim.settings.uneven_gaps.in_next", lambda _: InNext(1.0, math.inf))
    monkeypatch.setattr("feedsim.settings.mean.served", lambda *_: 0.2)
    assert "at most" in (hunted_auto(line) or "")


def test_inserts_that_merge_have_short_gaps_and_the_others_long_ones(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    line = override(scenario_of_all_keys(749, stops=False), ["run.carriers=5000"])
    assert hunted_auto(line) == ""
    # the twin: all gaps are as long as the mean, whichever merge
    monkeypatch.setattr(mechanisms_unseen, "_shortest_gaps", lambda _inserts, _share, mean: mean)
    assert "at most" in (hunted_auto(line) or "")


def test_inserts_that_merge_one_after_another_all_have_short_gaps(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Every second insert merges, by its gap of 33 mm on average, and one of eight twice."""
    line = automatic(scenario_of_all_keys(6545, stops=False))
    machine = machine_of(line)
    at = FeederAtSpeed(machine, machine.feeders[1])
    merges, gap = mechanisms_unseen.merged_inserts(at), at.inserts
    law = norm(gap.gap_mm, gap.gap_sd_mm)
    end = law.ppf(merges)
    short, found = (law.expect(lb=a, ub=b, conditional=True) for a, b in ((-50, end), (end, 120)))
    pitch = gap.length_mm + short
    extra = [(k * pitch + found - gap.gap_mm) * at.belt_per_feed for k in range(3)]
    on = mechanisms_unseen.searched_on(at)
    told = list(mechanisms_unseen.searches(at, on))
    assert 0.4 < merges < 0.6
    # the gap is clipped at 1 mm, which moves the mean of the short ones by 0.1
    assert told[:3] == pytest.approx(extra, abs=0.5)
    assert hunted_auto(override(line, ["run.carriers=5000"])) == ""
    # the twin: all gaps are as long as the mean
    alike = on[2]._replace(longer_mm=mechanisms_unseen.insert_pitch(at), found_mm=0.0)
    monkeypatch.setattr("feedsim.settings.waiting.searched_on", lambda _: (*on[:2], alike))
    assert "at most" in (hunted_auto(override(line, ["run.carriers=5000"])) or "")


def test_corrected_closings_keep_step_with_openings(monkeypatch: pytest.MonkeyPatch) -> None:
    """Four scans of 2 ms are nearly nine motion cycles of 0.888 ms."""
    assert hunted_auto(override(workable_scenario(2223), ["run.carriers=5000"])) == ""
    line = override(scenario_of_all_keys(2490, stops=False), ["run.carriers=3000"])
    assert hunted_auto(line) == ""
    # the twin: each closing waits half a cycle on average
    monkeypatch.setattr("feedsim.settings.mean.corrected_in_step", lambda *_: 0.0)
    monkeypatch.setattr("feedsim.settings.besides.corrected_size", lambda *_, **__: 0.0)
    assert "at most" in (hunted_auto(line) or "")


@pytest.mark.parametrize("eye", ["scanned", "latched"])
@pytest.mark.parametrize("cycle", ["0 ms", "0.1 ms", "1 ms"])
def test_openings_at_a_tick_are_corrected_by_no_count(
    eye: str, cycle: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The counts to the opening round to none of 28.7 mm, so E is moved by the same each time."""
    line = override(scenario_of_all_keys(2569, stops=False), ["run.carriers=2000",
                    f"feeder.0.eye.capture={eye}", f"controller.motion_cycle={cycle}"])  # fmt: skip
    assert hunted_auto(line) == ""
    if (eye, cycle) == ("scanned", "1 ms"):
        return  # in steps, which have been known all along
    # the twin: the correction spreads over a count
    for module in ("corrected_acts", "sources", "known"):
        monkeypatch.setattr(f"feedsim.settings.{module}.opens_at_tick", lambda *_: False)
    assert "at most" in (hunted_auto(line) or "")


def test_counts_at_openings_keep_step_with_the_count_at_the_closing(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A motion cycle is 1.15 counts of 0.86 mm, and gaps spread by 0.3 mm.

    Counts of 26 mm instead spread the stage by themselves, so that nothing is in step with them.
    """
    assert hunted_auto(scenario_of_all_keys(104, stops=False)) == ""
    line = override(scenario_of_all_keys(2355, stops=False), ["run.carriers=3000"])
    assert hunted_auto(line) == ""
    # the twin: a count's fraction at the edge is anything
    monkeypatch.setattr("feedsim.settings.mean.opened_in_counts", lambda _: Opened(0.0, 0.0))
    assert "at most" in (hunted_auto(line) or "")


def test_a_search_that_goes_on_makes_the_next_one_go_on(monkeypatch: pytest.MonkeyPatch) -> None:
    """After a stray inserts rest further on, so that the next one passes its eye unseen too."""
    line = override(scenario_of_all_keys(2192, stops=False), ["run.carriers=1000"])
    assert hunted_auto(line) == ""
    # the twin: inserts rest where they always do
    monkeypatch.setattr(mechanisms_unseen, "staged_further", lambda _: 0.0)
    assert "at most" in (hunted_auto(line) or "")


def test_a_gap_passes_slowly_while_the_feed_speeds_up(monkeypatch: pytest.MonkeyPatch) -> None:
    line = override(scenario_of_all_keys(2300, stops=False), ["run.carriers=4000"])
    assert hunted_auto(line) == ""
    # the twin: every gap passes the eye at feed speed
    monkeypatch.setattr(mechanisms_unseen, "mean_speed", lambda at, *_: at.feed_mm_s)
    assert "at most" in (hunted_auto(line) or "")


def test_a_carrier_without_a_staged_insert_is_not_corrected(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Late openings stage 30 mm further on; who finds the feeder not ready is served as it is."""
    line = override(scenario_of_all_keys(2263, stops=False), ["run.carriers=1000"])
    assert hunted_auto(line) == ""
    # the twin: all are corrected
    for module in ("waiting", "spreads"):
        monkeypatch.setattr(f"feedsim.settings.{module}.corrected_later", lambda _: 0.0)
    assert "at most" in (hunted_auto(line) or "")


def test_a_stage_that_is_estimated_in_a_lag_is_estimated_right(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The feed still makes up for its lag of 12 ms while the eye's filter runs for 4 ms."""
    line = override(scenario_of_all_keys(2893, stops=False), ["run.carriers=2000"])
    assert hunted_auto(line) == ""
    without_law(monkeypatch)
    assert hunted_auto(line) == ""
    # the twin: the feed runs as fast as the belt there
    monkeypatch.setattr("feedsim.settings.nominal_cycle._seen_further", lambda *_: 0.0)
    assert "at most" in (hunted_auto(override(line, ["seed=2"])) or "")


def test_a_lag_keeps_an_insert_from_landing_before_the_clutch_closes_again(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Gaps spread by 15 mm; the feed creeps up on its rest, 2 mm short of it a pitch later."""
    line = override(scenario_of_all_keys(2500, stops=False), ["run.carriers=5000"])
    assert hunted_auto(line) == ""
    without_law(monkeypatch)
    assert hunted_auto(line) == ""
    # the twin: it rests by then, and lands late by as much as a standard deviation tells
    monkeypatch.setattr("feedsim.settings.mechanisms_placed.lands_in_next", landing_late_at_rest)
    monkeypatch.setattr("feedsim.settings.besides._NORMAL", (0.0,))
    monkeypatch.setattr("feedsim.settings.mean.behind_early_openings", lambda *_: Early())
    monkeypatch.setattr("feedsim.settings.besides.behind_early_openings", lambda *_: Early())
    assert "at most" in (hunted_auto(line) or "")


@pytest.mark.parametrize("seed", [56, 68])
def test_longer_and_shorter_cycles_do_not_make_up_for_each_other(
    seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A loop gain of 15/s leaves a lag at edges and landings: 3.7 and 3.5 mm late on average."""
    line = workable_scenario(seed)
    keys = [f"feeder.{n}.servo.loop_gain=15 1/s" for n in range(len(line.feeder))]
    line = override(line, [*keys, "run.carriers=3000"])
    assert hunted_auto(line) == ""
    # the twin: all cycles are alike
    monkeypatch.setattr("feedsim.settings.mean.lag_shifts", lambda _: [])
    assert "at most" in (hunted_auto(line) or "")
