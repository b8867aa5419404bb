"""A page that plays a stretch of the run: the line from the side, and its timing."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import ClassVar

from feedsim.answers.answer import Answer
from feedsim.answers.given import typed
from feedsim.answers.line import Line
from feedsim.answers.rehearse.study.choice import ShownCarriers, Wanted, choose
from feedsim.answers.rehearse.study.scene import Scene, scene
from feedsim.errors import Fault, FeedsimError, argument
from feedsim.files.new_files import Content
from feedsim.metrics.plain import Plain
from feedsim.quantities import System
from feedsim.running.engines import refuse_compiled
from feedsim.scenario import Scenario, scenario_to_dict

_LONGEST = 40


@dataclass(frozen=True, slots=True, repr=False)
class Page(Answer):
    """A stretch of the run of one line, or of two on one clock.

    ``choice``: the carriers shown, and why these.
    """

    lines: tuple[Line, ...]
    choice: ShownCarriers
    name: ClassVar[str] = "rehearse"

    @typed
    def scenes(self, *, units: System = "metric") -> list[Scene]:
        """Return what the page plays, for each line."""
        names = [line.name for line in self.lines]
        if len(names) == 2:
            names = [f"{letter}  {name}" for letter, name in zip("AB", names, strict=True)]
        return [
            scene(line.scenario, self.choice, name=name, units=units)
            for line, name in zip(self.lines, names, strict=True)
        ]

    def plain(self) -> dict[str, Plain]:
        """Return what the page plays as data."""
        return {"scenes": [shown.plain() for shown in self.scenes()]}

    def _text(self, units: System) -> str:
        del units
        choice = self.choice
        first, last = choice.carriers.start, choice.carriers.stop - 1
        words = f"carriers {first} to {last}" if last > first else f"carrier {first}"
        if choice.because == "miss":
            words += f", around carrier {choice.focus}, the first that is missed"
        elif choice.because == "hazard":
            words += f", around carrier {choice.focus}, the first with a hazard"
        return "\n".join([*(line.scenario.title for line in self.lines), words])

    @property
    def units(self) -> System:
        """Those of the first line."""
        return self.lines[0].units

    @typed
    def html(self, *, units: System | None = None, linked: str = "") -> str:
        """Return the page: one file that any browser opens, offline.

        ``linked``: see :func:`feedsim.answers.rehearse.page.page.rehearse_page`.
        """
        from feedsim.answers.rehearse.page.page import rehearse_page

        what = [line.scenario for line in self.lines]
        between = differences(*what) if len(what) == 2 else ()
        units = units or self.units
        scenes = self.scenes(units=units)
        # a server that links the page shows the changes beside it
        changed = self.lines[0].changed_words if len(what) == 1 and not linked else ""
        return rehearse_page(
            scenes, differences=between, changed=changed, units=units, linked=linked
        )

    def _files(self, units: System) -> dict[str, Content]:
        """Return the page."""
        return {"rehearse.html": self.html(units=units).encode()}


@typed
def rehearse(
    *lines: Line,
    around: int | None = None,
    start: int | None = None,
    count: int | None = None,
    first_miss: bool = False,
    first_hazard: bool = False,
    progress: Callable[[int], None] | None = None,
) -> Page:
    """Make a page that plays a stretch of the run.

    Parameters
    ----------
    *lines : Line
        One, or two to see them on one clock.
    around : int, optional
        Carrier in the middle, by its number in ``carriers``.
    start : int, optional
        First carrier; by default the first counted one.
    count : int, optional
        Number of carriers; by default 200, or 21 around one.
    first_miss, first_hazard : bool
        Around the first carrier that is missed, or whose cycle has a hazard.
    progress : callable, optional
        Called now and then with the number of carriers searched.

    Raises
    ------
    FeedsimError
        If there are more than two lines, or no such carriers.
    """
    at_most_two(len(lines))
    refuse_compiled("a page that plays the line")
    wanted = Wanted(around, start, count, miss=first_miss, hazard=first_hazard)
    return Page(lines, choose([line.scenario for line in lines], wanted, progress=progress))


def at_most_two(lines: int, *, with_but: bool = False) -> None:
    """Refuse (FeedsimError) to show more lines than two, or none.

    ``with_but``: whether the caller makes the second one of changes itself.
    """
    if not 1 <= lines <= 2:
        more = f"; {argument('but')} makes the second one itself" * with_but
        message = f"shows one scenario or two{more}"
        raise FeedsimError(Fault(argument("lines"), message=message))


def differences(one: Scenario, other: Scenario) -> list[tuple[str, str, str]]:
    """Return each key that differs, with both values as text.

    Titles are left out. A key that only one of them has is ``"-"`` in the other; long values,
    such as lists, are shortened.
    """
    first, second = dict(_leaves(scenario_to_dict(one))), dict(_leaves(scenario_to_dict(other)))
    return [
        (key, _shown(first.get(key)), _shown(second.get(key)))
        for key in dict.fromkeys((*first, *second))
        if first.get(key) != second.get(key) and key != "title"
    ]


def _leaves(table: Mapping[str, object], path: str = "") -> Iterator[tuple[str, object]]:
    for key, value in table.items():
        here = f"{path}{key}"
        if isinstance(value, Mapping):
            yield from _leaves(value, f"{here}.")
        elif isinstance(value, list) and value and isinstance(value[0], Mapping):
            for number, inner in enumerate(value):
                yield from _leaves(inner, f"{here}.{number}.")
        else:
            yield here, value


def _shown(value: object) -> str:
    if value is None:
        return "-"
    text = str(value) if not isinstance(value, bool) else str(value).lower()
    return text if len(text) <= _LONGEST else text[: _LONGEST - 1] + "…"
