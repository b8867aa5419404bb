"""What tests of stories share: a line that is easy to work out by hand, and how to ask for parts.

The line: v = 1000 mm/s, so that t in ms is travel in mm; virtual master, no ticks, no counts, no
ramps, rigid, eyes at once: an act comes exactly where its point is. D = 400, S = 120, stage 60,
target 20, inserts every 155.6 mm. Right are E = 420 − 60/g and U = 60/g without leads.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import pytest

from feedsim.answers.explain.study.record import ErrorPart, Story
from feedsim.answers.explain.study.run import source_for
from feedsim.answers.explain.study.source import StorySource
from feedsim.answers.explain.study.story import story_of
from feedsim.criteria import Criteria
from feedsim.draws.line_draws import Draws
from feedsim.machine import Encoder, Eye, Machine
from feedsim.quantities import System
from feedsim.scenario import Scenario
from feedsim.settings.solve import solve
from feedsim.simulation.line import simulate_traced
from tests import machines
from tests.machines import with_feeder
from tests.unit.written_draws import WrittenDraws, evenly

CRITERIA = Criteria(1.5, 0.99, 0.01, 0.01, 0.05, 0.0)
SUM_MM = 1e-9
EDGES = (300.0, 600.0, 900.0)
AUTO = dict.fromkeys(
    ("engage_distance_mm", "engage_lead_s", "disengage_distance_mm", "disengage_lead_s"), math.nan
)


def source_of(
    line: Machine, draws: Draws, *, carriers: int, told_of: Draws | None = None
) -> StorySource:
    """Return a run to tell stories of, of other draws maybe than those it was made with."""
    records, trace = simulate_traced(line, draws, carriers=carriers)
    names = [f"feeder {i}" for i in range(len(line.feeders))]
    return StorySource(
        line, told_of or draws, records=records, trace=trace, criteria=CRITERIA, names=names
    )


def explain(scenario: Scenario, carrier: int, *, units: System = "metric") -> list[Story]:
    """Tell the story of one carrier of a scenario, at each feeder."""
    source = source_for(scenario, carrier)
    every = range(len(source.feeders))
    return [story_of(source, carrier, feeder=number, units=units) for number in every]


def told(line: Machine, draws: Draws, *, carrier: int = 1, carriers: int = 3) -> Story:
    return story_of(source_of(line, draws, carriers=carriers), carrier)


def errors(story: Story) -> dict[str, float]:
    """Return the parts that are not nothing; that they add up to the recorded error is checked."""
    recorded = story.placement_error_mm
    assert recorded is not None
    assert math.fsum(p.error_mm for p in story.parts) == pytest.approx(recorded, abs=SUM_MM)
    assert story.sum_of_parts_mm == pytest.approx(recorded, abs=SUM_MM)
    return {p.key: p.error_mm for p in story.parts if abs(p.error_mm) > SUM_MM}


def part(story: Story, key: str) -> ErrorPart:
    return next(p for p in story.parts if p.key == key)


def plain(g: float = 1.0, error: float = 0.0, **changes: object) -> Machine:
    """Return the line above with its settings solved; ``error``: scale error of the encoder."""
    feeder = machines.feeder(eye=Eye(), settings=machines.settings(speed_ratio=g))
    base = {"carrier_eye": Eye(), "encoder": Encoder(0.0, error), **changes}
    return machines.machine(feeder, **base)


def with_settings(line: Machine, **changes: object) -> Machine:
    settings = replace(line.feeders[0].settings, **changes)  # type: ignore[arg-type]
    return solve(with_feeder(line, settings=settings))


def draws_of(line: Machine, edges: Sequence[float] = EDGES, **phases: float) -> WrittenDraws:
    """Return draws without noise, the first inserts as cards of their own."""
    draws = evenly(line, edges)
    card, pitch = draws.insert_cards[0][0], draws.pitches_mm[0]
    cards = [card._replace(nose_mm=i * pitch, seen_edge_mm=i * pitch) for i in range(4)]
    return replace(draws, insert_cards=[cards], phase=draws.phase._replace(**phases))


def carrier_with(draws: WrittenDraws, number: int = 1, **more: float) -> WrittenDraws:
    """Return draws in which fields of one carrier are more by so much."""
    cards = list(draws.carrier_cards)
    card = cards[number]
    cards[number] = card._replace(**{k: getattr(card, k) + v for k, v in more.items()})
    return replace(draws, carrier_cards=cards)


def insert_with(draws: WrittenDraws, number: int = 1, **more: float) -> WrittenDraws:
    """Return draws in which fields of one insert are more by so much."""
    cards = list(draws.insert_cards[0])
    card = cards[number]
    cards[number] = card._replace(**{k: getattr(card, k) + v for k, v in more.items()})
    return replace(draws, insert_cards=[cards])
