"""Several setups at the same line speeds, with common random numbers."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, Self

from feedsim import __version__
from feedsim.answers.limit.study.closed import (
    RefusedSpeeds,
    closed_between,
    complete_to,
    refused_speeds,
)
from feedsim.answers.limit.study.islands import Island, islands_of
from feedsim.answers.sweep.study import highest_accepted
from feedsim.errors import Fault, FeedsimError
from feedsim.metrics.paired_feeders import FeederDifference, Ran, feeder_difference
from feedsim.metrics.plain import AMONG, LEFT_OUT
from feedsim.metrics.results import Results
from feedsim.quantities import System
from feedsim.running.axes import LINE_SPEED, Axis, changed
from feedsim.running.executor import Where, completed
from feedsim.running.run import ScenarioRun, criteria_of, run_scenario
from feedsim.scenario import AS_WRITTEN, Scenario, override, scenario_from_dict, scenario_to_dict
from feedsim.settings.limits import Closed

MOST_SETUPS = 8
LETTERS = "ABCDEFGH"
_FORM = '"KEY=VALUE; KEY=VALUE", or "NAME: KEY=VALUE; KEY=VALUE"'
_LONGEST_NAME = 40
_PART = re.compile(r"""(?:"(?:[^"\\]|\\.)*"|'[^']*'|[^;"'])+""")
_COMMON = ("seed", "run.carriers", "run.warm_up", "acceptance", "limits")
"""What all setups take from the first: random numbers, and what they are held against."""
_NOT_OF_A_SETUP = (*_COMMON, LINE_SPEED, "sweep")


@dataclass(frozen=True, slots=True)
class Setup:
    """One setup of a comparison.

    Attributes
    ----------
    name : str
        Of its file, or as given with its changes; may be empty there.
    changes : str
        What of the first setup is changed; empty for one from a file.
    scenario : Scenario
        With the random numbers and limits of the first.
    unused : tuple of str
        Keys of its own that gave way to those of the first.
    """

    name: str
    changes: str
    scenario: Scenario
    unused: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Comparison:
    """What a comparison runs.

    Attributes
    ----------
    setups : tuple of Setup
        Two to eight; all others are held against the first.
    axis : Axis
        The line speeds.
    replications : int
        Runs of each setup at each speed, common random numbers for all setups and speeds.
    units : {"metric", "inch"}
        In which it is told, unless others are asked for.
    """

    setups: tuple[Setup, ...]
    axis: Axis
    replications: int
    units: System = "metric"

    @property
    def notes(self) -> tuple[str, ...]:
        """What a user should know of setups that differ in what a comparison shares."""
        return tuple(
            f"{letter} has {' and '.join(setup.unused)} from A, not its own"
            for letter, setup in zip(LETTERS, self.setups, strict=False)
            if setup.unused
        )


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
    """A setup of a comparison under its letter; see :class:`Setup`."""

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


def setups_of(files: Sequence[tuple[str, Scenario]], buts: Sequence[str]) -> tuple[Setup, ...]:
    """Return the setups of a comparison, all with the random numbers and limits of the first.

    Parameters
    ----------
    files : sequence of (str, Scenario)
        Name and scenario of each file, one at least.
    buts : sequence of str
        Changes of the first that make one more setup each, as :func:`read_but` reads them.

    Raises
    ------
    FeedsimError
        If there are fewer than two or more than eight setups, changes are wrong, or
        numbers of feeders differ.
    """
    count = len(files) + len(buts)
    if count < 2:
        message = 'needs two setups or more: another scenario, or --but "KEY=VALUE" for a change'
        raise FeedsimError(Fault("SCENARIO", message=message))
    if count > MOST_SETUPS:
        message = f"{count} setups are too many to compare; at most {MOST_SETUPS}"
        raise FeedsimError(Fault("SCENARIO", message=message))
    first = files[0][1]
    setups, faults = [], []
    for name, scenario in files:
        setups.append((name, "", scenario))
    for text in buts:
        try:
            name, changes = read_but(text)
            setups.append((name, "; ".join(changes), override(first, changes)))
        except FeedsimError as error:
            faults += [_of_but(fault) for fault in error.faults]
    for name, changes_, scenario in setups:
        if len(scenario.feeder) != len(first.feeder):
            message = (
                f"has {_feeders(scenario)}, {files[0][0]} has {_feeders(first)}; feeders are "
                "compared by their number, so all setups need as many"
            )
            faults.append(Fault(f"--but {changes_}" if changes_ else name, message=message))
    if faults:
        raise FeedsimError(*faults)
    return _as_long(tuple(_with_what_is_common(*setup, first=first) for setup in setups))


def _as_long(setups: tuple[Setup, ...]) -> tuple[Setup, ...]:
    """Make sure that all run the same carriers: a record may be too short for it."""
    longest = setups[0].scenario.run.carriers
    for setup in setups:
        carriers = setup.scenario.run.carriers
        if carriers != longest:
            fewest = min(carriers, longest)
            message = (
                f"{setup.name or setup.changes} runs {carriers} carriers and the first setup "
                f"{longest}, since a record of carriers ends; give --carriers {fewest} for both"
            )
            raise FeedsimError(Fault("run.carriers", message=message))
    return setups


def _of_but(fault: Fault) -> Fault:
    return fault if fault.key.startswith("--but") else Fault("--but", message=str(fault))


def _feeders(scenario: Scenario) -> str:
    count = len(scenario.feeder)
    return f"{count} feeder" if count == 1 else f"{count} feeders"


def _with_what_is_common(name: str, changes: str, scenario: Scenario, *, first: Scenario) -> Setup:
    own, common = scenario_to_dict(scenario), scenario_to_dict(first)
    unused = []
    for key in _COMMON:
        *above, last = key.split(".")
        there, here = (data[above[0]] if above else data for data in (common, own))
        if here[last] != there[last]:
            unused.append(key)
            here[last] = there[last]
    return Setup(name, changes, scenario_from_dict(own) if unused else scenario, tuple(unused))


def read_but(text: str) -> tuple[str, tuple[str, ...]]:
    """Read ``"KEY=VALUE; KEY=VALUE"`` with or without a ``"NAME: "`` before it.

    What stands before the first colon is a name if no ``=`` stands before that colon: keys have
    no colon, and in values it comes after the ``=``. Changes are parted by semicolons; one
    between quotes belongs to its value.

    Returns
    -------
    name : str
        Empty where none is given.
    changes : tuple of str
        Each ``key=value``.

    Raises
    ------
    FeedsimError
        If it is not of this form, or changes what all setups of a comparison share.

    Examples
    --------
    >>> read_but("quick: controller.scan=1 ms; title='a; b'")
    ('quick', ('controller.scan=1 ms', "title='a; b'"))
    """
    head, colon, rest = text.partition(":")
    named = bool(colon) and "=" not in head
    name, wanted = (head.strip(), rest) if named else ("", text)
    if named and not (name and name.isprintable() and len(name) <= _LONGEST_NAME):
        allowed = f"a name of 1 to {_LONGEST_NAME} letters before the colon"
        raise FeedsimError(Fault("--but", found=_shown(text), allowed=allowed))
    if _PART.sub("", wanted).strip("; "):
        message = f"a quote is not closed in {_shown(text)}"
        raise FeedsimError(Fault("--but", message=message))
    changes = tuple(part.strip() for part in _PART.findall(wanted) if part.strip())
    if not changes or not text.isprintable():
        raise FeedsimError(Fault("--but", found=_shown(text), allowed=_FORM))
    shared = [key for key in (c.partition("=")[0].strip() for c in changes) if _is_shared(key)]
    if shared:
        message = (
            "is the same for all setups (random numbers, speeds, limits and acceptance); "
            "give it with --set, or --speeds"
        )
        raise FeedsimError(*(Fault(f"--but {key}", message=message) for key in shared))
    return name, changes


def _is_shared(key: str) -> bool:
    return any(key == shared or key.startswith(f"{shared}.") for shared in _NOT_OF_A_SETUP)


def _shown(text: str) -> str:
    return repr(text if len(text) <= 60 else text[:57] + "...")


def run_at_speed(scenarios: Sequence[dict[str, Any]], speed: str, replications: int) -> Together:
    """Run all setups at one speed, in whatever process.

    Parameters
    ----------
    scenarios : sequence of dict
        As :func:`feedsim.scenario.scenario_to_dict` gives them, the first one first.
    speed : str
        Such as ``"60 m/min"``.
    """
    first, *others = (
        changed(scenario_from_dict(data), [(LINE_SPEED, speed)]) for data in scenarios
    )
    against = run_scenario(first, replications=replications)
    results = [SetupResults(LETTERS[0], against.results)]
    differences = []
    for letter, scenario in zip(LETTERS[1:], others, strict=False):
        other = run_scenario(scenario, replications=replications)
        results.append(SetupResults(letter, other.results))
        differences.append(difference(letter, against, other))
    return Together(against.results.line_speed_mm_s, tuple(results), tuple(differences))


def difference(letter: str, first: ScenarioRun, other: ScenarioRun) -> Difference:
    """Return how a setup that has run differs from the first one, which ran the same cards."""
    before, after = (r.results.complete.per_hour for r in (first, other))
    ran = [Ran(r.records, r.machine, criteria_of(r.scenario)) for r in (first, other)]
    pairs = zip(first.scenario.feeder, other.scenario.feeder, strict=True)
    return Difference(
        setup=letter,
        against=LETTERS[0],
        complete_per_hour=None if before is None or after is None else after - before,
        feeders=tuple(
            feeder_difference(*ran, number=number, names=(a.name, b.name))
            for number, (a, b) in enumerate(pairs)
        ),
    )


def run_compare(
    comparison: Comparison,
    *,
    where: Where,
    on_point: Callable[[int], None],
    on_lost: Callable[[str], None],
) -> list[Together]:
    """Run a comparison, and return its points by speed.

    Parameters
    ----------
    where : Local or Cluster
        Where the speeds run, which has no influence on the results.
    on_point : callable
        Told how many speeds are done.
    on_lost : callable
        Told in words when a worker process has died.
    """
    plains = [scenario_to_dict(setup.scenario) for setup in comparison.setups]
    calls = [(plains, speed, comparison.replications) for speed in comparison.axis.values]
    points: dict[int, Together] = {}
    for place, point in completed(run_at_speed, calls, where=where, on_lost=on_lost):
        points[place] = point
        on_point(len(points))
    return [points[place] for place in range(len(calls))]


def forms_of(
    comparison: Comparison,
    *,
    where: Where,
    on_done: Callable[[int], None],
    on_lost: Callable[[str], None],
) -> tuple[tuple[Closed, ...], ...]:
    """Return what the closed forms refuse of each feeder of each setup, between all speeds."""
    speeds = comparison.axis.numbers
    calls = [(scenario_to_dict(s.scenario), min(speeds), max(speeds)) for s in comparison.setups]
    found = {}
    for place, forms in completed(_refused, calls, where=where, on_lost=on_lost):
        found[place] = forms
        on_done(len(found))
    return tuple(found[place] for place in range(len(calls)))


def _refused(scenario: dict[str, Any], low: float, high: float) -> tuple[Closed, ...]:
    if low == high:
        return ()
    return tuple(closed_between(scenario_from_dict(scenario), low, high))
