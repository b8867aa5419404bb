"""The setups of a comparison, as requested, with what all of them share."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from feedsim.errors import Fault, FeedsimError, argument, shortened
from feedsim.quantities import System
from feedsim.running.axes import LINE_SPEED, Axis
from feedsim.scenario import Scenario, override, scenario_from_dict, scenario_to_dict

MOST_SETUPS = 8
LETTERS = "ABCDEFGH"
_FORM = '"KEY=VALUE; KEY=VALUE", or "NAME: KEY=VALUE; KEY=VALUE"'
_LONGEST_NAME = 40
_PART = re.compile(r"""(?:"(?:[^"\\]|\\.)*"|'[^']*'|[^;"'])+""")
_COMMON = ("seed", "run.carriers", "run.warm_up", "acceptance", "limits")
"""What all setups take from the first: random numbers, limits and acceptance."""
_NOT_OF_A_SETUP = (*_COMMON, LINE_SPEED, "sweep")


@dataclass(frozen=True, slots=True)
class ComparedSetup:
    """One setup of a comparison.

    ``name``: of its file, or as given with its changes; may be empty there.
    ``changes``: changes to the first setup; empty for one from a file.
    ``scenario``: with the random numbers and limits of the first.
    ``unused``: keys of its own that gave way to those of the first.
    """

    name: str
    changes: str
    scenario: Scenario
    unused: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Comparison:
    """What a comparison runs.

    ``setups``: two to eight; all others are compared with the first.
    ``axis``: the line speeds.
    ``replications``: runs of each setup at each speed, common random numbers for all setups and
    speeds.
    ``units``: of the answer, unless others are asked for.
    """

    setups: tuple[ComparedSetup, ...]
    axis: Axis
    replications: int
    units: System = "metric"

    @property
    def notes(self) -> tuple[str, ...]:
        """Notes on setups that differ in what a comparison shares."""
        return tuple(
            f"{letter} has {' and '.join(setup.unused)} from A, not its own"
            for letter, setup in zip(LETTERS, self.setups, strict=False)
            if setup.unused
        )


def setups_of(
    files: Sequence[tuple[str, Scenario]], buts: Sequence[str]
) -> tuple[ComparedSetup, ...]:
    """Return the setups of a comparison, all with the random numbers and limits of the first.

    ``files``: name and scenario of each, one at least; each of ``buts`` makes one more setup, of
    the first and the changes that :func:`read_but` reads. Raises FeedsimError if there are fewer
    than two or more than eight setups, changes are wrong, or numbers of feeders differ.
    """
    count = len(files) + len(buts)
    if count < 2:
        but = argument("but", ("KEY=VALUE",))
        message = f"needs two setups or more: another scenario, or {but} for a change"
        raise FeedsimError(Fault(argument("lines"), message=message))
    if count > MOST_SETUPS:
        message = f"{count} setups are too many to compare; at most {MOST_SETUPS}"
        raise FeedsimError(Fault(argument("lines"), message=message))
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
                "compared by their number, so all setups need equally many"
            )
            faults.append(
                Fault(f"{argument('but')} {changes_}" if changes_ else name, message=message)
            )
    if faults:
        raise FeedsimError(*faults)
    return _as_long(tuple(_with_what_is_common(*setup, first=first) for setup in setups))


def _as_long(setups: tuple[ComparedSetup, ...]) -> tuple[ComparedSetup, ...]:
    """Refuse setups of which a record is too short to run the same carriers."""
    longest = setups[0].scenario.run.carriers
    for setup in setups:
        carriers = setup.scenario.run.carriers
        if carriers != longest:
            fewest = min(carriers, longest)
            message = (
                f"{setup.name or setup.changes} runs {carriers} carriers and the first setup "
                f"{longest}, since its record of carriers ends; give "
                f"{argument('run.carriers', fewest)} for both"
            )
            raise FeedsimError(Fault("run.carriers", message=message))
    return setups


def _of_but(fault: Fault) -> Fault:
    but = argument("but")
    return fault if fault.key.split(" ")[0] == but else Fault(but, message=str(fault))


def _feeders(scenario: Scenario) -> str:
    count = len(scenario.feeder)
    return f"{count} feeder" if count == 1 else f"{count} feeders"


def _with_what_is_common(
    name: str, changes: str, scenario: Scenario, *, first: Scenario
) -> ComparedSetup:
    own, common = scenario_to_dict(scenario), scenario_to_dict(first)
    unused = []
    for key in _COMMON:
        *above, last = key.split(".")
        there, here = (data[above[0]] if above else data for data in (common, own))
        if here[last] != there[last]:
            unused.append(key)
            here[last] = there[last]
    return ComparedSetup(
        name, changes, scenario_from_dict(own) if unused else scenario, tuple(unused)
    )


def read_but(text: str) -> tuple[str, tuple[str, ...]]:
    """Read ``"KEY=VALUE; KEY=VALUE"``, perhaps after ``"NAME: "``, into a name and changes.

    Text before the first colon is a name unless it has an ``=``: keys have no colon, and in values
    it comes after the ``=``. Semicolons separate changes; one between quotes belongs to its value.
    Raises FeedsimError if it is not of this form, or changes what all setups of a comparison share.

    >>> read_but("quick: controller.scan=1 ms; title='a; b'")
    ('quick', ('controller.scan=1 ms', "title='a; b'"))
    """
    head, colon, rest = text.partition(":")
    named = bool(colon) and "=" not in head
    name, wanted = (head.strip(), rest) if named else ("", text)
    if named and not (name and name.isprintable() and len(name) <= _LONGEST_NAME):
        allowed = f"a name of 1 to {_LONGEST_NAME} letters before the colon"
        raise FeedsimError(Fault(argument("but"), found=_shown(text), allowed=allowed))
    if _PART.sub("", wanted).strip("; "):
        message = f"a quote is not closed in {_shown(text)}"
        raise FeedsimError(Fault(argument("but"), message=message))
    changes = tuple(part.strip() for part in _PART.findall(wanted) if part.strip())
    if not changes or not text.isprintable():
        raise FeedsimError(Fault(argument("but"), found=_shown(text), allowed=_FORM))
    shared = [key for key in (c.partition("=")[0].strip() for c in changes) if _is_shared(key)]
    if shared:
        message = (
            "is the same for all setups (random numbers, speeds, limits and acceptance); "
            f"give it with {argument('line.but')}, or {argument('speeds')}"
        )
        raise FeedsimError(*(Fault(f"{argument('but')} {key}", message=message) for key in shared))
    return name, changes


def _is_shared(key: str) -> bool:
    return any(key == shared or key.startswith(f"{shared}.") for shared in _NOT_OF_A_SETUP)


def _shown(text: str) -> str:
    return repr(shortened(text))
