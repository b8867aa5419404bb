"""On random machines the parts of each placement error add up, and none can hide an error."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
import pytest

from feedsim.answers.explain.study.record import ErrorPart, Story
from feedsim.answers.explain.study.story import story_of
from feedsim.draws.line_draws import CarrierDraw, Draws, InsertDraw, Phases, RunDraws
from feedsim.machine import Machine
from feedsim.records.outcome import Outcome
from tests import machines
from tests.random_machines import filtered_machine, random_machine
from tests.unit.story_cases import SUM_MM, errors, source_of

RESPONSES = ("carrier_eye_response", "insert_eye_response")
SCANS = ("carrier_eye_scan", "insert_eye_scan")
TICKS = ("closing_tick", "opening_tick")
COUNTS = ("carrier_eye_count", "insert_eye_count", "engage_rounding", "disengage_rounding")
OF_SPEED = ("speed_change", "stage_speed_change", "engage_filter", "disengage_filter")
WAITS = ("late_mark", "queued", "feeder_wait", "carrier_eye_held", "opened_early", "nose_past")


def check_bounds(line: Machine, number: int, story: Story) -> None:
    """No part is more than what it stands for can be, so none can take up what another lacks."""
    found = {p.key: p for p in story.parts}
    check_delays(line, number, found)
    half_count = 0.5 * line.encoder.count_mm * (1.0 + line.encoder.scale_error)
    most_mm = dict.fromkeys(COUNTS, half_count)
    most_mm["carrier_eye_edge"] = 6.0 * line.carrier_eye.edge_sd_mm
    if not line.line.profile and not line.start_empty:
        most_mm |= dict.fromkeys(OF_SPEED, 0.0)
    if line.feeders[number].servo.loop_gain_per_s == math.inf:
        most_mm |= {"lag": 0.0, "stage_lag": 0.0}
    for key, most in most_mm.items():
        if key in found:
            assert abs(found[key].error_mm) <= most + 2e-9, key
    for key in WAITS:
        assert found[key].error_mm >= -SUM_MM, key


def check_delays(line: Machine, number: int, found: dict[str, ErrorPart]) -> None:
    eyes = {"carrier": line.carrier_eye, "insert": line.feeders[number].eye}
    for key in RESPONSES:
        if key in found:
            eye, delay = eyes[key.partition("_")[0]], found[key].delay_s
            assert delay == pytest.approx(eye.response_s, abs=eye.response_jitter_s + 1e-12)
    controller = line.controller
    for keys, most_s in ((SCANS, controller.scan_s), (TICKS, controller.motion_cycle_s)):
        for key in keys:
            delay = found[key].delay_s if key in found else None
            assert delay is None or -1e-12 <= delay <= most_s + 1e-9, key


def check_filter(line: Machine, number: int, found: dict[str, ErrorPart]) -> None:
    """A filter takes what it takes, but for an output that was on already."""
    for name, eye in (("carrier", line.carrier_eye), ("insert", line.feeders[number].eye)):
        if f"{name}_eye_filter" not in found:
            continue
        early = found[f"{name}_eye_on_already"].delay_s
        takes = found[f"{name}_eye_filter"].delay_s
        assert early is not None
        assert takes is not None
        assert early <= 1e-12
        assert early < -1e-9 or takes == pytest.approx(eye.filter_s, abs=1e-9)


def check_machine(
    seed: int, kind: Callable[[int], Machine] = random_machine
) -> tuple[int, set[str]]:
    """Check each placed insert of a random machine; return how many, and which parts came up."""
    line = kind(seed)
    source = source_of(line, RunDraws(line, seed), carriers=25)
    count, seen = 0, set()
    for number, rows in enumerate(source.records.feeders):
        settings = line.feeders[number].settings
        per_feed = (1.0 + line.encoder.scale_error) / settings.speed_ratio
        for carrier in np.flatnonzero(rows.outcome == Outcome.PLACED):
            story = story_of(source, int(carrier), feeder=number)
            assert story.placement_error_mm == rows.placement_error_mm[carrier]
            seen |= set(errors(story))
            check_bounds(line, number, story)
            check_filter(line, number, {p.key: p for p in story.parts})
            of_stage = [p for p in story.parts if p.group == "stage"]
            staged = sum(p.error_mm for p in of_stage if p.key != "stage_correction")
            off = rows.stage_position_mm[carrier] - settings.stage_position_mm
            assert staged == pytest.approx(-per_feed * off, abs=SUM_MM)
            count += 1
    return count, seen


EXPECTED = {
    *RESPONSES,
    *SCANS,
    *TICKS,
    *COUNTS,
    *OF_SPEED,
    "carrier_eye_edge", "insert_eye_edge", "feeder_wait", "ramp_in", "opened_early",
    "lag", "nose_past", "insert_slip", "carrier_slip", "scale_error", "engage_unsettled",
    "engage_distance", "stage_correction", "late_opening", "stage_lag",
    "disengage_unsettled", "disengage_distance",
}  # fmt: skip


@pytest.mark.parametrize("block", range(4))
def test_the_parts_add_up_on_every_machine(block: int) -> None:
    count, seen = 0, set()
    for seed in range(55 * block, 55 * block + 55):
        placed, parts = check_machine(seed)
        count += placed
        seen |= parts
    assert count > 1000
    assert seen >= EXPECTED  # what is added up must include what it is there for


def test_the_parts_add_up_with_filters_and_polled_eyes() -> None:
    count, seen = 0, set()
    for seed in range(60):
        placed, parts = check_machine(seed, filtered_machine)
        count += placed
        seen |= parts
    assert count > 300
    assert seen >= {"carrier_eye_filter", "carrier_eye_on_already", *SCANS}


# -- a wrong account is found ----------------------------------------------------------------


@dataclass
class OtherCards:
    """Draws as they were, but for one field of carrier 3 and of insert 3."""

    draws: Draws
    field: str
    more: float
    of_inserts: bool

    def phases(self) -> Phases:
        return self.draws.phases()

    def carriers(self) -> Iterator[CarrierDraw]:
        cards = map(CarrierDraw._make, self.draws.carriers())
        return cards if self.of_inserts else self._changed(cards)

    def inserts(self, feeder: int) -> Iterator[InsertDraw]:
        cards = map(InsertDraw._make, self.draws.inserts(feeder))
        return self._changed(cards) if self.of_inserts else cards

    def _changed(self, cards: Iterator[CarrierDraw | InsertDraw]) -> Iterator[object]:
        for number, card in enumerate(cards):
            more = {self.field: getattr(card, self.field) + self.more} if number == 3 else {}
            yield card._replace(**more)


def steady() -> Machine:
    what = machines.spread_feeder(
        servo=machines.LAGGING, clutch=machines.Clutch(False, 0.02, 0.02), eye=machines.NOISY_EYE
    )
    return machines.machine(
        what, carriers=machines.spread_carriers(), carrier_eye=machines.NOISY_EYE
    )


@pytest.mark.parametrize(
    ("field", "more", "of_inserts"),
    [
        ("slip_mm", 0.01, True),
        ("slip_mm", 0.01, False),
        ("seen_edge_mm", 0.01, True),
        ("seen_edge_mm", 0.01, False),
        ("eye_delay_s", 1e-5, True),
        ("eye_delay_s", 1e-5, False),
    ],
)
def test_a_planted_difference_of_a_card_is_found(field: str, more: float, of_inserts: bool) -> None:
    line = steady()
    draws = RunDraws(line, 1)
    other = OtherCards(draws, field, more, of_inserts)
    source = source_of(line, draws, carriers=6, told_of=other)
    with pytest.raises(AssertionError):
        check_planted(line, story_of(source, 3))
    check_planted(line, story_of(source, 5))


def check_planted(line: Machine, story: Story) -> None:
    errors(story)
    check_bounds(line, 0, story)
    held = next(p for p in story.parts if p.key == "carrier_eye_held")
    assert held.delay_s == pytest.approx(0.0, abs=1e-12)  # carriers are far apart


def test_draws_of_another_run_are_refused() -> None:
    line = steady()
    with pytest.raises(ValueError, match="not those of the run"):
        source_of(line, RunDraws(line, 1), carriers=6, told_of=RunDraws(line, 2))
