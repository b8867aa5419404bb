"""Jumps land on what they are called after, in order, with nothing left out."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from feedsim.answers.rehearse.page.page import rehearse_page
from feedsim.answers.rehearse.study.choice import ShownCarriers
from feedsim.answers.rehearse.study.scene import scene
from feedsim.answers.rehearse.study.scene_events import SceneEvent
from feedsim.records.columns import RunRecords
from feedsim.records.outcome import Outcome
from feedsim.records.trace import Trace
from feedsim.running.run import trace
from feedsim.scenario import Scenario, load_scenario
from tests.unit.story_cases import explain

SCENARIOS = Path(__file__).parents[2] / "scenarios"
CHOSEN = (40, 90)
ROUGH = (
    'line.speed="150 m/min"',
    "run.carriers=200",
    "feeder.0.insert.misfeed=4 %",
    "feeder.0.eye.missed=8 %",
    "carrier_eye.missed=8 %",
)


def engine(
    overrides: tuple[str, ...], name: str = "membership_card"
) -> tuple[Scenario, RunRecords, Trace]:
    scenario = load_scenario(SCENARIOS / f"{name}.toml", overrides=overrides)
    return scenario, *trace(scenario)


def walk(browser: Any, key: str, back: str) -> list[float]:
    """Press a key until nothing changes, from the beginning; then back again the same way."""
    browser.js("rehearsal.clock.set(rehearsal.clock.from)")
    found = []
    while True:
        before = browser.js("return rehearsal.clock.at")
        browser.keys(key)
        at = browser.js("return rehearsal.clock.at")
        if at == before:
            break
        found.append(at)
    returned = [found[-1]] if found else []
    for _ in found[1:]:
        browser.keys(back)
        returned.append(browser.js("return rehearsal.clock.at"))
    assert returned == found[::-1]
    return found


def inside(browser: Any, times: Any) -> list[float]:
    from_s, to_s = browser.js("return [rehearsal.setups[0].from_s, rehearsal.setups[0].to_s]")
    return sorted({float(t) for t in times if from_s < t <= to_s})


def test_misses_and_hazards_in_order(browser: Any, page_of: Callable[..., Path]) -> None:
    browser.open(page_of("membership_card", ROUGH, chosen=CHOSEN))
    _, records, kept = engine(ROUGH)
    rows = records.feeders[0]
    causes = {outcome.cause for outcome in Outcome}
    given_up = [e.time_s for e in kept.events if e.part == "feeder.0.program" and e.event in causes]
    missed = walk(browser, "m", "M")
    assert missed == inside(browser, given_up)
    assert len(missed) > 3
    # hazards of this line: tails held (README: from 126.8 m/min on), strays, and nothing else
    held = rows.opening_time_s[rows.tail_mm < 100.0]
    strays: dict[int, float] = {}
    for e in kept.events:
        if e.event == "stray":
            strays.setdefault(e.carrier, e.time_s)
    hazards = walk(browser, "h", "H")
    doubles = rows.engage_time_s[rows.double == 1]
    assert hazards == inside(browser, [*held, *strays.values(), *doubles])
    assert len(held) > 3
    assert len(strays) > 3


def test_a_jump_shows_the_carrier_and_says_what_happened(
    browser: Any, page_of: Callable[..., Path]
) -> None:
    browser.open(page_of("membership_card", ROUGH, chosen=CHOSEN))
    scenario, records, kept = engine(ROUGH)
    browser.js("rehearsal.clock.set(rehearsal.clock.from)")
    browser.keys("m")
    at = browser.js("return rehearsal.clock.at")
    (event,) = [e for e in kept.events if e.part == "feeder.0.program" and e.time_s == at]
    cause = Outcome(int(records.feeders[0].outcome[event.carrier])).cause.replace("_", " ")
    assert browser.text("#said") == f"carrier {event.carrier} missed: {cause}"
    assert browser.text("#story-head") == f"Carrier {event.carrier}"
    assert f"missed: {cause}" in browser.text("#story")
    why = explain(scenario, event.carrier)[0].reason
    assert browser.text("#reasons") == " ".join(why)
    browser.keys("\ue012")  # left: an event before it is known
    assert browser.text("#reasons") == ""


def test_every_event_is_stepped_on(browser: Any, page_of: Callable[..., Path]) -> None:
    browser.open(page_of("membership_card", ROUGH, chosen=(40, 42)))
    _, _, kept = engine(ROUGH)
    steps = walk(browser, "\ue014", "\ue012")  # right, left
    assert steps == inside(browser, [e.time_s for e in kept.events])
    browser.js("rehearsal.clock.set(rehearsal.clock.from)")
    browser.keys("\ue014")
    first = min(
        e for e in kept.events if e.time_s > browser.js("return rehearsal.setups[0].from_s")
    )
    words = {
        "switches": "carrier eye switches",
        "known": "mark known",
        "closes": "clutch closes",
        "lands": "insert lands",
        "opens": "clutch opens",
        "staged": "next insert staged",
    }
    assert words[first.event] in browser.text("#said")


def test_an_event_of_the_story_is_gone_to(browser: Any, page_of: Callable[..., Path]) -> None:
    browser.open(page_of("membership_card", (), chosen=(40, 46)))
    _, records, _ = engine(("run.carriers=200",))
    browser.js("rehearsal.clock.set(rehearsal.clock.from)")
    for _ in range(60):
        if browser.text("#story-head") == "Carrier 43":
            break
        browser.keys("c")
    button = '#events button[aria-label*="insert lands"]'
    assert browser.js("return document.querySelectorAll(arguments[0]).length", button) == 1
    browser.click(button)
    assert browser.js("return rehearsal.clock.at") == records.feeders[0].placement_time_s[43]
    error = records.feeders[0].placement_error_mm[43]
    assert f"{abs(error):.3f} mm" in browser.text("#story")


@pytest.mark.parametrize("kind", ["miss", "outside", "hazard", "stop"])
def test_what_is_not_there_cannot_be_jumped_to_and_says_why(
    kind: str, browser: Any, page_of: Callable[..., Path]
) -> None:
    browser.open(page_of("membership_card", (), chosen=(40, 46)))
    button = f'[data-do="{kind}-next"]'
    assert browser.attribute(button, "aria-disabled") == "true"
    reason = browser.attribute(button, "title")
    assert reason is not None
    assert "among the chosen" in reason
    before = browser.js("return rehearsal.clock.at")
    browser.click(button)
    assert browser.text("#said") == reason
    assert browser.js("return rehearsal.clock.at") == before


def test_a_stop_is_jumped_to(browser: Any, tmp_path: Path) -> None:
    """A stop put into the scene by hand, as an engine that can stop would give it."""
    scenario = load_scenario(SCENARIOS / "membership_card.toml")
    shown = scene(scenario, ShownCarriers(range(40, 46)), name="")
    at = shown.from_s + 0.75
    stop = SceneEvent(at, "stop", "no_insert", carrier=42, feeder=0, margin=math.nan)
    page = tmp_path / "rehearse.html"
    page.write_text(rehearse_page([replace(shown, happenings=(stop,))]), "utf-8")
    browser.open(page)
    assert walk(browser, "s", "S") == [at]
    browser.js("rehearsal.clock.set(rehearsal.clock.from)")
    browser.click('[data-do="stop-next"]')
    assert browser.js("return rehearsal.clock.at") == at
    assert browser.text("#said") == "line stops: no insert, carrier 42"
    assert browser.console() == []


def test_a_line_that_stands_says_so_and_why_and_play_can_skip_it(
    browser: Any, page_of: Callable[..., Path]
) -> None:
    browser.open(page_of("stops", (), chosen=(296, 304)))
    _, records, _ = engine((), "stops")
    (stop,) = [s for s in records.stops if s.carrier == 299 or 299 in s.lost[0]]
    browser.click('[data-do="stop-next"]')
    assert browser.js("return rehearsal.clock.at") == stop.time_s
    assert browser.text("#story-head") == f"Carrier {stop.carrier}"
    label = "return document.getElementById('picture-0').getAttribute('aria-label')"
    browser.drawn_at(stop.at_rest_s + 3.0)
    whole = stop.restarted_s - stop.time_s
    since = stop.at_rest_s + 3.0 - stop.time_s
    said = f"STOPPED: jam (carrier jam), {since:.1f} s of {whole:.1f} s"
    assert said in browser.js(label)
    assert browser.text("#said") == ""  # it was said of another instant
    tick = "rehearsal.clock.tick(0.01); return rehearsal.clock.at"
    assert browser.js(tick) < stop.restarted_s
    browser.click("#skip")
    assert browser.js(tick) == stop.restarted_s
    browser.drawn_at(stop.restarted_s + 0.2)
    assert "STOPPED" not in browser.js(label)
    assert browser.console() == []


def test_what_lies_out_of_tolerance_has_its_own_mark_and_jump(
    browser: Any, page_of: Callable[..., Path]
) -> None:
    tight = ("run.carriers=200", 'acceptance.placement_tolerance="0.4 mm"')
    browser.open(page_of("membership_card", tight, chosen=CHOSEN))
    _, records, _ = engine(tight)
    rows = records.feeders[0]
    outside = np.flatnonzero(np.abs(rows.placement_error_mm) > 0.4)
    assert walk(browser, "t", "T") == inside(browser, rows.placement_time_s[outside])
    browser.js("rehearsal.clock.set(rehearsal.clock.from)")
    browser.keys("t")
    number = int(browser.text("#story-head").removeprefix("Carrier "))
    error = f"{abs(rows.placement_error_mm[number]):.3f} mm"
    assert number in outside
    assert browser.text("#said").startswith(f"carrier {number} out of tolerance: ")
    assert browser.text("#said").endswith(error)
    assert "exceeded" in browser.text("#story")


def test_every_sign_is_told_of(browser: Any, page_of: Callable[..., Path]) -> None:
    browser.open(page_of("membership_card", (), chosen=(40, 42)))
    browser.keys("?")
    told = browser.text("#sign-list")
    for words in ("mark known", "clutch closes", "insert lands", "missed", "of a stray insert"):
        assert words in told
    drawn = browser.js(
        "return [...document.querySelectorAll('#sign-list canvas')].map((c) =>"
        " c.getContext('2d').getImageData(0, 0, 20, 20).data.some((v) => v > 0))"
    )
    assert len(drawn) == 9
    assert all(drawn)


def test_differences_between_two_setups(browser: Any, page_of: Callable[..., Path]) -> None:
    quiet, rough = ("run.carriers=200",), ("run.carriers=200", "feeder.0.eye.missed=8 %")
    browser.open(page_of("membership_card", quiet, rough, chosen=CHOSEN))
    (_, one, _), (_, other, _) = engine(quiet), engine(rough)
    found = walk(browser, "d", "D")
    a, b = one.feeders[0], other.feeders[0]
    strays = b.strays > 0
    unlike = [k for k in range(*CHOSEN) if a.outcome[k] != b.outcome[k] or strays[k]]
    assert len(found) == len(unlike) > 3
    browser.js("rehearsal.clock.set(rehearsal.clock.from)")
    browser.keys("d")
    assert browser.text("#said") == f"carrier {unlike[0]} turns out differently"
    heads = browser.js(
        "return [...document.querySelectorAll('#story thead th')].map((h) => h.textContent)"
    )
    assert heads == ["A", "B"]


def test_totals_run_along(browser: Any, page_of: Callable[..., Path]) -> None:
    browser.open(page_of("membership_card", ROUGH, chosen=CHOSEN))
    _, records, _ = engine(ROUGH)
    rows = records.feeders[0]
    for share in (0.0, 0.3, 0.7, 1.0):
        t = browser.js(
            "const c = rehearsal.clock; return c.from + arguments[0] * (c.to - c.from)", share
        )
        browser.drawn_at(t)
        cells = dict(
            browser.js(
                "return [...document.querySelectorAll('#totals tr')]"
                ".map((r) => [...r.cells].map((c) => c.textContent.trim()))"
            )
        )
        placed = rows.placement_time_s <= t
        errors = rows.placement_error_mm[placed]
        assert cells["carriers at the eye"] == str(
            np.count_nonzero(records.carriers.eye_time_s <= t)
        )
        assert cells["placed"] == str(np.count_nonzero(placed))
        mean = cells["mean error"].replace("\u2212", "-").split()[0]
        assert float(mean) == pytest.approx(errors.mean(), abs=0.00051)
        sd = cells["sd of the error"].split()[0]
        assert float(sd) == pytest.approx(errors.std(ddof=1), abs=0.00051)


def test_the_parts_of_an_error_are_those_that_explain_tells(
    browser: Any, page_of: Callable[..., Path]
) -> None:
    """Each bar is a part of the story, to the micrometre, and they end at the placement error."""
    browser.open(page_of("membership_card", ROUGH, chosen=CHOSEN))
    scenario, records, _ = engine(ROUGH)
    rows = records.feeders[0]
    placed = np.flatnonzero(rows.outcome == 0)
    for carrier in placed[(placed >= CHOSEN[0]) & (placed < CHOSEN[1])][:4].tolist():
        landed = float(rows.placement_time_s[carrier])
        browser.js("rehearsal.page.chosen = arguments[0]", carrier)
        browser.drawn_at(landed - 1e-3)
        assert browser.js("return rehearsal.errors()[0].why") == "has no insert yet"
        browser.drawn_at(landed + 1e-6)
        (shown,) = browser.js("return rehearsal.errors()")
        parts = {p.name: p.error_mm for p in explain(scenario, carrier)[0].parts}
        *bars, whole = shown["bars"]
        assert whole == {"name": "placement error", "mm": shown["mm"], "whole": True}
        assert shown["mm"] == pytest.approx(float(rows.placement_error_mm[carrier]), abs=1e-9)
        told = [bar for bar in bars if "smaller" not in bar["name"]]
        assert len(told) >= 3
        for bar in told:
            name = bar["name"].removeprefix("stage: ")
            assert bar["mm"] == pytest.approx(parts[name], abs=1e-5), name
        largest = sorted(map(abs, parts.values()))[-len(told) :]
        assert sorted(abs(bar["mm"]) for bar in told) == pytest.approx(largest, abs=1e-5)
        assert sum(bar["mm"] for bar in bars) == pytest.approx(shown["mm"], abs=1e-6)
        label = browser.attribute("#error", "aria-label")
        late = "late" if shown["mm"] > 0 else "early"
        assert f"carrier {carrier}: placed {abs(shown['mm']):.3f} mm {late}" in label


def test_a_miss_has_no_landing_and_says_so(browser: Any, page_of: Callable[..., Path]) -> None:
    browser.open(page_of("membership_card", ROUGH, chosen=CHOSEN))
    browser.js("rehearsal.clock.set(rehearsal.clock.from)")
    browser.keys("m")
    assert "was missed: no insert landed on it" in browser.attribute("#error", "aria-label")


def test_the_way_of_a_stray_is_drawn(browser: Any, page_of: Callable[..., Path]) -> None:
    """From its eye to where the feed carries it, in the colour of what is bad."""
    browser.open(page_of("membership_card", ROUGH, chosen=CHOSEN))
    _, _, kept = engine(ROUGH)
    from_s, to_s = browser.js("return [rehearsal.setups[0].from_s, rehearsal.setups[0].to_s]")
    stray = next(e for e in kept.events if e.event == "stray" and from_s + 0.2 < e.time_s < to_s)
    (drawn,) = browser.drawn_at(stray.time_s + 0.03)
    (card,) = [i for i in drawn["feeders"][0]["inserts"] if i["number"] == stray.insert]
    assert card["stray"]
    assert 0 < card["nose_mm"] < 120.0
    reach = browser.js("return rehearsal.setups[0].feeders[0].geometry.eye_to_placement_mm")
    beyond = (reach + 30.0 - drawn["left_mm"]) * drawn["scale"]  # on the belt, where it is going
    assert browser.js(RED, beyond, drawn["top"] - 8, drawn["top"]) > 0
    later = browser.drawn_at(stray.time_s - 0.5)[0]
    assert not any(i["stray"] and i["nose_mm"] > 0 for i in later["feeders"][0]["inserts"])
    assert browser.js(RED, beyond, drawn["top"] - 8, drawn["top"]) == 0


RED = """
const [x, top, bottom] = arguments;
const canvas = document.getElementById("picture-0");
const pen = canvas.getContext("2d");
const { data } = pen.getImageData(x - 6, top, 24, bottom - top);
const bad = rehearsal.page.ink.bad.match(/[0-9a-f]{2}/g).map((h) => parseInt(h, 16));
let found = 0;
for (let i = 0; i < data.length; i += 4)
  found += bad.every((c, k) => Math.abs(data[i + k] - c) < 30);
return found;
"""
