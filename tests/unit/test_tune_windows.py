"""Windows against brute force: every value looked at, on lines made up of formulas."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from itertools import product

import pytest

from feedsim.answers.tune.study.knob import AS_IS, Knob, along
from feedsim.answers.tune.study.outcome import front_setups
from feedsim.answers.tune.study.setup_at_speed import SetupAtSpeed, descend
from feedsim.answers.tune.study.space import Setup
from feedsim.answers.tune.study.windows import Turning, moved, windows

Times = Callable[[Sequence[float]], float]


def knob(key: str, low: float, high: float, step: float, now: float) -> Knob:
    count = round((high - low) / step) + 1
    numbers = tuple(low + step * place for place in range(count))
    texts = tuple(f"{number:g} mm" for number in numbers)
    return Knob(key, texts, numbers, "length", f"{now:g} mm", now, (0.0,) * count)


WORDS = Knob("eye", ("latched", "polled", "scanned"), (), None, "scanned", None, (0.0,) * 3)
STAGE, GAP = knob("stage", 40.0, 100.0, 1.0, 60.5), knob("gap", 20.0, 80.0, 0.5, 50.0)


def valley(values: Sequence[float]) -> float:
    """A stage between two hazards that a wider gap moves: accepted for 33 + g/5 < s < 70 + g/4."""
    stage, gap = values
    return math.exp(max(33.0 + gap / 5.0 - stage, stage - 70.0 - gap / 4.0) / 3.0)


def asked(knobs: Sequence[Knob], times: Times) -> Callable[[Sequence[Setup]], list[SetupAtSpeed]]:
    def looks(setups: Sequence[Setup]) -> list[SetupAtSpeed]:
        return [SetupAtSpeed(times(numbers(knobs, one)), "hazard", 0.0, 1.0) for one in setups]

    return looks


def numbers(knobs: Sequence[Knob], setup: Setup) -> list[float]:
    pairs = zip(knobs, setup, strict=True)
    return [k.now_number or 0.0 if p == AS_IS else k.numbers[p] for k, p in pairs]


def test_the_window_of_a_knob_is_that_of_all_its_values_looked_at() -> None:
    knobs = (STAGE, GAP)
    turning = Turning.of([along(each) for each in knobs], (20, 60))  # 60 mm and 50 mm
    stage, gap = windows(turning, asked(knobs, valley), speed_mm_s=1000.0)
    held = [s for s in (*STAGE.numbers, 60.5) if valley((s, 50.0)) <= 1.0]
    assert (stage.held.low, stage.held.high) == (f"{min(held):g} mm", f"{max(held):g} mm")
    held = [g for g in GAP.numbers if valley((60.0, g)) <= 1.0]
    assert (gap.held.low, gap.held.high) == (f"{min(held):g} mm", f"{max(held):g} mm")
    assert gap.had == ("20 mm", "80 mm")
    again = [s for s in STAGE.numbers if any(valley((s, g)) <= 1.0 for g in GAP.numbers)]
    assert (stage.retuned.low, stage.retuned.high) == (f"{min(again):g} mm", f"{max(again):g} mm")
    assert stage.held.binds == ("hazard", "hazard")


def test_what_may_not_be_chosen_is_not_chosen_as_the_others_are_retuned() -> None:
    knobs = (STAGE, GAP)
    turning = Turning.of([along(each) for each in knobs], (20, 60))
    wide = GAP.numbers.index(60.0)
    stage, _ = windows(
        turning, asked(knobs, valley), speed_mm_s=1000.0, allowed=lambda s: s[1] <= wide
    )
    again = [s for s in STAGE.numbers if any(valley((s, g)) <= 1.0 for g in GAP.numbers if g <= 60)]
    assert stage.retuned.high == f"{max(again):g} mm"


def test_words_are_looked_at_one_by_one() -> None:
    def looks(setups: Sequence[Setup]) -> list[SetupAtSpeed]:
        fine = {0: 0.1, 1: 2.0, 2: 0.9}
        return [SetupAtSpeed(fine[setup[0]], "scan", 0.0, 1.0) for setup in setups]

    (window,) = windows(Turning.of([along(WORDS)], (0,)), looks, speed_mm_s=1.0)
    assert window.held.accepted == ("latched", "scanned")
    assert window.held.low is None


def test_where_the_best_itself_is_refused_nothing_is_said_to_be_accepted() -> None:
    looks = asked((STAGE,), lambda _: 2.0)
    (window,) = windows(Turning.of([along(STAGE)], (20,)), looks, speed_mm_s=1.0)
    assert (window.low, window.high, window.retuned.low) == (None, None, None)


@pytest.mark.parametrize(("low", "high"), [(50.0, 74.0), (47.0, 90.0), (60.0, 60.0), (40.0, 100.0)])
def test_simulation_moves_the_ends_to_where_it_finds_them(low: float, high: float) -> None:
    """The closed forms say 43 to 82.5; simulation, made up here, says otherwise."""
    knobs = (STAGE, GAP)
    turning = Turning.of([along(each) for each in knobs], (20, 60))
    found = windows(turning, asked(knobs, valley), speed_mm_s=1000.0)

    def met(setups: Sequence[Setup]) -> list[bool]:
        return [low <= numbers(knobs, setup)[0] <= high for setup in setups]

    stage, _ = moved(turning, found, met)
    assert stage.low is not None
    assert stage.high is not None
    # 62 values: to within one of them
    assert abs(float(stage.low.split()[0]) - low) <= 1.0
    assert abs(float(stage.high.split()[0]) - high) <= 1.0
    assert met([turning.turned(0, along(STAGE).step_of(AS_IS))]) == [low <= 60.5 <= high]


def test_the_search_steps_to_the_least_value_of_a_bowl() -> None:
    def bowl(many: Sequence[tuple[int, ...]]) -> list[float]:
        return [(a - 37) ** 2 + (b - 5) ** 2 + 0.5 * (a - 37) * (b - 5) for a, b in many]

    found, value = descend(bowl, (0, 0), (100, 10))
    assert (found, value) == ((37, 5), 0.0)
    assert descend(bowl, (0, 0), (100, 1))[0][1] == 0  # that one is held


def test_a_front_has_the_least_spread_of_all_that_is_accepted() -> None:
    knobs = (STAGE, knob("cycle", 1.0, 4.0, 1.0, 4.0))

    def look(setup: Setup, speed: float) -> SetupAtSpeed:
        stage, cycle = numbers(knobs, setup)
        return SetupAtSpeed(
            stage / 100.0 * speed / 1000.0, "h", stage / 1e4, cycle * (2.0 - stage / 100.0)
        )

    def looks(setups: Sequence[Setup], speed: float) -> list[SetupAtSpeed]:
        return [look(setup, speed) for setup in setups]

    speeds = [800.0, 1600.0]
    rows = [along(each) for each in knobs]
    found = front_setups(rows, (0, 0), speeds, "spread", looks)
    for setup, speed in zip(found, speeds, strict=True):
        every = [look((a, b), speed) for a, b in product(range(61), range(4))]
        least = min(one.sd_mm for one in every if one.times <= 1.0)
        assert look(setup, speed).sd_mm == pytest.approx(least, abs=2e-4)
    risk = front_setups(rows, (0, 0), speeds, "jam_risk", looks)
    assert [setup[0] for setup in risk] == [0, 0]
