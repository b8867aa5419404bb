"""What a comparison found, by speed and by setup."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Self

from feedsim import __version__
from feedsim.answers.compare.study.setups import LETTERS, Comparison
from feedsim.answers.limit.study.closed import RefusedSpeeds, complete_to, refused_speeds
from feedsim.answers.limit.study.islands import Island, islands_of
from feedsim.answers.sweep.study import highest_accepted
from feedsim.metrics.paired_feeders import FeederDifference
from feedsim.metrics.plain import AMONG, LEFT_OUT
from feedsim.metrics.results import Results
from feedsim.quantities import System
from feedsim.scenario import AS_WRITTEN, Scenario
from feedsim.settings.limits import Closed


@dataclass(frozen=True, slots=True)
class SetupResults:
    """The figures of one setup at one speed, under its letter."""

    setup: str
    results: Results = field(metadata=AMONG)


@dataclass(frozen=True, slots=True)
class Difference:
    """How one setup differs from the first at one speed, under the letters of both.

    ``complete_per_hour``: complete products an hour, other less first; None where one has none.
    """

    setup: str
    against: str
    complete_per_hour: float | None
    feeders: tuple[FeederDifference, ...]


@dataclass(frozen=True, slots=True)
class Together:
    """All setups at one speed: the figures of each, and the differences of the others."""

    line_speed_mm_s: float
    results: tuple[SetupResults, ...]
    differences: tuple[Difference, ...]


@dataclass(frozen=True, slots=True)
class LetteredSetup:
    """A setup of a comparison under its letter; see :class:`ComparedSetup`."""

    setup: str
    name: str
    changes: str
    scenario: Scenario = field(metadata=AS_WRITTEN)


@dataclass(frozen=True, slots=True, repr=False)
class Comparisons:
    """Setups held against the first of them.

    Attributes
    ----------
    notes : tuple of str
        What a user should know of setups that differ in what a comparison shares.
    highest_accepted_speed_mm_s : dict of str to float or None
        By the letter: the speed up to which every point is accepted; None if the first is not.
    islands : dict of str to tuple of Island
        By the letter: speeds accepted above one that is not.
    closed_form_refused : dict of str to tuple of RefusedSpeeds
        By the letter: what the closed forms refuse between the speeds, rising.
    closed_form_complete_to_mm_s : dict of str to float or None
        By the letter: up to which speed refused stretches were looked for beside each jump of a
        part of speeds in which some look refused; above, more may be missing. None: everywhere.
    points : tuple of Together
        By speed.
    """

    feedsim: str
    title: str
    replications: int
    notes: tuple[str, ...]
    setups: tuple[LetteredSetup, ...]
    highest_accepted_speed_mm_s: dict[str, float | None]
    islands: dict[str, tuple[Island, ...]]
    closed_form_refused: dict[str, tuple[RefusedSpeeds, ...]]
    closed_form_complete_to_mm_s: dict[str, float | None]
    points: tuple[Together, ...]
    units: System = field(default="metric", metadata=LEFT_OUT)

    @classmethod
    def of(
        cls,
        comparison: Comparison,
        points: Sequence[Together],
        forms: Sequence[Sequence[Closed]],
    ) -> Self:
        """Gather what a comparison found at its speeds.

        Parameters
        ----------
        forms : sequence of sequence of Closed
            What the closed forms say of each feeder of each setup.
        """
        setups = tuple(
            LetteredSetup(letter, setup.name, setup.changes, setup.scenario)
            for letter, setup in zip(LETTERS, comparison.setups, strict=False)
        )
        rows = {
            setup.setup: [point.results[place].results for point in points]
            for place, setup in enumerate(setups)
        }
        refused = dict(zip(rows, forms, strict=True))
        return cls(
            feedsim=__version__,
            title=comparison.setups[0].scenario.title,
            replications=comparison.replications,
            notes=comparison.notes,
            setups=setups,
            highest_accepted_speed_mm_s={x: highest_accepted(row) for x, row in rows.items()},
            islands={x: islands_of(row) for x, row in rows.items()},
            closed_form_refused={x: refused_speeds(found) for x, found in refused.items()},
            closed_form_complete_to_mm_s={x: complete_to(f) for x, f in refused.items()},
            points=tuple(points),
            units=comparison.units,
        )
