"""A line, as a scenario describes it: from a file or from data, changed, and written again."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from feedsim.answers.given import WrongTypeError, typed
from feedsim.errors import Fault, FeedsimError
from feedsim.files.new_files import write_one
from feedsim.files.one_file import try_file
from feedsim.quantities import System
from feedsim.scenario import (
    Scenario,
    apply_overrides,
    override,
    scenario_from_dict,
    scenario_to_dict,
    scenario_to_toml,
    units_of,
)
from feedsim.scenario.reading import read_toml

Changes = Mapping[str, Any]


@dataclass(frozen=True, slots=True, repr=False)
class Line:
    """A line that can be asked questions; it never changes.

    Two lines are equal if their scenarios are, whatever they are called.

    Attributes
    ----------
    scenario : Scenario
        Its keys, checked; every quantity in mm, s, mm/s, mm/s², 1/s or as a share.
    name : str
        What to call it beside others.
    units : {"metric", "inch"}
        In which it is shown: inches, where more of the lengths in its file are written
        in inches or feet than in metric units. A change of keys does not change it.
    written : mapping or None
        The data that it was made from, each value as it was given.
    changes : tuple of str
        What was changed about its file, as ``--set`` has it.

    Examples
    --------
    >>> line = Line.from_dict({
    ...     "title": "Card on letter", "line": {"speed": "60 m/min"},
    ...     "carrier": {"length": "210 mm", "pitch": "260 mm"},
    ...     "feeder": [{
    ...         "name": "card feeder", "eye_to_placement": "400 mm",
    ...         "insert_eye_to_placement": "120 mm",
    ...         "insert": {"length": "85.6 mm", "gap": "70 mm"},
    ...         "settings": {"target_offset": "20 mm", "stage_position": "60 mm"},
    ...     }],
    ... })
    >>> line.but({"line.speed": "80 m/min"}).scenario.line.speed
    1333.3333333333333
    """

    scenario: Scenario
    name: str = field(default="line", compare=False)
    units: System = field(default="metric", compare=False)
    written: Mapping[str, Any] | None = field(default=None, compare=False)
    changes: tuple[str, ...] = field(default=(), compare=False)

    def __post_init__(self) -> None:
        if not isinstance(self.scenario, Scenario):
            allowed = "a scenario; feedsim.load reads a line from a file, Line.from_dict from data"
            raise WrongTypeError(Fault("scenario", repr(self.scenario)[:60], allowed))

    @property
    def changed_words(self) -> str:
        """What is other than in its file; empty where nothing is."""
        last = dict(change.split("=", 1) for change in self.changes)
        named = "; ".join(f"{key} = {value}" for key, value in last.items())
        return f"Other than in the scenario's file: {named}." if named else ""

    @classmethod
    @typed
    def from_dict(cls, data: Mapping[str, Any], *, name: str = "line") -> Line:
        """Make a line from data in the shape of a scenario file.

        Raises
        ------
        FeedsimError
            With all its faults.
        """
        return cls(scenario_from_dict(dict(data)), name, units_of(data), data)

    def to_dict(self) -> dict[str, Any]:
        """Return the line as data from which :meth:`from_dict` makes an equal line."""
        return scenario_to_dict(self.scenario)

    @typed
    def but(self, changes: Changes, *, name: str | None = None) -> Line:
        """Return the line with some keys changed.

        Parameters
        ----------
        changes : mapping of str to object
            Path of a key to its new value, as a scenario file has it:
            ``{"feeder.0.insert.gap": "60 mm"}``.

        Raises
        ------
        FeedsimError
            If there is no such key, or no such line can be.
        """
        overrides = _overrides(changes)
        return replace(
            self,
            scenario=override(self.scenario, overrides),
            name=name or self.name,
            written=self.written and apply_overrides(dict(self.written), overrides),
            changes=(*self.changes, *overrides),
        )

    @typed
    def save(self, path: str | Path, *, force: bool = False) -> Path:
        """Write the line as a scenario file with every key that says something.

        Each value stands there in the units that it was given in.

        Raises
        ------
        FeedsimError
            If the file exists and `force` is not set, or cannot be written.
        """
        path = Path(path)
        try_file(path, force=force)
        text = scenario_to_toml(self.scenario, written=self.written, units=self.units)
        write_one(path, text.encode())
        return path

    def __repr__(self) -> str:
        return f"<Line {self.name}: {self.scenario.title}>"


@typed
def load(path: str | Path, changes: Changes | Sequence[str] = ()) -> Line:
    """Read a line from a scenario file.

    Parameters
    ----------
    path : str or Path
        A TOML file.
    changes : mapping of str to object, or sequence of str, optional
        Path of a key to its new value: ``{"line.speed": "80 m/min"}``; or as ``--set`` has it.

    Raises
    ------
    FeedsimError
        If the file cannot be read, or with all its faults; ``error.faults`` has each fault with its
        key, the value found and what is allowed.
    """
    path = Path(path)
    overrides = _overrides(changes) if isinstance(changes, Mapping) else changes
    return line_of(read_toml(path), overrides, name=path.stem, folder=path.parent)


def line_of(
    data: Mapping[str, Any], overrides: Sequence[str], *, name: str, folder: str | Path
) -> Line:
    """Make a line from the data of a scenario file and changes as ``--set`` has them.

    ``folder``: where the file lies, for other files that it names. Raises FeedsimError with all
    faults.
    """
    data = dict(data)
    scenario = scenario_from_dict(data, overrides=overrides, folder=folder)
    written = apply_overrides(data, overrides)
    return Line(scenario, name, units_of(data), written, tuple(overrides))


def _overrides(changes: Changes) -> Sequence[str]:
    return [f"{key}={toml_value(key, value)}" for key, value in changes.items()]


def toml_value(key: str, value: object) -> str:
    """Write a value as TOML: of texts, numbers, yes and no, JSON is TOML."""
    if isinstance(value, Mapping):
        return (
            "{"
            + ", ".join(f"{json.dumps(k)} = {toml_value(key, v)}" for k, v in value.items())
            + "}"
        )
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(toml_value(key, inner) for inner in value) + "]"
    try:
        return json.dumps(value, ensure_ascii=False)
    except (TypeError, ValueError):
        allowed = "a text, a number, True or False, a list or a dict"
        raise FeedsimError(Fault(key, f"a value of type {type(value).__name__}", allowed)) from None
