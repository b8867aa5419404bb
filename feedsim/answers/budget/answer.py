"""The spread of the placement broken down into its sources, and compared with a run."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING, ClassVar, Protocol

from feedsim import __version__
from feedsim.answers.answer import Answer
from feedsim.answers.budget.study.budget import (
    BudgetAgainstRun,
    BudgetPoint,
    Budgets,
    Weighed,
    budgets_at,
    compared,
)
from feedsim.answers.budget.study.run import SimulatedError, is_steady, run_spread, steady
from feedsim.answers.budget.study.what_if import feeder_form
from feedsim.answers.budget.study.what_if import what_if as turned
from feedsim.answers.given import typed
from feedsim.answers.line import Line
from feedsim.answers.where import where_of
from feedsim.metrics.intervals import Interval
from feedsim.metrics.plain import LEFT_OUT
from feedsim.quantities import System
from feedsim.render.csv_table import csv_table
from feedsim.running.axes import parse_speeds
from feedsim.running.engines import get_ready
from feedsim.running.executor import Args, Result, worker_pool
from feedsim.running.run import machine_of
from feedsim.scenario import Scenario, scenario_to_dict

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_Cell = str | float | int | None


class Made(Protocol):
    """Makes calls, here or in other processes."""

    def __call__(
        self, what: str, work: Callable[[*Args], Result], calls: Sequence[tuple[*Args]]
    ) -> list[Result]:
        """Return the results in the order of the calls; ``what`` labels the progress."""


@dataclass(frozen=True, slots=True, repr=False)
class Budget(Budgets, Answer):
    """Error budgets at some line speeds; its table ``budget`` has a row per speed, feeder, source.

    ``in_full_mm_s``: the speed whose budget is printed in full; None: all side by side.
    """

    line: Line = field(metadata=LEFT_OUT)
    in_full_mm_s: float | None = field(metadata=LEFT_OUT)
    name: ClassVar[str] = "budget"

    def told_in(self, units: System) -> Sequence[BudgetPoint]:
        """Return the budgets, the words of their doubts in some units."""
        return self.points if units == "metric" else _points(self.scenario, _runs(self), units)

    def _text(self, units: System) -> str:
        from feedsim.answers.budget.text import budget_text
        from feedsim.answers.budget.what_if_text import what_if_text

        points = self.told_in(units)
        text = budget_text(self.scenario, points, in_full_mm_s=self.in_full_mm_s, units=units)
        if self.what_if is None:
            return text
        return f"{text}\n\n{what_if_text(self.what_if, units=units)}"

    def _csv(self) -> dict[str, bytes]:
        return {"budget": budget_csv(self.points)}

    def _figures(self, units: System) -> dict[str, Figure]:
        """Return the shares of the sources against speed, and how they add up at one speed."""
        from feedsim.answers.budget.figure import budget_figures
        from feedsim.answers.budget.sources_figure import sources_figures

        points = self.told_in(units)
        return budget_figures(self.scenario, points, units=units) | sources_figures(
            self.scenario, points, at_mm_s=self.in_full_mm_s, units=units
        )


@typed
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
    speeds : str, optional
        As in :func:`feedsim.sweep`, side by side; left out, the line speed in full and those of
        ``[sweep]`` in the figure.
    what_if : bool
        Halve each knob in turn: the spread and the limit speed that this buys.
    jobs : int or None
        As in :func:`feedsim.sweep`.
    made : callable, optional
        Makes the runs in place of `jobs` processes, for a caller that shows progress.

    Raises
    ------
    FeedsimError
        If a range is wrong.
    """
    scenario = line.scenario
    asked = None if speeds is None else list(parse_speeds(speeds, line.units).numbers)
    in_full = scenario.line.speed if asked is None else asked[0] if len(asked) == 1 else None
    rising = sorted(set(asked or [scenario.line.speed, *scenario.sweep.speeds_mm_s]))
    make = made or _with(jobs)
    plain = scenario_to_dict(scenario)
    machine = machine_of(steady(scenario, rising[0]))
    get_ready((machine, len(rising) * scenario.run.carriers))  # before there are several processes
    runs = make("speeds", run_spread, [(plain, speed) for speed in rising])
    at = scenario.line.speed if in_full is None else in_full
    return Budget(
        feedsim=__version__,
        title=scenario.title,
        scenario=scenario,
        steady=is_steady(scenario),
        carriers=scenario.run.carriers,
        points=_points(scenario, zip(rising, runs, strict=True)),
        what_if=turned(scenario, at, partial(make, "limits", feeder_form)) if what_if else None,
        line=line,
        in_full_mm_s=in_full,
    )


def _points(
    scenario: Scenario,
    runs: Iterable[tuple[float, Sequence[SimulatedError]]],
    units: System = "metric",
) -> tuple[BudgetPoint, ...]:
    """Compare the budgets with runs at their speeds (mm/s)."""
    return tuple(
        BudgetPoint(speed, tuple(map(compared, budgets_at(scenario, speed, units=units), run)))
        for speed, run in runs
    )


def _runs(found: Budgets) -> Iterator[tuple[float, Sequence[SimulatedError]]]:
    for point in found.points:
        yield point.line_speed_mm_s, [one.simulated for one in point.feeders]


def _with(jobs: int | None) -> Made:
    def make(
        what: str,  # noqa: ARG001 - no progress is shown
        work: Callable[[*Args], Result],
        calls: Sequence[tuple[*Args]],
    ) -> list[Result]:
        with worker_pool(work, where=where_of(jobs), on_lost=lambda _: None) as workers:
            return workers.in_order(calls)

    return make


def budget_csv(points: Sequence[BudgetPoint]) -> bytes:
    """Return the budgets as a table, its columns with units in their names.

    A source is a length or a time, so its uncertainty and its sensitivity have two columns each,
    one of them empty. Figures of the whole budget repeat in each of its rows. A budget without
    sources has one row, with the source's columns empty.
    """
    rows = [
        dict(_row(point.line_speed_mm_s, number, one, source))
        for point in points
        for number, one in enumerate(point.feeders)
        for source in one.budget.sources or (None,)
    ]
    return csv_table(rows)


def _row(
    speed_mm_s: float, number: int, compared: BudgetAgainstRun, source: Weighed | None
) -> Iterator[tuple[str, _Cell]]:
    budget, simulated = compared.budget, compared.simulated
    yield "line_speed_mm_s", speed_mm_s
    yield "feeder", number
    yield from _of_source(source)
    yield "contribution_mm", source.contribution_mm if source else None
    yield "share", source.share if source else None
    yield "combined_sd_mm", budget.combined_sd_mm
    yield "placed", simulated.placed
    yield "simulated_sd_mm", simulated.sd_mm
    yield from _ends("simulated_sd", simulated.sd_ci95_mm, "_mm")
    yield "ratio", compared.ratio
    yield from _ends("ratio", compared.ratio_ci95, "")
    yield "agreement", compared.agreement
    yield "mean_mm", budget.mean_mm
    yield "simulated_mean_mm", simulated.mean_mm
    yield from _ends("simulated_mean", simulated.mean_ci95_mm, "_mm")
    yield "within_tolerance", budget.within_tolerance
    yield "doubts", " ".join(doubt.kind for doubt in compared.doubts)


def _of_source(source: Weighed | None) -> Iterator[tuple[str, _Cell]]:
    for name in ("name", "side", "cause", "distribution"):
        yield ("source" if name == "name" else name), getattr(source, name) if source else None
    figures = {
        "half_width": source.half_width if source else None,
        "standard_uncertainty": source.standard_uncertainty if source else None,
    }
    for name, value in figures.items():
        for unit in ("mm", "s"):
            yield f"{name}_{unit}", value if source and source.unit == unit else None
    for unit in ("mm", "s"):
        here = source.sensitivity_mm_per_unit if source and source.unit == unit else None
        yield f"sensitivity_mm_per_{unit}", here


def _ends(name: str, interval: Interval | None, unit: str) -> Iterator[tuple[str, _Cell]]:
    low, high = interval or (None, None)
    yield f"{name}_low{unit}", low
    yield f"{name}_high{unit}", high
