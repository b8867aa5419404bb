"""The engine against the plain second implementation, carrier by carrier, on the same draws.

Both work in closed form from the same page (feedsim/MODEL.md) and share no code but the
machine, the draws and the record classes. 1e-9 mm is asked of travels and 1e-9 s of times; where
the feed creeps, the instant at which it reaches a point is as uncertain as 1e-9 mm divided by its
speed, so that the belt's travel by then is allowed that much more.
"""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest

from feedsim.draws.line_draws import RunDraws
from feedsim.records.columns import FeederRecords
from feedsim.records.outcome import Outcome
from feedsim.simulation.line import simulate
from tests.random_machines import filtered_machine, hurried_machine, random_machine
from tests.reference.plain_line import plain_run

CARRIERS = 40
WHOLE = {"outcome", "insert", "strays", "double", "called_double", "late_engage", "late_opening"}
# by what a time that is right to 1e-9/1000 s may be off in these units
TOLERANCE = {"nose_speed_mm_s": 1e-7, "demanded_acceleration_mm_s2": 1e-7}
MOVING = {"placement_time_s", "offset_mm", "placement_error_mm", "belt_speed_mm_s"}


def compare(ours: FeederRecords, plain: FeederRecords) -> None:
    assert ours.books == plain.books
    for field in fields(ours):
        if field.name == "books":
            continue
        a, b = getattr(ours, field.name), getattr(plain, field.name)
        if field.name in WHOLE:
            assert np.array_equal(a, b), field.name
            continue
        tolerance = np.full(len(a), TOLERANCE.get(field.name, 1e-9))
        if field.name in MOVING:
            speeds = np.stack([ours.belt_speed_mm_s, ours.nose_speed_mm_s])
            crawl = np.ones(len(a))
            np.divide(speeds[0], speeds[1], out=crawl, where=speeds[1] > 0.0)
            tolerance = tolerance * np.fmax(1.0, crawl)
        assert np.array_equal(np.isnan(a), np.isnan(b)), field.name
        there = ~np.isnan(a) & (a != b)  # infinite demands are equal
        assert (np.abs(a[there] - b[there]) <= tolerance[there]).all(), field.name


@pytest.mark.parametrize("block", range(10))
def test_engine_agrees_with_the_plain_implementation(block: int) -> None:
    for seed in range(30 * block, 30 * block + 30):
        machine = random_machine(seed)
        draws = RunDraws(machine, seed)
        ours = simulate(machine, draws, carriers=CARRIERS)
        plain = plain_run(machine, draws, CARRIERS)
        assert ours.start_time_s == pytest.approx(plain.start_time_s, abs=1e-9), seed
        for a, b in zip(ours.feeders, plain.feeders, strict=True):
            compare(a, b)
        gates = [records.carriers.divert_by_time_s for records in (ours, plain)]
        assert gates[0] == pytest.approx(gates[1], abs=1e-9), seed


def test_a_feeder_that_is_ready_at_its_opening_tick_is_so_after_the_scan_tick_of_that_instant() -> (
    None
):
    # 3766: the mark that becomes known there is judged before the correction is in force
    for seed in (3766, *range(25)):
        machine = random_machine(seed)
        feeders = [
            replace(
                feeder,
                clutch=replace(feeder.clutch, ramp_in=0.0, ramp_out=0.0, settle_s=0.0),
                servo=replace(feeder.servo, command_delay_s=0.0),
                settings=replace(feeder.settings, stage_correction=True),
            )
            for feeder in machine.feeders
        ]
        ticks = replace(machine.controller, scan_s=0.002, motion_cycle_s=0.002)
        machine = replace(machine, feeders=tuple(feeders), controller=ticks)
        machine = random_machine(seed) if seed == 3766 else machine
        draws = RunDraws(machine, seed)
        ours, plain = (
            simulate(machine, draws, carriers=CARRIERS),
            plain_run(machine, draws, CARRIERS),
        )
        for a, b in zip(ours.feeders, plain.feeders, strict=True):
            compare(a, b)


@pytest.mark.parametrize("block", range(4))
def test_engine_agrees_on_filtered_and_polled_eyes(block: int) -> None:
    for seed in range(25 * block, 25 * block + 25):
        machine = filtered_machine(seed)
        draws = RunDraws(machine, seed)
        ours = simulate(machine, draws, carriers=CARRIERS)
        plain = plain_run(machine, draws, CARRIERS)
        for a, b in zip(ours.feeders, plain.feeders, strict=True):
            compare(a, b)


def test_the_filtered_machines_lose_cards_in_every_way() -> None:
    # by filter and by scan, of carriers and of inserts, and some of each are seen
    lost = dict.fromkeys(("too short", "merged", "placed", "strays"), 0)
    polled = 0
    for seed in range(60):
        machine = filtered_machine(seed)
        blind = replace(machine, carrier_eye=replace(machine.carrier_eye, missed=0.0))
        rows = simulate(blind, RunDraws(blind, seed), carriers=CARRIERS).feeders[0]
        lost["too short"] += int((rows.outcome == Outcome.NOT_SEEN).sum())
        lost["merged"] += int((rows.outcome == Outcome.MERGED).sum())
        lost["placed"] += int((rows.outcome == Outcome.PLACED).sum())
        lost["strays"] += int(rows.strays.sum())
        polled += machine.carrier_eye.polled
    assert all(count > 50 for count in lost.values())
    assert 20 < polled < 50


def test_a_clutch_that_opens_as_it_closes_is_ready_no_sooner_than_it_has_settled() -> None:
    # a scan finds the next insert at the very instant of the closing, its point passed already
    machine = filtered_machine(5088)
    draws = RunDraws(machine, 5088)
    ours, plain = simulate(machine, draws, carriers=20), plain_run(machine, draws, 20)
    compare(ours.feeders[0], plain.feeders[0])
    rows = ours.feeders[0]
    assert (rows.opening_time_s == rows.engage_time_s).any()
    assert not (rows.ready_time_s < rows.opening_time_s).any()
    seen = 0
    for seed in range(6000, 6020):  # machines of which many do so
        machine = hurried_machine(seed)
        draws = RunDraws(machine, seed)
        ours, plain = (run(machine, draws, carriers=CARRIERS) for run in (simulate, plain_run))
        for a, b in zip(ours.feeders, plain.feeders, strict=True):
            compare(a, b)
            seen += int((a.opening_time_s == a.engage_time_s).sum())
    assert seen >= 20


def test_a_late_mark_is_acted_on_at_its_tick_though_its_point_moves_away() -> None:
    # model, section 5: once past, a point stays past. Here the stage correction comes into force
    # between the scan tick at which a mark is late and the motion tick, and moves its point on.
    for seed in (1901, 2318):
        machine = filtered_machine(seed)
        draws = RunDraws(machine, seed)
        ours, plain = simulate(machine, draws, carriers=30), plain_run(machine, draws, 30)
        for a, b in zip(ours.feeders, plain.feeders, strict=True):
            compare(a, b)


def test_random_machines_reach_every_outcome_but_the_line_stop() -> None:
    # what is compared above must include what it is there for
    seen: set[int] = set()
    flags = {"late_engage": 0, "late_opening": 0, "strays": 0, "double": 0, "called_double": 0}
    for seed in range(120):
        machine = random_machine(seed)
        records = simulate(machine, RunDraws(machine, seed), carriers=CARRIERS)
        for rows in records.feeders:
            seen |= set(rows.outcome.tolist())
            for name in flags:
                flags[name] += int(getattr(rows, name).sum())
    assert seen == set(range(7))
    assert all(count > 10 for count in flags.values())


def test_a_planted_difference_is_found() -> None:
    machine = random_machine(3)
    ours = simulate(machine, RunDraws(machine, 3), carriers=CARRIERS)
    other = simulate(machine, RunDraws(machine, 4), carriers=CARRIERS)
    with pytest.raises(AssertionError):
        compare(ours.feeders[0], other.feeders[0])
