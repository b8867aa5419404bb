"""One carrier's story: what happened, what each delay cost, and why it ended as it did."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar, Literal

from feedsim import __version__
from feedsim.answers.answer import Answer
from feedsim.answers.explain.study.record import Stories, Story
from feedsim.answers.explain.study.run import find_first, first_hazard, first_miss, source_for
from feedsim.answers.explain.study.source import StorySource
from feedsim.answers.explain.study.story import story_of
from feedsim.answers.given import typed
from feedsim.answers.line import Line
from feedsim.errors import Fault, FeedsimError, argument
from feedsim.metrics.plain import Plain, as_object
from feedsim.quantities import System
from feedsim.running.engines import refuse_compiled

if TYPE_CHECKING:
    from matplotlib.figure import Figure

First = Literal["miss", "hazard"]
_FIRST = {"miss": ("was missed", first_miss), "hazard": ("was at risk", first_hazard)}


@dataclass(frozen=True, slots=True, repr=False)
class Explained(Answer):
    """The story of a carrier at each feeder asked for.

    ``carrier``: None where there is no such carrier in the run.
    ``source``: the run, as far as the story needs it.
    ``first``: what was looked for.
    """

    line: Line
    carrier: int | None
    source: StorySource
    first: First | None = None
    feeder: int | None = None
    name: ClassVar[str] = "explain"

    @typed
    def stories(self, *, units: System = "metric") -> list[Story]:
        """Return the story at each feeder; its parts add up to the placement error."""
        if self.carrier is None:
            return []
        every = range(len(self.source.feeders))
        numbers = every if self.feeder is None else [self.feeder]
        return [story_of(self.source, self.carrier, feeder=n, units=units) for n in numbers]

    def _told(self, units: System) -> Stories:
        scenario = self.line.scenario
        return Stories(
            feedsim=__version__,
            title=scenario.title,
            seed=scenario.seed,
            line_speed_mm_s=scenario.line.speed,
            carrier=self.carrier,
            stories=tuple(self.stories(units=units)),
        )

    def plain(self) -> Mapping[str, Plain]:
        """Return the stories as data."""
        return as_object(self._told("metric"))

    def _text(self, units: System) -> str:
        from feedsim.answers.explain.text import stories_text

        if self.carrier is None:
            looked_for = _FIRST[self.first or "miss"][0]
            return f"No carrier {looked_for} in this run of {self.line.scenario.run.carriers}."
        return stories_text(self._told(units), units=units)

    def _figures(self, units: System) -> dict[str, Figure]:
        """Return a waterfall of the placement error at each feeder where an insert was placed."""
        from feedsim.answers.explain.figure import explain_figures

        tolerance = self.line.scenario.acceptance.placement_tolerance
        return explain_figures(self._told(units), tolerance_mm=tolerance, units=units)


@typed
def explain(
    line: Line, carrier: int | None = None, *, first: First | None = None, feeder: int | None = None
) -> Explained:
    """Tell the story of one carrier.

    Parameters
    ----------
    carrier : int, optional
        Its number in ``carriers``. This or `first`.
    first : {"miss", "hazard"}, optional
        The first carrier missed, or the first whose feed cycle had a hazard.
    feeder : int, optional
        Feeder number, from 0; every feeder if left out.

    Raises
    ------
    FeedsimError
        If both or neither of `carrier` and `first` are given, or the run has no such carrier or
        feeder.
    """
    refuse_compiled("the story of a carrier")
    scenario = line.scenario
    if feeder is not None and not 0 <= feeder < len(scenario.feeder):
        raise _wrong("feeder", feeder, f"a feeder from 0 to {len(scenario.feeder) - 1}")
    if (carrier is None) == (first is None):
        raise FeedsimError("explain needs one of carrier and first, and not both")
    if first is not None:
        source, found = find_first(scenario, _FIRST[first][1], feeder=feeder)
        return Explained(line, found, source, first, feeder)
    last = scenario.run.warm_up + scenario.run.carriers - 1
    if carrier is None or not 0 <= carrier <= last:
        raise _wrong("carrier", carrier or 0, f"a carrier from 0 to {last}")
    return Explained(line, carrier, source_for(scenario, carrier), None, feeder)


def _wrong(name: str, found: int, allowed: str) -> FeedsimError:
    return FeedsimError(Fault(argument(name), found=str(found), allowed=allowed))
