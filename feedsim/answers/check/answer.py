"""A line looked over without running it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import ClassVar

from feedsim.answers.answer import Answer
from feedsim.answers.check.study.review import Review, review
from feedsim.answers.given import typed
from feedsim.answers.limit.study.turned import LastAccepted, near_edges
from feedsim.answers.line import Line
from feedsim.machine import SIDES, SideName
from feedsim.measures import parse
from feedsim.metrics.machine_settings import MachineSettings
from feedsim.metrics.plain import Plain, as_object
from feedsim.quantities import System, display
from feedsim.render.layout import items
from feedsim.render.wording import counted
from feedsim.scenario import Scenario


@dataclass(frozen=True, slots=True, repr=False)
class Check(Answer):
    """What an experienced eye would say of a line.

    ``review``: geometry in words, the settings that ``"auto"`` stands for, and warnings.
    ``edges``: values close to the edge of acceptance, in closed form.
    """

    line: Line
    review: Review
    edges: tuple[LastAccepted, ...]
    name: ClassVar[str] = "check"

    @property
    def warnings(self) -> list[str]:
        """All warnings, of the line and of each feeder."""
        return [*self.review.warnings, *(w for f in self.review.feeders for w in f.warnings)]

    def plain(self) -> Mapping[str, Plain]:
        """Return geometry, settings and warnings as data."""
        return as_object(self.review)

    def _text(self, units: System) -> str:
        seen = self.review
        if units != "metric":
            seen = _reviewed(self.line.scenario, self.edges, units)
        return "\n".join(_lines(seen, units))


@typed
def check(line: Line) -> Check:
    """Check a line without running it.

    Examples
    --------
    >>> import feedsim
    >>> len(feedsim.check(feedsim.load("scenarios/membership_card.toml")).warnings)
    0
    """
    scenario = line.scenario
    edges = tuple(near_edges(scenario, scenario.line.highest_speed))
    return Check(line, _reviewed(scenario, edges, "metric"), edges)


def _reviewed(scenario: Scenario, edges: Sequence[LastAccepted], units: System) -> Review:
    seen = review(scenario, units=units)
    near = _near_words(edges, scenario.line.highest_speed, units=units)
    return replace(seen, warnings=[*seen.warnings, *near])


def _lines(seen: Review, units: System) -> Iterator[str]:
    yield seen.title
    yield from items(seen.words)
    for feeder in seen.feeders:
        yield f"\nFeeder: {feeder.name}"
        yield from items(feeder.words)
        yield from items(settings_line(feeder.settings, units=units))
    warnings = list(seen.warnings)
    for feeder in seen.feeders:
        prefix = f"{feeder.name}: " if len(seen.feeders) > 1 else ""
        warnings += [prefix + warning for warning in feeder.warnings]
    yield f"\n{counted(len(warnings), 'warning')}:" if warnings else "\nNo warnings."
    yield from items(warnings, "!")


def _near_words(edges: Sequence[LastAccepted], speed_mm_s: float, *, units: System) -> list[str]:
    """Warn, once or not at all, of values close to being refused at a line speed.

    ``edges``: of :func:`feedsim.answers.limit.study.turned.near_edges`.
    """
    if not edges:
        return []
    ends: dict[str, list[str]] = {}
    for edge in edges:
        now, end = (_said(edge, text, units) for text in (edge.now, edge.edge))
        said = f"{'up' if edge.up else 'down'} to {end}"
        if end == now:
            said = f"hardly {'higher' if edge.up else 'lower'}"
        ends.setdefault(f"{edge.key} ({now})", []).append(said)
    bears = "; ".join(f"{key} {' and '.join(said)}" for key, said in ends.items())
    at = display(speed_mm_s, "speed", units=units, digits=3)
    return [
        f"Near the edge of acceptance at {at} in closed form, each with all others held: "
        f"{bears}. feedsim tune finds values that bear more."
    ]


def _said(edge: LastAccepted, text: str, units: System) -> str:
    return display(parse(text, edge.kind), edge.kind, units=units, digits=4)


def settings_line(settings: MachineSettings, *, units: System) -> list[str]:
    """Say what would be typed into the machine, a line for each side of the clutch."""
    return [_side(settings, side, units) for side in SIDES]


def _side(settings: MachineSettings, side: SideName, units: System) -> str:
    distance, lead, counts = settings.side(side)
    in_counts = "" if counts is None else f" ({counted(counts, 'count')})"
    shown = display(distance, "length", units=units, digits=6)
    return f"{side.capitalize()} distance {shown}{in_counts}, {side} lead {lead:.4g} ms."
