"""What the page draws is where the engine has it, to a thousandth of a micrometre."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from feedsim.draws.line_draws import InsertDraw, RunDraws
from feedsim.motion.master import Master
from feedsim.running.run import machine_of
from feedsim.scenario import load_scenario
from feedsim.simulation.line import simulate_traced

SCENARIOS = Path(__file__).parents[2] / "scenarios"
SAME_MM = 1e-6
BUSY = ("feeder.0.insert.misfeed=5 %", "feeder.0.insert.double=5 %", "feeder.0.eye.missed=5 %")


class Engine:
    """The engine's own run of a scenario, and where its cards are at any time."""

    def __init__(self, file: str, overrides: tuple[str, ...], *, carriers: int) -> None:
        scenario = load_scenario(SCENARIOS / f"{file}.toml", overrides=overrides)
        self.machine = machine_of(scenario)
        self.draws = RunDraws(self.machine, scenario.seed)
        self.records, self.trace = simulate_traced(self.machine, self.draws, carriers=carriers)
        self.slips = [
            card[3] for card, _ in zip(self.draws.carriers(), range(carriers), strict=False)
        ]
        self.inserts = [
            [
                InsertDraw(*card)
                for card, _ in zip(self.draws.inserts(j), range(carriers + 60), strict=False)
            ]
            for j in range(len(self.machine.feeders))
        ]

    def carrier(self, number: int, t: float) -> float:
        """Return the leading edge from the eye: the slip is taken up from tail at the eye to D."""
        x = self.trace.belt.position(t) - float(self.records.carriers.leading_edge_mm[number])
        start = self.machine.carriers.length_mm
        end = min(feeder.eye_to_placement_mm for feeder in self.machine.feeders)
        start = start if start < end else 0.0
        share = min(1.0, max(0.0, (x - start) / (end - start)))
        return x - share * self.slips[number]

    def nose(self, feeder: int, number: int, t: float) -> float:
        """Return the nose from the insert eye: with the feed, once landed with the belt."""
        what, rows = self.machine.feeders[feeder], self.records.feeders[feeder]
        empty = self.machine.start_empty
        first = what.inserts.gap_mm if empty else -what.settings.stage_position_mm
        card = self.inserts[feeder][number]
        slip = 0.0
        (row,) = [*np.flatnonzero(rows.insert == number), -1][:1]
        if row >= 0:
            landed = float(rows.placement_time_s[row])
            if landed <= t:
                moved = self.trace.belt.position(t) - self.trace.belt.position(landed)
                return what.insert_eye_to_placement_mm + moved
            slip = card.slip_mm if rows.engage_time_s[row] <= t else 0.0
        return self.trace.feeds[feeder].position(t) - (first + card.nose_mm) - slip

    def reading(self, t: float) -> float:
        phases = self.draws.phases()
        return Master(
            self.trace.belt,
            self.machine.encoder,
            controller=self.machine.controller,
            phase=phases.encoder,
            ticks_phase_s=phases.ticks_s,
        ).reading(t)


def check(drawn: dict[str, Any], engine: Engine, t: float) -> int:
    """Compare one picture with the engine; return how many cards were in it."""
    assert drawn["t"] == t
    assert drawn["travel_mm"] == pytest.approx(engine.trace.belt.position(t), abs=SAME_MM)
    assert drawn["speed_mm_s"] == pytest.approx(engine.trace.belt.speed(t), abs=1e-6)
    assert drawn["reading"] == pytest.approx(engine.reading(t), abs=SAME_MM)
    for card in drawn["carriers"]:
        assert card["x_mm"] == pytest.approx(engine.carrier(card["number"], t), abs=SAME_MM)
    cards = len(drawn["carriers"])
    for number, feeder in enumerate(drawn["feeders"]):
        feed = engine.trace.feeds[number]
        assert feeder["travel_mm"] == pytest.approx(feed.position(t), abs=SAME_MM)
        assert feeder["speed_mm_s"] == pytest.approx(feed.speed(t), abs=1e-6)
        assert feeder["engagement"] == pytest.approx(feed.engagement(t), abs=1e-9)
        for insert in feeder["inserts"]:
            nose = engine.nose(number, insert["number"], t)
            assert insert["nose_mm"] == pytest.approx(nose, abs=SAME_MM), insert
            assert insert["length_mm"] == engine.inserts[number][insert["number"]].length_mm
        cards += len(feeder["inserts"])
    return cards


@pytest.mark.parametrize(
    ("file", "overrides", "chosen"),
    [
        ("membership_card", BUSY, (100, 130)),
        ("two_feeders", (), (20, 40)),
        ("from_standstill", (), (0, 60)),
        ("imperial", (), (20, 40)),
        ("bench", (), (0, 10)),
        ("membership_card", (), (3000, 3010)),  # far down the run: travels of 780 m
    ],
)
def test_at_twenty_instants_all_is_where_the_engine_has_it(
    file: str,
    overrides: tuple[str, ...],
    chosen: tuple[int, int],
    browser: Any,
    page_of: Callable[..., Path],
) -> None:
    browser.open(page_of(file, overrides, chosen=chosen))
    engine = Engine(file, overrides, carriers=chosen[1] + 40)
    from_s, to_s = browser.js("return [rehearsal.clock.from, rehearsal.clock.to]")
    cards = 0
    for i in range(20):
        at = from_s + (to_s - from_s) * (i + 0.5) / 20
        (drawn,) = browser.drawn_at(at)
        cards += check(drawn, engine, at)
    assert cards > 20 * 4


def test_two_setups_are_each_where_their_engine_has_them(
    browser: Any, page_of: Callable[..., Path]
) -> None:
    fast = ('line.speed="90 m/min"',)
    browser.open(page_of("membership_card", (), fast, chosen=(50, 70)))
    engines = [Engine("membership_card", o, carriers=110) for o in ((), fast)]
    zeros = [float(e.records.carriers.eye_time_s[50]) for e in engines]
    ends = browser.js("return rehearsal.setups.map((s) => s.to_s - s.clockZero)")
    for at in np.linspace(-0.15, min(ends), 20).tolist():
        drawn = browser.drawn_at(at)
        for picture, engine, zero in zip(drawn, engines, zeros, strict=True):
            assert picture["t"] == pytest.approx(at + zero, abs=1e-12)
            check(picture, engine, picture["t"])
    # the slower one is still on its way when the other one's carriers have gone by: that stands
    late = browser.drawn_at(max(ends))
    assert late[1]["t"] == pytest.approx(ends[1] + zeros[1], abs=1e-9)
    assert late[0]["t"] == pytest.approx(max(ends) + zeros[0], abs=1e-9)


def test_plates_stand_on_their_pixels(browser: Any, page_of: Callable[..., Path]) -> None:
    """Read from the canvas itself: where the colour of a carrier begins and ends."""
    browser.open(page_of("membership_card", (), chosen=(100, 110)))
    at = browser.js("return rehearsal.setups[0].feeders[0].rows.placement_time_s[8]") - 0.2
    (drawn,) = browser.drawn_at(at)
    found = browser.js(
        """
        const canvas = document.getElementById("picture-0");
        const ratio = canvas.width / canvas.getBoundingClientRect().width;
        const y = Math.round((rehearsal.drawn()[0].top + 5) * ratio);
        const row = canvas.getContext("2d").getImageData(0, y, canvas.width, 1).data;
        const colour = rehearsal.page.ink.carrier.match(/[0-9a-f]{2}/g).map((h) => parseInt(h, 16));
        const runs = [];
        for (let x = 0; x < canvas.width; x++) {
          const same = colour.every((c, i) => Math.abs(row[4 * x + i] - c) < 3);
          if (same && runs.at(-1)?.[1] === x - 1) runs.at(-1)[1] = x;
          else if (same) runs.push([x, x]);
        }
        return runs.map(([a, b]) => [a / ratio, (b + 1) / ratio]);
        """
    )
    length = browser.js("return rehearsal.setups[0].carrier_length_mm")
    scale, left = drawn["scale"], drawn["left_mm"]
    width = browser.js("return document.getElementById('picture-0').getBoundingClientRect().width")
    whole = 0
    for card in drawn["carriers"]:
        nose, tail = ((card["x_mm"] - back - left) * scale for back in (0.0, length))
        if tail < 2 or nose > width - 2:
            continue
        inside = [run for run in found if run[0] < nose and run[1] > tail]
        # the eye's beam or a chosen edge may part the plate; its outer ends are what counts
        assert min(a for a, _ in inside) == pytest.approx(tail, abs=2.0)
        assert max(b for _, b in inside) == pytest.approx(nose, abs=2.0)
        whole += 1
    assert whole >= 3
    assert math.isfinite(scale)
