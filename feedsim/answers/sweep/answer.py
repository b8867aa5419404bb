"""A line run at many speeds, or with many values of a key, on the same cards."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

from feedsim.answers.answer import Answer, Table
from feedsim.answers.limit.study.closed import (
    closed_forms,
    each_tooth_to,
    limits_of_line,
    refused_speeds,
)
from feedsim.answers.line import Line
from feedsim.answers.sweep.rows import sweep_csv
from feedsim.answers.sweep.study import Sweep as Plan
from feedsim.answers.sweep.study import run_sweep
from feedsim.answers.tables import columns_of
from feedsim.answers.where import where_of
from feedsim.files.new_files import Content
from feedsim.metrics.plain import Plain, plain
from feedsim.quantities import System
from feedsim.running.axes import parse_axis, parse_speeds, speeds_of
from feedsim.running.executor import Where
from feedsim.settings.limits import Closed, SpeedLimit

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["Plan", "Sweep", "planned", "sweep", "swept"]

Point = Mapping[str, Any]


def _nothing(*_: object) -> None:
    pass


@dataclass(frozen=True, slots=True, repr=False)
class Sweep(Answer):
    """All points of a sweep.

    Attributes
    ----------
    plan : Plan
        Scenario, axes and replications.
    points : tuple of mapping
        The figures of each, as ``results.json`` has them, in order; the last axis changes fastest.
    forms : tuple of Closed
        What the closed forms say of each feeder.
    """

    plan: Plan
    points: tuple[Point, ...]
    forms: tuple[Closed, ...]
    name: ClassVar[str] = "sweep"

    @property
    def limits(self) -> tuple[tuple[SpeedLimit, ...], ...]:
        """The limits of each feeder in closed form, the lowest first."""
        return tuple(form.limits for form in self.forms)

    @property
    def units(self) -> System:
        """Those of the plan."""
        return self.plan.units

    @property
    def highest_accepted_speed_mm_s(self) -> float | None:
        """The speed up to which every point is accepted; None if the first is not."""
        speed = self.plain()["highest_accepted_speed_mm_s"]
        return speed if isinstance(speed, float) else None

    def plain(self) -> dict[str, Plain]:
        """Return what ``sweep.json`` holds."""
        return {
            **self.plan.to_plain(self.points),
            "closed_form": plain(limits_of_line(self.plan.scenario, self.limits)),
            "closed_form_refused": plain(refused_speeds(self.forms)),
            "closed_form_each_tooth_to_mm_s": each_tooth_to(self.forms),
        }

    def _text(self, units: System) -> str:
        """Return the table of the points; see :meth:`Answer.text`."""
        from feedsim.answers.sweep.text import sweep_text

        return sweep_text(self.plain(), units=units)

    def tables(self) -> dict[str, Table]:
        """Return ``sweep``: a row per point and feeder."""
        return {"sweep": columns_of(sweep_csv(self.points, axes=self.plan.axes))}

    def _figures(self, units: System) -> dict[str, Figure]:
        """Return an overview, or the maps of two axes."""
        from feedsim.answers.sweep.figure import sweep_figures
        from feedsim.answers.sweep.map import sweep_maps
        from feedsim.running.run import criteria_of

        scenario, axes = self.plan.scenario, self.plan.axes
        title, criteria = scenario.title, criteria_of(scenario)
        if len(axes) > 1:
            return sweep_maps(self.points, axes=axes, title=title, criteria=criteria, units=units)
        return sweep_figures(
            self.points,
            axes=axes,
            limits=self.limits,
            title=title,
            criteria=criteria,
            units=units,
        )

    def _files(self, units: System) -> dict[str, Content]:
        """Return data, pictures and report; see :meth:`Answer.files`."""
        from feedsim.answers.check.study.review import review
        from feedsim.answers.sweep.report import sweep_report

        pictures = self.pictures(units=units)
        png = {
            name.removesuffix(".png"): picture
            for name, picture in pictures.items()
            if name.endswith(".png") and isinstance(picture, bytes)
        }
        report = sweep_report(
            self.plain(),
            figures=png,
            settings=[feeder.settings for feeder in review(self.plan.scenario).feeders],
            limits=self.limits,
            units=units,
        )
        return {
            "sweep.json": self.json().encode(),
            "sweep.csv": sweep_csv(self.points, axes=self.plan.axes),
            **pictures,
            "report.html": report.encode(),
        }


def planned(line: Line, *, speeds: str | None = None, vary: Sequence[str] = ()) -> Plan:
    """Return what a sweep is to run.

    Parameters
    ----------
    line, speeds, vary
        See :func:`sweep`.

    Raises
    ------
    FeedsimError
        If a range or a key is wrong, or a value makes no line that can be.
    """
    scenario = line.scenario
    axes = [parse_axis(text) for text in vary]
    if speeds is not None:
        axes.append(parse_speeds(speeds))
    if not axes:
        axes.append(speeds_of(scenario.sweep.speeds_mm_s))
    axes.sort(key=lambda axis: axis.is_speed)
    plan = Plan(scenario, tuple(axes), scenario.sweep.replications, line.units)
    plan.check()
    return plan


def swept(
    plan: Plan,
    *,
    where: Where,
    known: Mapping[int, Point] | None = None,
    on_point: Callable[[int, Mapping[str, Plain]], None] = _nothing,
    on_lost: Callable[[str], None] = _nothing,
) -> Sweep:
    """Run the points of a sweep that are not known yet; see :func:`run_sweep`."""
    points = run_sweep(plan, where=where, known=known or {}, on_point=on_point, on_lost=on_lost)
    return Sweep(plan, tuple(points), tuple(closed_forms(plan.scenario)))


def sweep(
    line: Line,
    speeds: str | None = None,
    *,
    vary: Sequence[str] = (),
    jobs: int | None = 1,
    cluster: str | None = None,
) -> Sweep:
    """Run a line at many speeds, or with many values of a key, on the same cards.

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

    Raises
    ------
    FeedsimError
        If a range or a key is wrong, or a value makes no line that can be.
    """
    where = where_of(None if cluster else jobs, cluster)
    return swept(planned(line, speeds=speeds, vary=vary), where=where)
