"""A line run at many speeds, or with many values of a key, with common random numbers."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, ClassVar

from feedsim.answers.answer import Answer
from feedsim.answers.given import typed
from feedsim.answers.limit.study.closed import closed_forms
from feedsim.answers.line import Line
from feedsim.answers.run.product.points import product_columns
from feedsim.answers.sweep.links import has_pages, point_pages
from feedsim.answers.sweep.study import SweepPlan, Swept, run_sweep
from feedsim.answers.where import where_of
from feedsim.files.new_files import Content
from feedsim.metrics.feeder_results import FeederResults
from feedsim.metrics.plain import LEFT_OUT
from feedsim.metrics.share import Share
from feedsim.quantities import Kind, System
from feedsim.render.csv_table import Cells, csv_table, ends
from feedsim.running.axes import Axis, parse_axis, parse_speeds, speeds_of
from feedsim.running.engines import refuse_compiled
from feedsim.running.executor import Where, nobody
from feedsim.running.point import Point

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_UNITS: dict[Kind, str] = {
    "length": "_mm",
    "time": "_s",
    "speed": "_mm_s",
    "acceleration": "_mm_s2",
    "rate": "_per_s",
    "share": "",
    "torque": "_n_m",
    "inertia": "_kg_m2",
    "mass": "_kg",
    "density": "_kg_m3",
    "power": "_w",
    "force": "_n",
    "angular speed": "_rpm",
}


_MARGINS = {"mm": "_mm", "%": "_percent", "mm/s^2": "_mm_s2"}


@dataclass(frozen=True, slots=True, repr=False)
class Sweep(Swept, Answer):
    """All points of a sweep; its table ``sweep`` has a row per point and feeder.

    ``paged``: whether a page that plays the line at each point is among its files.
    """

    paged: bool = field(default=False, metadata=LEFT_OUT, compare=False)
    name: ClassVar[str] = "sweep"

    def _text(self, units: System) -> str:
        from feedsim.answers.sweep.text import sweep_text

        return sweep_text(self, units=units)

    def _csv(self) -> dict[str, bytes]:
        return {"sweep": sweep_csv(self)}

    def _figures(self, units: System) -> dict[str, Figure]:
        """Return an overview and a page of rows, or the maps of two axes."""
        from feedsim.answers.sweep.figure import sweep_figures
        from feedsim.answers.sweep.map import sweep_maps
        from feedsim.answers.sweep.rows_figure import rows_figures

        if len(self.axes) > 1:
            return sweep_maps(self, units=units)
        return sweep_figures(self, units=units) | rows_figures(self, units=units)

    def _files(self, units: System) -> dict[str, Content]:
        from feedsim.answers.check.study.review import review
        from feedsim.answers.sweep.links import Picture, areas_of
        from feedsim.answers.sweep.report import sweep_report
        from feedsim.render.canvas import pictures, seen_in

        figures = self.figures(units=units)
        drawn = pictures(figures)
        shown = [
            Picture(seen_in(one), drawn[f"{name}.png"], areas_of(self, name, one, units=units))
            for name, one in figures.items()
        ]
        settings = [feeder.settings for feeder in review(self.scenario).feeders]
        pages = point_pages(self, units=units) if self.paged else {}
        report = sweep_report(self, figures=shown, settings=settings, units=units, pages=self.paged)
        return {**self._data(), **drawn, "report.html": report.encode(), **pages}


def planned(
    line: Line, *, speeds: str | None = None, vary: Sequence[str] = (), pages: bool = False
) -> SweepPlan:
    """Return what a sweep is to run; see :func:`sweep`."""
    if pages:
        refuse_compiled("a page that plays the line")
    scenario = line.scenario
    axes = [parse_axis(text) for text in vary]
    if speeds is not None:
        axes.append(parse_speeds(speeds, line.units))
    if not axes:
        axes.append(speeds_of(scenario.sweep.speeds_mm_s))
    axes.sort(key=lambda axis: axis.is_speed)
    plan = SweepPlan(scenario, tuple(axes), scenario.sweep.replications, line.units, line.written)
    plan.check()
    if pages:
        has_pages(len(plan.points))
    return plan


def swept(
    plan: SweepPlan,
    *,
    where: Where,
    known: Mapping[int, Point] | None = None,
    on_point: Callable[[int, Point], None] = nobody,
    on_lost: Callable[[str], None] = nobody,
) -> Sweep:
    """Run the points of a sweep that are not known yet; see :func:`run_sweep`."""
    return Sweep.of(
        plan,
        run_sweep(plan, where=where, known=known or {}, on_point=on_point, on_lost=on_lost),
        closed_forms(plan.scenario),
    )


@typed
def sweep(
    line: Line,
    speeds: str | None = None,
    *,
    vary: Sequence[str] = (),
    jobs: int | None = 1,
    cluster: str | None = None,
    pages: bool = False,
) -> Sweep:
    """Run a line at many speeds, or with many values of a key, with common random numbers.

    Parameters
    ----------
    line : Line
        Its ``sweep.replications`` says how often each point runs.
    speeds : str, optional
        ``"40:160:20 m/min"`` (from, to, step) or ``"20,45,60 m/min"``; those of ``[sweep]`` if
        nothing else varies.
    vary : sequence of str
        Up to two keys with their values: ``"feeder.0.insert.gap=40:90:5 mm"``.
    jobs : int or None
        Processes; None: one for each core. The answer does not depend on it. More than one asks
        for a script's ``if __name__ == "__main__":``, as every spawned process does.
    cluster : str, optional
        Address of a Dask scheduler.
    pages : bool
        Whether the files that :meth:`Answer.save` writes have a page of each point.

    Raises
    ------
    FeedsimError
        If a range or a key is wrong, a value makes an impossible line, or there are too many
        points for pages, or the compiled engine is requested beside them.
    """
    where = where_of(None if cluster else jobs, cluster)
    plan = planned(line, speeds=speeds, vary=vary, pages=pages)
    return replace(swept(plan, where=where), paged=pages)


def sweep_csv(swept: Swept) -> bytes:
    """Return the table of a sweep, its columns with units in their names.

    A key that is varied and is not the line speed has a column of its own, its name that of the
    key with the unit.
    """
    others = [axis for axis in swept.axes if not axis.is_speed]
    rows = [
        dict(_row(point, feeder, number, others))
        for point in swept.points
        for number, feeder in enumerate(point.results.feeders)
    ]
    return csv_table(rows)


def _varied(point: Point, axis: Axis) -> tuple[str, float | str]:
    value = point.varied[axis.key]
    if not axis.numbers:
        return axis.key, value
    unit = _UNITS[axis.kind] if axis.kind else ""
    return axis.key + unit, axis.numbers[axis.values.index(value)]


def _row(point: Point, feeder: FeederResults, number: int, others: Sequence[Axis]) -> Cells:
    results, stops = point.results, point.results.stops
    yield "line_speed_mm_s", results.line_speed_mm_s
    yield from (_varied(point, axis) for axis in others)
    yield "feeder", number
    yield "replications", results.replications
    yield "carriers", results.carriers
    yield "accepted", int(results.accepted)
    yield "decided", int(results.decided)
    yield "complete_per_hour", results.complete.per_hour
    yield from product_columns(results)
    yield "stops", stops.count
    yield "downtime_s", stops.downtime_s
    yield "availability", stops.availability
    yield "lost_carriers", stops.lost
    yield from _placement(feeder)
    yield from _share("missed", feeder.missed)
    for cause, count in feeder.missed.by_cause.by_name.items():
        yield f"missed_{cause}", count
    yield from _share("jam_risk", feeder.jam_risk)
    for name, hazard in feeder.hazards.by_name.items():
        unit = _MARGINS.get(hazard.margin_unit or "", "")
        yield f"{name}_count", hazard.count
        yield f"{name}_margin_mean{unit}", hazard.margin_mean
        yield f"{name}_margin_sd{unit}", hazard.margin_sd
        yield f"{name}_tail_probability", hazard.tail_probability
    yield "cycle_mean_s", feeder.cycle.mean_s
    yield "cycle_use", feeder.cycle.use


def _placement(feeder: FeederResults) -> Cells:
    error = feeder.placement_error
    yield "placed", feeder.placed
    yield "placement_error_mean_mm", error.mean_mm
    yield "placement_error_sd_mm", error.sd_mm
    yield "placement_error_min_mm", error.min_mm
    yield "placement_error_max_mm", error.max_mm
    yield "placement_error_p01_mm", error.p01_mm
    yield "placement_error_p50_mm", error.p50_mm
    yield "placement_error_p99_mm", error.p99_mm
    yield "placement_error_cp", error.cp
    yield "placement_error_cpk", error.cpk
    yield from ends("placement_error_mean", error.mean_ci95_mm, "_mm")
    yield "within_tolerance", error.within_tolerance
    yield from ends("within_tolerance", error.within_tolerance_ci95)
    yield "stage_position_mean_mm", feeder.stage_position.mean_mm
    yield "stage_position_sd_mm", feeder.stage_position.sd_mm


def _share(name: str, share: Share) -> Cells:
    yield f"{name}_count", share.count
    yield f"{name}_share", share.share
    yield from ends(f"{name}_share", share.ci95)
    yield f"{name}_upper95", share.upper95
