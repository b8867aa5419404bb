"""A line looked over without running it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import ClassVar

from feedsim.answers.answer import Answer
from feedsim.answers.check.study.near import near_words
from feedsim.answers.check.study.review import Review, review
from feedsim.answers.check.text import settings_line
from feedsim.answers.limit.study.turned import Edge, near_edges
from feedsim.answers.line import Line
from feedsim.metrics.plain import Plain, as_object
from feedsim.quantities import System
from feedsim.render.layout import items
from feedsim.render.wording import counted
from feedsim.scenario import Scenario


@dataclass(frozen=True, slots=True, repr=False)
class Check(Answer):
    """What an experienced eye would say of a line.

    Attributes
    ----------
    review : Review
        Geometry in words, the settings that ``"auto"`` stands for, and warnings.
    edges : tuple of Edge
        The values that a little more or less would have refused, in closed form.
    """

    line: Line
    review: Review
    edges: tuple[Edge, ...]
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


def check(line: Line) -> Check:
    """Check a line without running it.

    Examples
    --------
    >>> import feedsim
    >>> len(feedsim.check(feedsim.load("scenarios/membership_card.toml")).warnings)
    0
    """
    scenario = line.scenario
    edges = tuple(near_edges(scenario, _highest_speed(scenario)))
    return Check(line, _reviewed(scenario, edges, "metric"), edges)


def _highest_speed(scenario: Scenario) -> float:
    return max([v for _, v in scenario.line.profile], default=scenario.line.speed)


def _reviewed(scenario: Scenario, edges: Sequence[Edge], units: System) -> Review:
    seen = review(scenario, units=units)
    near = near_words(edges, _highest_speed(scenario), units=units)
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
