"""The product before a run: which inserts overlap, and whether the gate is in time."""

from __future__ import annotations

import math
from collections.abc import Iterator

from feedsim.answers.check.study.checked_feeder import SIGMAS, CheckedFeeder
from feedsim.criteria import AllowedOverlap
from feedsim.metrics.overlaps import all_pairs, nominal_overlap_mm
from feedsim.running.run import criteria_of
from feedsim.scenario import Scenario
from feedsim.settings.overlap import expected_overlap

_MOST = 20


def product_words(scenario: Scenario, checked: list[CheckedFeeder]) -> Iterator[str]:
    """Say which inserts lie on which, and when the gate must know."""
    recipe = criteria_of(scenario).recipe
    pairs = all_pairs(checked[0].machine, recipe)
    told = [pair for pair in pairs if pair in recipe.pairs or _nominal(checked, pair) > 0.0]
    for pair in told[:_MOST]:
        yield _pair_words(checked, pair)
    if checked[0].machine.divert is not None:
        yield _gate_words(checked)


def _nominal(checked: list[CheckedFeeder], pair: AllowedOverlap) -> float:
    return nominal_overlap_mm(checked[pair.below].feeder, checked[pair.above].feeder)


def _pair_words(checked: list[CheckedFeeder], pair: AllowedOverlap) -> str:
    s, over = checked[0], _nominal(checked, pair)
    below, above = (s.scenario.feeder[number].name for number in (pair.below, pair.above))
    if over > 0.0:
        return f"On target the insert of {above} lies on that of {below} by {s.say(over)}."
    return f"On target the inserts of {below} and {above} lie {s.say(-over)} clear of each other."


def _gate_words(checked: list[CheckedFeeder]) -> str:
    s = checked[0]
    divert = s.machine.divert
    assert divert is not None  # noqa: S101 - the caller has looked
    head = f"The divert gate at {s.say(divert.at_mm)} must be told by {s.say(_by_mm(s))} of belt"
    misses = (
        f"a miss of {s.scenario.feeder[one.number].name} is known at {s.say(_known_mm(one))}"
        for one in checked[:_MOST]
    )
    return f"{head} travel {s.at_speed}; {'; '.join(misses)}."


def _by_mm(s: CheckedFeeder) -> float:
    """Return how far a carrier may have come when the gate gets its signal (mm of belt travel)."""
    divert = s.machine.divert
    assert divert is not None  # noqa: S101 - the caller has looked
    return divert.decide_at_mm - divert.gate_time_s * s.speed


def _known_mm(s: CheckedFeeder) -> float:
    """Return how far a carrier has come as its mark is acted on (mm), a whole cycle late.

    Misses that were known sooner (late marks, a full memory) are left out: these are the last.
    """
    cycle = s.machine.controller.motion_cycle_s
    travel = s.here.engage_travel_mm
    return travel * s.here.scale + cycle * s.speed


def product_warnings(scenario: Scenario, checked: list[CheckedFeeder]) -> Iterator[str]:
    """Warn of overlaps that the recipe does not allow, and of a gate that learns too late."""
    recipe = criteria_of(scenario).recipe
    if len(checked) > 1:
        for pair in all_pairs(checked[0].machine, recipe):
            yield from _overlap_warnings(checked, pair)
    if checked[0].machine.divert is not None:
        yield from _gate_warnings(checked)


def _overlap_warnings(checked: list[CheckedFeeder], pair: AllowedOverlap) -> Iterator[str]:
    s = checked[0]
    most, least = ("at most", "at least"), ("at least", "at most")  # of an overlap, a clearance
    limits = ((pair.max_overlap_mm, 1.0, most), (pair.min_overlap_mm, -1.0, least))
    if not any(math.isfinite(limit) for limit, _, _ in limits):
        return
    names = " and ".join(s.scenario.feeder[number].name for number in (pair.below, pair.above))
    mean, spread = expected_overlap(s.machine, pair, speed=s.speed)
    for limit, side, words in limits:
        room = side * (limit - mean)
        if not math.isfinite(limit) or room >= SIGMAS * spread:
            continue
        wanted = f"[product] wants {words[limit < 0.0]} {_overlap(s, limit)}"
        if room < 0.0:
            yield (
                f"The inserts of {names} lie {_overlap(s, mean)} on average, and {wanted}: most "
                f"products are wrong. Move a target_offset, or change the recipe."
            )
        else:
            yield (
                f"The inserts of {names} lie {_overlap(s, mean)} on average, and {wanted}: that is "
                f"only {room / spread:.1f} standard deviations of {s.say(spread)} away."
            )


def _overlap(s: CheckedFeeder, value: float) -> str:
    if value > 0.0:
        return f"{s.say(value)} on each other"
    return f"{s.say(-value)} clear" if value < 0.0 else "edge to edge"


def _gate_warnings(checked: list[CheckedFeeder]) -> Iterator[str]:
    s = checked[0]
    divert, by = s.machine.divert, _by_mm(s)
    assert divert is not None  # noqa: S101 - the caller has looked
    needs = criteria_of(s.scenario).recipe.needs or tuple(range(len(checked)))
    for one in checked:
        known = _known_mm(one)
        if known <= by or not (divert.doubled or (divert.missed and one.number in needs)):
            continue
        name = s.scenario.feeder[one.number].name
        further = s.say(divert.at_mm + known - by, digits=4)
        yield (
            f"What {name} misses is known only {s.say(known)} after the carrier eye, and the "
            f"divert gate must be told by {s.say(by)} {s.at_speed}: it comes too late, and the "
            f"product passes. Put the gate at {further} or further, make it faster, or slow down."
        )
    doubles = [
        s.scenario.feeder[one.number].name
        for one in checked
        if one.feeder.inserts.double and not one.feeder.double_check.finds
    ]
    if divert.doubled and doubles:
        yield (
            f"Nobody tells the divert gate of a double at {' and '.join(doubles)}: its "
            f"double_check finds none. Such products pass."
        )
