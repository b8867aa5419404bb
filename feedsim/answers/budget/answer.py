"""The spread of the placement broken down into its sources, and held against a run."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

from feedsim.answers.answer import Answer, Table
from feedsim.answers.budget.rows import budget_csv
from feedsim.answers.budget.study.budget import Point, budgets_at, compared
from feedsim.answers.budget.study.plain import budget_plain
from feedsim.answers.budget.study.run import Simulated, run_spread
from feedsim.answers.budget.study.what_if import Outcome, feeder_limits, what_if
from feedsim.answers.line import Line
from feedsim.answers.tables import columns_of
from feedsim.answers.where import where_of
from feedsim.files.new_files import Content
from feedsim.metrics.plain import Plain
from feedsim.quantities import System
from feedsim.running.axes import parse_speeds
from feedsim.running.executor import crew
from feedsim.scenario import scenario_to_dict

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["Budget", "Made", "budget"]

Made = Callable[[str, Callable[..., Any], Sequence[tuple[Any, ...]]], list[Any]]
"""(what is made, work, calls) → results in the order of the calls."""


@dataclass(frozen=True, slots=True, repr=False)
class Budget(Answer):
    """Error budgets at some line speeds.

    Attributes
    ----------
    line : Line
    simulated : tuple of (float, tuple of Simulated)
        Line speeds (mm/s), rising, and what each feeder did in a run there.
    in_full_mm_s : float or None
        The speed whose budget is told in full; None: all side by side.
    turned : (Outcome, list of Outcome) or None
        The line as it is and with each knob turned, where that was asked for.
    turned_at_mm_s : float
    """

    line: Line
    simulated: tuple[tuple[float, tuple[Simulated, ...]], ...]
    in_full_mm_s: float | None
    turned: tuple[Outcome, list[Outcome]] | None
    turned_at_mm_s: float
    name: ClassVar[str] = "budget"

    def points(self, *, units: System = "metric") -> list[Point]:
        """Return the budgets, each against its run; `units` are those of the doubts' words."""
        points = []
        for speed, seen in self.simulated:
            budgets = budgets_at(self.line.scenario, speed, units=units)
            pairs = zip(budgets, seen, strict=True)
            points.append(Point(speed, tuple(compared(one, run) for one, run in pairs)))
        return points

    def plain(self) -> dict[str, Plain]:
        """Return what ``budget.json`` holds."""
        return budget_plain(
            self.line.scenario,
            self.points(),
            what_if=self.turned,
            what_if_speed_mm_s=self.turned_at_mm_s,
        )

    def _text(self, units: System) -> str:
        """Return the budget as a table, and what to spend on; see :meth:`Answer.text`."""
        from feedsim.answers.budget.text import budget_text
        from feedsim.answers.budget.what_if_text import what_if_text

        scenario, points = self.line.scenario, self.points(units=units)
        text = budget_text(scenario, points, in_full_mm_s=self.in_full_mm_s, units=units)
        if self.turned is None:
            return text
        more = what_if_text(scenario, *self.turned, speed_mm_s=self.turned_at_mm_s, units=units)
        return f"{text}\n\n{more}"

    def tables(self) -> dict[str, Table]:
        """Return ``budget``: a row per speed, feeder and source."""
        return {"budget": columns_of(budget_csv(self.points()))}

    def _figures(self, units: System) -> dict[str, Figure]:
        """Return the shares of the sources against speed."""
        from feedsim.answers.budget.figure import budget_figures

        return budget_figures(self.line.scenario, self.points(units=units), units=units)

    def _files(self, units: System) -> dict[str, Content]:
        """Return data and pictures; see :meth:`Answer.files`."""
        return {
            "budget.json": self.json().encode(),
            "budget.csv": budget_csv(self.points(units=units)),
            **self.pictures(units=units),
        }


def budget(
    line: Line,
    speeds: str | None = None,
    *,
    what_if: bool = False,
    jobs: int | None = 1,
    made: Made | None = None,
) -> Budget:
    """Break the spread of the placement down into its sources.

    Parameters
    ----------
    line : Line
    speeds : str, optional
        As in :func:`feedsim.sweep`, side by side; left out, the line speed in full and those of
        ``[sweep]`` in the figure.
    what_if : bool
        Halve each knob in turn: the spread and the limit speed that this buys.
    jobs : int or None
        As in :func:`feedsim.sweep`.
    made : callable, optional
        Makes the runs in place of `jobs` processes; for whoever shows progress.

    Raises
    ------
    FeedsimError
        If a range is wrong.
    """
    scenario = line.scenario
    asked = None if speeds is None else list(parse_speeds(speeds).numbers)
    in_full = scenario.line.speed if asked is None else asked[0] if len(asked) == 1 else None
    rising = sorted(set(asked or [scenario.line.speed, *scenario.sweep.speeds_mm_s]))
    make = made or _with(jobs)
    plain = scenario_to_dict(scenario)
    runs = make("speeds", run_spread, [(plain, speed) for speed in rising])
    seen = tuple((speed, tuple(run)) for speed, run in zip(rising, runs, strict=True))
    at = scenario.line.speed if in_full is None else in_full
    turned = _turned(line, at, make) if what_if else None
    return Budget(line, seen, in_full, turned, at)


def _turned(line: Line, speed: float, make: Made) -> tuple[Outcome, list[Outcome]]:
    return what_if(line.scenario, speed, lambda calls: make("limits", feeder_limits, calls))


def _with(jobs: int | None) -> Made:
    def make(_: str, work: Callable[..., Any], calls: Sequence[tuple[Any, ...]]) -> list[Any]:
        with crew(work, where=where_of(jobs), on_lost=lambda _: None) as workers:
            return workers.in_order(calls)

    return make
